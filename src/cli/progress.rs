//! What a person sees of a run under way: a full screen on a terminal that can show one, else one line
//! drawn over itself, or a plain line now and then where nobody can be watching it change.

use std::io::Write;
use std::time::Duration;

use super::full_screen::{FullScreen, Stopper};
use crate::model::{CpuId, Entry, Mono, Plan, Record, RunHeader, Sample};
use crate::os;
use crate::report::live::LiveView;
use crate::report::{self, CoreProgress, CoreState, Progress};
use crate::run::Observer;

/// Between two plain lines.
const PLAIN_EVERY: Duration = Duration::from_secs(15);
/// A worker silent for longer is shown as such; findings come later and from elsewhere.
const SILENT_NS: u64 = 3_000_000_000;
/// Back to the first column, and clear to the end of the line (ECMA-48 EL).
const REDRAW: &str = "\r\x1b[K";

/// Follows a run on standard error.
pub(super) struct Screen {
    full: Option<FullScreen>,
    /// Taken by the full screen once the run has begun; none where lines are wanted.
    wants_full: bool,
    stop: Option<Stopper>,
    redraws: bool,
    last_plain: Option<Mono>,
    stage_began: Mono,
    drawn: bool,
}

impl Screen {
    /// A screen on which nothing is drawn yet; a full one unless `lines` are wanted or all that can be had.
    /// `stop` ends the run, where that can be done from here.
    pub(super) fn new(lines: bool, stop: Option<Stopper>) -> Self {
        let redraws = os::stderr_is_terminal();
        Self {
            full: None,
            wants_full: !lines && os::can_draw_screen(),
            stop,
            redraws,
            last_plain: None,
            stage_began: Mono(0),
            drawn: false,
        }
    }

    /// Takes the progress line, or the full screen, away.
    pub(super) fn clear(&mut self) {
        self.full = None;
        self.clear_line();
    }

    fn clear_line(&mut self) {
        if std::mem::take(&mut self.drawn) {
            self.write(REDRAW);
        }
    }

    fn line(&mut self, words: &str) {
        self.clear_line();
        self.write(&format!("{words}\n"));
    }

    fn write(&self, text: &str) {
        let mut output = std::io::stderr().lock();
        let written = output
            .write_all(text.as_bytes())
            .and_then(|()| output.flush());
        if let Err(error) = written {
            tracing::debug!(%error, "nobody watches");
        }
    }

    fn sampled(&mut self, sample: &Sample, record: &Record) {
        let progress = progress_of(sample, record, self.stage_began);
        let line = report::progress_line(&progress);
        if self.redraws {
            let width = usize::from(os::terminal_width()).saturating_sub(1);
            let short: String = line.chars().take(width).collect();
            self.write(&format!("{REDRAW}{short}"));
            self.drawn = true;
        } else if self
            .last_plain
            .is_none_or(|at| sample.at.mono.since(at) >= PLAIN_EVERY)
        {
            self.last_plain = Some(sample.at.mono);
            self.line(&line);
        }
    }
}

impl Observer for Screen {
    fn begun(&mut self, number: i64, header: &RunHeader) {
        self.stage_began = header.started.mono;
        if std::mem::take(&mut self.wants_full) {
            let view = LiveView::new(number, header, &super::run::style());
            match FullScreen::take(view, self.stop.take()) {
                Ok(full) => self.full = Some(full),
                Err(error) => tracing::warn!(%error, "no full screen here"),
            }
        }
        if self.full.is_some() {
            return;
        }
        let (plan, machine) = (&header.plan, &header.machine);
        let minutes = plan.length().as_secs().div_ceil(60);
        self.line(&format!(
            "run {number}: suite {} on {} CPUs, about {minutes} min; it makes heat and draws power; \
             Ctrl-C ends it with a verdict",
            report::escape(&plan.suite),
            machine.cpus.len()
        ));
        for line in header
            .declared
            .standing
            .iter()
            .flat_map(|s| report::before_run(s))
        {
            self.line(&report::escape(&line));
        }
        for gap in &header.gaps {
            if gap.kind == crate::model::GapKind::NoProcessorTemperature {
                self.line(&format!("warning: {} {}", gap.about, gap.remedy));
            }
        }
    }

    fn entry(&mut self, entry: &Entry, record: &Record) {
        if let Some(full) = &self.full {
            full.tell(|view| view.take(entry));
            return;
        }
        match entry {
            Entry::Stage(mark) => {
                if !mark.finished {
                    self.stage_began = mark.at.mono;
                    self.last_plain = None;
                }
            }
            Entry::Sample(sample) => self.sampled(sample, record),
            Entry::Finding(finding) => {
                let line = format!(
                    "finding: {}",
                    report::finding_words(finding, &super::run::style())
                );
                self.line(&line);
            }
            Entry::Gap(gap) => {
                let line = format!("gap: {} {}", report::escape(&gap.about), gap.remedy);
                self.line(line.trim_end());
            }
            Entry::WorkerDone(_)
            | Entry::ProgramRun(_)
            | Entry::Repeated { .. }
            | Entry::StopMark(_)
            | Entry::Aftermath(_)
            | Entry::End(_)
            | Entry::Note(_)
            | Entry::Verdict(_) => {}
        }
    }
}

fn progress_of(sample: &Sample, record: &Record, stage_began: Mono) -> Progress {
    let plan = &record.header.plan;
    let index = usize::from(sample.stage);
    let stage = plan.stages.get(index);
    let in_stage = sample.at.mono.since(stage_began);
    let stage_left = stage.map_or(Duration::ZERO, |stage| {
        stage.length().saturating_sub(in_stage)
    });
    let later: Duration = plan
        .stages
        .iter()
        .skip(index + 1)
        .map(|stage| stage.length())
        .sum();
    Progress {
        stage: index + 1,
        stages: plan.stages.len(),
        name: stage.map(|stage| stage.name.clone()).unwrap_or_default(),
        stage_left,
        left: stage_left + later,
        cores: cores_of(sample, record, plan),
        hottest: record.header.hottest_of_processor(sample),
        errors: record.findings.iter().map(|finding| finding.events).sum(),
    }
}

fn cores_of(sample: &Sample, record: &Record, plan: &Plan) -> Vec<CoreProgress> {
    let loads = plan
        .segment(sample.stage, sample.segment)
        .map(|segment| segment.loads.as_slice())
        .unwrap_or_default();
    let planned = |cpu: CpuId| loads.iter().any(|load| load.cpus.contains(&cpu));
    let core = |cpu: CpuId| {
        let worker = sample.workers.iter().find(|worker| worker.cpu == cpu);
        let state = match worker {
            None if planned(cpu) => CoreState::Ended,
            None => CoreState::Idle,
            Some(worker) if worker.pausing => CoreState::Pausing,
            Some(worker) if worker.silent_ns > SILENT_NS => CoreState::Silent,
            Some(_) => CoreState::Working,
        };
        CoreProgress {
            cpu,
            state,
            errors: worker.map_or(0, |worker| worker.errors),
        }
    };
    record
        .header
        .machine
        .cpus
        .iter()
        .map(|cpu| core(cpu.id))
        .collect()
}
