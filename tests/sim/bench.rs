//! A core with its clock, for tests that give it events by hand and look at its actions.

use soakproof::model::{
    Channel, ChannelId, CpuId, End, Entry, Finding, GapKind, Loss, MemoryFault, MemoryFaultClass,
    Mismatch, Moment, Mono, Reading, RunHeader, Wall, WorkerProgress,
};
use soakproof::run::core::{Action, Core, Event, Exit, Limits, Report, WorkerId};

use crate::machine::{header, plan};
use crate::trouble::Trouble;

/// A core with its clock, and everything that it said.
pub(crate) struct Bench {
    pub(crate) core: Core,
    pub(crate) ms: u64,
    pub(crate) said: Vec<Action>,
    pub(crate) wall_ms: i64,
}

/// The simulation's plan without its idle stage in front: the first segment loads both cores for 5 s.
pub(crate) fn loaded() -> RunHeader {
    let mut header = header(plan(&Trouble {
        go_on: true,
        ..Trouble::default()
    }));
    header.plan.stages.remove(0);
    header
}

pub(crate) fn thermometer(id: u16, label: &str) -> Channel {
    let mut channel = loaded().channels.remove(0);
    channel.id = ChannelId(id);
    channel.label = label.to_owned();
    channel
}

pub(crate) fn reading(channel: u16, value: f64) -> Reading {
    Reading {
        channel: ChannelId(channel),
        value,
    }
}

pub(crate) fn progress(cpu: u32, silent_s: u64) -> WorkerProgress {
    WorkerProgress {
        cpu: CpuId(cpu),
        load: 0,
        kernel: 0,
        passes: vec![10],
        checked_s: vec![1.0],
        clock_mhz: vec![4000.0],
        part_walks: 0,
        errors: 0,
        load_steps: 1,
        silent_ns: silent_s * 1_000_000_000,
        pausing: false,
    }
}

pub(crate) fn wrong_answer(number: u32) -> Event {
    let mismatch = Mismatch {
        pass: 3,
        step: 1,
        word: None,
        expected: 5,
        got: 7,
    };
    let kernel = "sums".to_owned();
    Event::Worker(WorkerId(number), Report::WrongAnswer { kernel, mismatch })
}

pub(crate) fn wrong_memory(number: u32, address: u64, physical: Option<u64>) -> Event {
    let fault = MemoryFault {
        pass: 0,
        step: 0,
        address,
        physical,
        expected: 1,
        got: 0,
        class: MemoryFaultClass::WrongStore,
    };
    let kernel = "walk".to_owned();
    Event::Worker(WorkerId(number), Report::WrongMemory { kernel, fault })
}

impl Bench {
    pub(crate) fn new(header: &RunHeader, limits: Limits) -> Self {
        let core = Core::new(
            header.plan.clone(),
            header.machine.clone(),
            header.channels.clone(),
            limits,
        );
        Self {
            core,
            ms: 1_000_000,
            said: vec![],
            wall_ms: 0,
        }
    }

    /// Begun, both workers ready and computing.
    pub(crate) fn running(header: &RunHeader) -> Self {
        let mut bench = Self::new(header, Limits::default());
        bench.tell(Event::Begin);
        let started = bench.warm(50.0);
        assert_eq!(starts(&started), 2);
        bench.tell(Event::Worker(WorkerId(0), Report::Ready));
        bench.tell(Event::Worker(WorkerId(1), Report::Ready));
        bench.after(500).tell(Event::Tick);
        bench
    }

    pub(crate) fn after(&mut self, ms: u64) -> &mut Self {
        self.ms += ms;
        self
    }

    pub(crate) fn tell(&mut self, event: Event) -> Vec<Action> {
        let now = Moment {
            mono: Mono(self.ms * 1_000_000),
            wall: Wall(i64::try_from(self.ms).expect("small") + self.wall_ms),
        };
        let actions = self.core.handle(now, event);
        self.said.extend(actions.clone());
        actions
    }

    pub(crate) fn sampled(
        &mut self,
        readings: Vec<Reading>,
        lost: Vec<(ChannelId, Loss)>,
    ) -> Vec<Action> {
        let workers = vec![];
        self.tell(Event::Sampled {
            readings,
            lost,
            workers,
        })
    }

    pub(crate) fn warm(&mut self, value: f64) -> Vec<Action> {
        self.sampled(vec![reading(0, value)], vec![])
    }

    pub(crate) fn silent(&mut self, silent_s: u64) -> Vec<Action> {
        let workers = vec![(WorkerId(0), progress(0, silent_s))];
        self.tell(Event::Sampled {
            readings: vec![reading(0, 50.0)],
            lost: vec![],
            workers,
        })
    }

    pub(crate) fn leave(&mut self, number: u32, exit: Exit) -> Vec<Action> {
        self.tell(Event::Exited(WorkerId(number), exit, None))
    }

    pub(crate) fn leave_both(&mut self) -> Vec<Action> {
        self.leave(0, Exit::Clean);
        self.leave(1, Exit::Clean)
    }

    fn entries(&self) -> impl DoubleEndedIterator<Item = &Entry> {
        self.said.iter().filter_map(|action| {
            if let Action::Record(entry) = action {
                Some(entry)
            } else {
                None
            }
        })
    }

    pub(crate) fn gaps(&self) -> Vec<GapKind> {
        let mut gaps = vec![];
        for entry in self.entries() {
            if let Entry::Gap(gap) = entry {
                gaps.push(gap.kind);
            }
        }
        gaps
    }

    pub(crate) fn findings(&self) -> Vec<&Finding> {
        let mut findings = vec![];
        for entry in self.entries() {
            if let Entry::Finding(finding) = entry {
                findings.push(finding);
            }
        }
        findings
    }

    /// The last repeat told: which finding, how many events.
    pub(crate) fn last_repeat(&self) -> Option<(u32, u64)> {
        self.entries().rev().find_map(|entry| {
            if let Entry::Repeated { finding, events } = entry {
                Some((*finding, *events))
            } else {
                None
            }
        })
    }

    /// The end, of which there must be one.
    pub(crate) fn end(&self) -> &End {
        let mut ends = vec![];
        for entry in self.entries() {
            if let Entry::End(end) = entry {
                ends.push(&end.what);
            }
        }
        assert_eq!(ends.len(), 1, "{:?}", self.said);
        assert_eq!(self.said.last(), Some(&Action::Finish));
        ends[0]
    }

    pub(crate) fn interruption(&self) -> &str {
        let end = self.end();
        let End::Interrupted { reason } = end else {
            panic!("{end:?}");
        };
        reason
    }
}

pub(crate) fn starts(actions: &[Action]) -> usize {
    let start = |action: &&Action| matches!(action, Action::Start { .. });
    actions.iter().filter(start).count()
}

pub(crate) fn kills_first(actions: &[Action]) -> bool {
    actions.first() == Some(&Action::KillAll)
}
