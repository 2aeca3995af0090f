//! What is known of a run under way, as much as a screen shows.

use std::collections::BTreeMap;
use std::time::Duration;

use super::outlook::{Outlook, claim_words, foresee};
use super::trend::Trend;
use crate::model::{
    CpuId, Entry, Finding, GapKind, Mono, Quantity, Record, Role, RunHeader, Sample, WorkerProgress,
};
use crate::report::page::{Style, escape};
use crate::report::progress::CoreState;
use crate::report::units::{count, time_of_day};
use crate::report::verdict::kind_words;

/// Most findings and gaps that are kept for scrolling.
const NEWS: usize = 500;
/// Less than this over the last minutes is level.
const LEVEL_C: f64 = 6.0;
const LEVEL_MHZ: f64 = 60.0;
const LEVEL_W: f64 = 20.0;
/// A worker silent for longer is shown as such; findings come later and from elsewhere.
const SILENT_NS: u64 = 3_000_000_000;

/// One CPU as it is shown.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CoreRow {
    pub(super) cpu: CpuId,
    pub(super) state: CoreState,
    /// Rate of checked passes in per cent of its own mean in this stretch.
    pub(super) rate: Option<f64>,
    pub(super) clock_mhz: Option<f64>,
    pub(super) celsius: Option<f64>,
    pub(super) errors: u64,
}

/// A line of the list of news.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct News {
    pub(super) words: String,
    /// Place among the findings; none for a gap.
    pub(super) finding: Option<usize>,
}

/// A stage of the ladder.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rung {
    pub(super) name: String,
    pub(super) length: Duration,
    pub(super) begun: Option<Mono>,
    pub(super) whole: bool,
}

/// A run under way.
#[derive(Debug)]
pub struct LiveView {
    pub(super) number: i64,
    /// Everything but samples.
    record: Record,
    style: Style,
    pub(super) rungs: Vec<Rung>,
    pub(super) stage: usize,
    pub(super) now: Mono,
    pub(super) rows: Vec<CoreRow>,
    pub(super) hottest: Option<(String, f64)>,
    pub(super) heat: Trend,
    pub(super) clock: Trend,
    pub(super) power: Trend,
    pub(super) news: Vec<News>,
    pub(super) unseen_news: usize,
    pub(super) outlook: Outlook,
    pub(super) ended: Option<String>,
    /// Checked seconds of workers that have ended.
    done: BTreeMap<CpuId, f64>,
    running: Vec<(CpuId, f64)>,
    before: Vec<WorkerProgress>,
    before_place: (u16, u16),
}

/// Where it was comes before what it was: a line may be cut.
fn short_words(finding: &Finding, style: &Style) -> String {
    let mut words = vec![time_of_day(finding.at.wall, &style.zone)];
    words.extend(finding.cpu.map(|cpu| cpu.to_string()));
    words.extend(finding.kernel.clone());
    words.extend((finding.events > 1).then(|| format!("{} times", count(finding.events))));
    format!("{}: {}", words.join(" "), kind_words(&finding.kind))
}

impl LiveView {
    /// A run that has just begun. Times are told in the zone of `style`.
    pub fn new(number: i64, header: &RunHeader, style: &Style) -> Self {
        let rungs = header.plan.stages.iter().map(|stage| Rung {
            name: escape(&stage.name),
            length: stage.length(),
            begun: None,
            whole: false,
        });
        let record = Record::new(header.clone());
        let outlook = foresee(&record);
        let mut view = Self {
            number,
            rungs: rungs.collect(),
            stage: 0,
            now: header.started.mono,
            rows: Vec::new(),
            hottest: None,
            heat: Trend::new(LEVEL_C),
            clock: Trend::new(LEVEL_MHZ),
            power: Trend::new(LEVEL_W),
            news: Vec::new(),
            unseen_news: 0,
            outlook,
            ended: None,
            done: BTreeMap::new(),
            running: Vec::new(),
            before: Vec::new(),
            before_place: (0, 0),
            record,
            style: style.clone(),
        };
        for gap in &header.gaps {
            if gap.kind == GapKind::NoProcessorTemperature {
                view.tell(&format!("not seen: {} {}", gap.about, gap.remedy), None);
            }
        }
        view
    }

    /// Takes in what happened next.
    pub fn take(&mut self, entry: &Entry) {
        match entry {
            Entry::Sample(sample) => self.sampled(sample),
            Entry::Stage(mark) => {
                self.now = self.now.max(mark.at.mono);
                let index = usize::from(mark.stage);
                if let Some(rung) = self.rungs.get_mut(index) {
                    if mark.finished {
                        rung.whole = true;
                    } else {
                        rung.begun = Some(mark.at.mono);
                        self.stage = index;
                    }
                }
                self.record.apply(entry.clone());
            }
            Entry::WorkerDone(done) => {
                let checked: f64 = done.what.checked_s.iter().sum();
                *self.done.entry(done.what.cpu).or_default() += checked;
                self.running.retain(|(cpu, _)| *cpu != done.what.cpu);
            }
            Entry::Finding(finding) => {
                self.record.apply(entry.clone());
                self.outlook = foresee(&self.record);
                let words = short_words(finding, &self.style);
                self.tell(&words, Some(self.record.findings.len() - 1));
            }
            Entry::Repeated { finding, .. } => {
                self.record.apply(entry.clone());
                self.tell_again(*finding as usize);
            }
            Entry::Gap(gap) => {
                self.record.apply(entry.clone());
                self.outlook = foresee(&self.record);
                self.tell(&format!("not seen: {} {}", gap.about, gap.remedy), None);
            }
            Entry::End(end) => {
                self.now = self.now.max(end.at.mono);
                self.ended = Some(crate::report::verdict::end_words(&end.what));
            }
            Entry::StopMark(_) => {
                self.ended = Some("an end was asked for".to_owned());
            }
            Entry::ProgramRun(_) | Entry::Aftermath(_) | Entry::Note(_) | Entry::Verdict(_) => {}
        }
    }

    fn tell(&mut self, words: &str, finding: Option<usize>) {
        if self.news.len() == NEWS {
            self.news.remove(0);
            self.unseen_news += 1;
        }
        let words = escape(words.trim_end());
        self.news.push(News { words, finding });
    }

    /// A fault that shows again keeps its line.
    fn tell_again(&mut self, finding: usize) {
        let known = self.record.findings.get(finding);
        let mut news = self.news.iter_mut();
        let line = news.find(|news| news.finding == Some(finding));
        if let Some((known, line)) = known.zip(line) {
            line.words = escape(&short_words(known, &self.style));
        }
    }

    fn sampled(&mut self, sample: &Sample) {
        self.now = sample.at.mono;
        self.stage = usize::from(sample.stage);
        let header = &self.record.header;
        self.hottest = header
            .hottest_of_processor(sample)
            .map(|(label, celsius)| (escape(&label), celsius));
        self.heat
            .push(self.hottest.as_ref().map(|(_, celsius)| *celsius));
        let power = header
            .channels
            .iter()
            .find(|channel| channel.quantity == Quantity::Power && channel.role == Role::Package);
        self.power
            .push(power.and_then(|channel| sample.reading(channel.id)));
        self.rows = self.rows_of(sample);
        let clocks = self.rows.iter().filter_map(|row| row.clock_mhz);
        self.clock.push(clocks.reduce(f64::min));
        self.running = sample
            .workers
            .iter()
            .map(|worker| (worker.cpu, worker.checked_s.iter().sum()))
            .collect();
        self.before = sample.workers.clone();
        self.before_place = (sample.stage, sample.segment);
    }

    fn rows_of(&self, sample: &Sample) -> Vec<CoreRow> {
        let header = &self.record.header;
        let loads = header
            .plan
            .segment(sample.stage, sample.segment)
            .map(|segment| segment.loads.as_slice())
            .unwrap_or_default();
        let workers: BTreeMap<CpuId, &WorkerProgress> = sample
            .workers
            .iter()
            .map(|worker| (worker.cpu, worker))
            .collect();
        let cpus = header.machine.cpus.iter();
        cpus.map(|cpu| {
            let worker = workers.get(&cpu.id).copied();
            let planned = loads.iter().any(|load| load.cpus.contains(&cpu.id));
            let state = match worker {
                None if planned => CoreState::Ended,
                None => CoreState::Idle,
                Some(worker) if worker.pausing => CoreState::Pausing,
                Some(worker) if worker.silent_ns > SILENT_NS => CoreState::Silent,
                Some(_) => CoreState::Working,
            };
            let own = header.channels.iter().find(|channel| {
                channel.quantity == Quantity::Temperature
                    && channel.role == Role::Core
                    && channel.core == Some(cpu.core)
            });
            let same = (sample.stage, sample.segment) == self.before_place;
            CoreRow {
                cpu: cpu.id,
                state,
                rate: worker.filter(|_| same).and_then(|worker| self.rate(worker)),
                clock_mhz: worker.and_then(|worker| {
                    let clock = worker.clock_mhz.get(usize::from(worker.kernel));
                    clock.copied().filter(|mhz| *mhz > 0.0)
                }),
                celsius: own.and_then(|channel| sample.reading(channel.id)),
                errors: worker.map_or(0, |worker| worker.errors),
            }
        })
        .collect()
    }

    /// Passes since the last sample, in per cent of the worker's own mean.
    #[expect(clippy::cast_precision_loss, reason = "shown in per cent")]
    fn rate(&self, now: &WorkerProgress) -> Option<f64> {
        let mut known = self.before.iter();
        let before = known.find(|known| known.cpu == now.cpu && known.load == now.load)?;
        let mut needed = 0.0;
        let mut took = 0.0;
        for (index, (passes, seconds)) in now.passes.iter().zip(&now.checked_s).enumerate() {
            let done = passes.checked_sub(*before.passes.get(index)?)?;
            if done > 0 {
                needed += done as f64 * seconds / *passes as f64;
                took += seconds - before.checked_s.get(index)?;
            }
        }
        (took > 0.0).then(|| 100.0 * needed / took)
    }

    pub(super) fn header(&self) -> &RunHeader {
        &self.record.header
    }

    pub(super) fn style(&self) -> &Style {
        &self.style
    }

    /// Time left of the present stage, and of all.
    pub(super) fn left(&self) -> (Duration, Duration) {
        let of = |rung: &Rung| {
            let since = rung
                .begun
                .map_or(Duration::ZERO, |begun| self.now.since(begun));
            if rung.whole {
                Duration::ZERO
            } else {
                rung.length.saturating_sub(since)
            }
        };
        let left = self.rungs.get(self.stage).map_or(Duration::ZERO, of);
        let later = self.rungs.iter().skip(self.stage + 1);
        (left, left + later.map(|rung| rung.length).sum::<Duration>())
    }

    /// How far the claim is, in words.
    pub(super) fn claim(&self) -> Option<String> {
        let mut checked = self.done.clone();
        for (cpu, seconds) in &self.running {
            *checked.entry(*cpu).or_default() += seconds;
        }
        let checked: Vec<(CpuId, f64)> = checked.into_iter().collect();
        claim_words(&self.record.header.plan, &checked)
    }

    /// Wrong answers and memory faults, the events of every finding counted.
    pub(super) fn events(&self) -> u64 {
        self.record
            .findings
            .iter()
            .map(|finding| finding.events)
            .sum()
    }
}
