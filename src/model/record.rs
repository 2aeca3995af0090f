//! The record of a run: a header and a list of entries. Whoever holds the entries, live, stored or
//! imported, folds them into the same [`Record`], and the same function grades it.

use serde::{Deserialize, Serialize};

use super::aftermath::{Aftermath, Note, StopMark};
use super::change::Standing;
use super::continuation::Continuation;
use super::finding::{Finding, Gap};
use super::load::{CpuId, InstructionSet, LoadClass};
use super::machine::{Machine, PERFORMANCE};
use super::plan::Plan;
use super::program::ProgramRun;
use super::sample::{Channel, Sample, WorkerProgress};
use super::time::{Moment, Mono};
use super::verdict::Verdict;

/// Version of the JSON form of header and entries.
pub const FORMAT: u32 = 1;

/// What the person declared about the settings under test.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Declared {
    /// Core clock per load class in MHz, where declared; of the performance cores, where the processor
    /// mixes kinds.
    pub clock_mhz: Vec<(LoadClass, f64)>,
    /// Clock of other kinds of core in MHz, where declared.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub kind_clock_mhz: Vec<(String, f64)>,
    /// Air temperature in degrees Celsius.
    pub ambient_c: Option<f64>,
    /// Air temperature on the hottest day that the machine is to stand, in degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hottest_day_c: Option<f64>,
    /// Free words.
    pub note: String,
    /// Where the ledger stood; none in records that were made without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    pub standing: Option<Box<Standing>>,
}

impl Declared {
    /// The clock declared for `class` on a kind of core (none: all cores are alike).
    pub fn clock_of(&self, class: LoadClass, kind: Option<&str>) -> Option<f64> {
        match kind {
            None | Some(PERFORMANCE) => {
                let mut known = self.clock_mhz.iter();
                known
                    .find(|(known, _)| *known == class)
                    .map(|known| known.1)
            }
            Some(kind) => {
                let mut known = self.kind_clock_mhz.iter();
                known.find(|(known, _)| known == kind).map(|known| known.1)
            }
        }
    }
}

/// Everything known when a run starts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunHeader {
    /// Version of this form.
    pub format: u32,
    /// Globally unique id (UUID version 7).
    pub id: String,
    /// Version of the program.
    pub program: String,
    /// When it started.
    pub started: Moment,
    /// What will be run.
    pub plan: Plan,
    /// Where.
    pub machine: Machine,
    /// What can be read.
    pub channels: Vec<Channel>,
    /// What cannot be read, found at the start.
    pub gaps: Vec<Gap>,
    /// The run that this one goes on with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub continues: Option<Box<Continuation>>,
    /// What the person declared.
    pub declared: Declared,
    /// Class and instruction set of each kernel of the plan, as chosen for this machine.
    pub kernels: Vec<(String, LoadClass, InstructionSet)>,
}

impl RunHeader {
    /// Class of the kernel called `name`.
    pub fn class_of(&self, name: &str) -> Option<LoadClass> {
        self.kernels
            .iter()
            .find(|(kernel, ..)| kernel == name)
            .map(|(_, class, _)| *class)
    }

    /// The thermometers of the processor.
    pub fn processor_thermometers(&self) -> impl Iterator<Item = &Channel> {
        self.channels
            .iter()
            .filter(|channel| channel.is_processor_thermometer())
    }

    /// Label and reading, in degrees Celsius, of the processor's hottest thermometer in `sample`.
    pub fn hottest_of_processor(&self, sample: &Sample) -> Option<(String, f64)> {
        self.processor_thermometers()
            .filter_map(|channel| Some((channel.label.clone(), sample.reading(channel.id)?)))
            .max_by(|(_, one), (_, other)| one.total_cmp(other))
    }
}

/// Start or end of a stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageMark {
    /// When.
    pub at: Moment,
    /// Index in the plan.
    pub stage: u16,
    /// True at the end of a whole stage.
    pub finished: bool,
}

/// Why a run ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "why")]
pub enum End {
    /// All stages were run.
    Complete,
    /// A finding ended it (fail-fast or a closed gate).
    Finding,
    /// A person or an orderly shutdown ended it.
    Stopped,
    /// Something from outside ended it (a killed worker, suspend, full disk).
    Interrupted {
        /// What.
        reason: String,
    },
    /// The guard ended it.
    Guard {
        /// Why.
        reason: String,
    },
    /// The machine went down.
    Reset,
}

/// What is written down during a run, in this order and before anyone else hears of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "entry")]
pub enum Entry {
    /// A stage began or ended.
    Stage(StageMark),
    /// All readings at an instant.
    Sample(Sample),
    /// Final counts of a worker that has ended.
    WorkerDone(Stamped<WorkerProgress>),
    /// A program of the person's ran to its end and all was well with it.
    ProgramRun(Stamped<ProgramRun>),
    /// Evidence against the machine.
    Finding(Finding),
    /// Another event of a fault already on record: index of the finding, events so far.
    Repeated {
        /// Index into the findings of the record.
        finding: u32,
        /// Events so far.
        events: u64,
    },
    /// Evidence that could not be had.
    Gap(Gap),
    /// Somebody asked for an end.
    StopMark(StopMark),
    /// What was found when a run that nobody had ended was looked at again.
    Aftermath(Box<Aftermath>),
    /// The run ended.
    End(Stamped<End>),
    /// A person's word on the run.
    Note(Note),
    /// The verdict on all of the above; a later one revises an earlier one.
    Verdict(Box<Verdict>),
}

/// Something with the moment and the place in the plan at which it was so.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamped<T> {
    /// When.
    pub at: Moment,
    /// Index of the stage in the plan.
    pub stage: u16,
    /// Index of the segment within the stage.
    pub segment: u16,
    /// What.
    pub what: T,
}

/// A run as far as it is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Known at the start.
    pub header: RunHeader,
    /// Stage marks in order.
    pub stages: Vec<StageMark>,
    /// Samples in order.
    pub samples: Vec<Sample>,
    /// Final counts of workers.
    pub workers: Vec<Stamped<WorkerProgress>>,
    /// Runs of the person's programs that went well.
    pub program_runs: Vec<Stamped<ProgramRun>>,
    /// Findings in order.
    pub findings: Vec<Finding>,
    /// Gaps, those of the header first, each once.
    pub gaps: Vec<Gap>,
    /// Wishes to end in order.
    pub stop_marks: Vec<StopMark>,
    /// What was found after the run had ended without a word.
    pub aftermaths: Vec<Aftermath>,
    /// The end, once there is one.
    pub end: Option<Stamped<End>>,
    /// What persons said of the run, in order.
    pub notes: Vec<Note>,
    /// Verdicts in order; the last one holds.
    pub verdicts: Vec<Verdict>,
}

impl Record {
    /// A record with nothing in it yet.
    pub fn new(header: RunHeader) -> Self {
        let gaps = header.gaps.clone();
        Self {
            header,
            stages: Vec::new(),
            samples: Vec::new(),
            workers: Vec::new(),
            program_runs: Vec::new(),
            findings: Vec::new(),
            gaps,
            stop_marks: Vec::new(),
            aftermaths: Vec::new(),
            end: None,
            notes: Vec::new(),
            verdicts: Vec::new(),
        }
    }

    /// Adds what `entry` says.
    pub fn apply(&mut self, entry: Entry) {
        match entry {
            Entry::Stage(mark) => self.stages.push(mark),
            Entry::Sample(mut sample) => {
                // Kept by the ten thousand.
                sample.readings.shrink_to_fit();
                self.samples.push(sample);
            }
            Entry::WorkerDone(done) => self.workers.push(done),
            Entry::ProgramRun(run) => self.program_runs.push(run),
            Entry::Finding(finding) => self.findings.push(finding),
            Entry::Repeated { finding, events } => {
                if let Some(known) = self.findings.get_mut(finding as usize) {
                    known.events = events;
                }
            }
            Entry::Gap(gap) => {
                if !self.gaps.contains(&gap) {
                    self.gaps.push(gap);
                }
            }
            Entry::StopMark(mark) => self.stop_marks.push(mark),
            Entry::Aftermath(aftermath) => self.aftermaths.push(*aftermath),
            Entry::End(end) => self.end = Some(end),
            Entry::Note(note) => self.notes.push(note),
            Entry::Verdict(verdict) => self.verdicts.push(*verdict),
        }
    }

    /// The verdict that holds.
    pub fn verdict(&self) -> Option<&Verdict> {
        self.verdicts.last()
    }

    /// Monotonic time of the last thing known.
    pub fn last_known(&self) -> Mono {
        self.last_moment().mono
    }

    /// Moment of the last thing known of the run itself.
    pub fn last_moment(&self) -> Moment {
        if let Some(end) = &self.end {
            return end.at;
        }
        let sample = self.samples.last().map(|sample| sample.at);
        let stage = self.stages.last().map(|mark| mark.at);
        let worker = self.workers.last().map(|done| done.at);
        let finding = self.findings.last().map(|finding| finding.at);
        let known = [sample, stage, worker, finding];
        known
            .into_iter()
            .flatten()
            .max_by_key(|at| at.mono)
            .unwrap_or(self.header.started)
    }

    /// True where something ran when `sample` was taken.
    pub fn is_loaded(&self, sample: &Sample) -> bool {
        let segment = self.header.plan.segment(sample.stage, sample.segment);
        !sample.workers.is_empty() || segment.is_some_and(|segment| !segment.programs.is_empty())
    }

    /// Name of the CPU's physical core, for grouping.
    pub fn core_of(&self, cpu: CpuId) -> Option<u32> {
        self.header
            .machine
            .cpus
            .iter()
            .find(|known| known.id == cpu)
            .map(|known| known.core)
    }
}
