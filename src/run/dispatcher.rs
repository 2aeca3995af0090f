//! One loop selects over every source (workers, sensors, store, signals, time), turns each into an
//! event of the core, and carries out what the core answers, in its order: the guard's stop goes out
//! before anything is written, everything else is handed to the store before anyone hears of it.

use std::path::Path;
use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::core::{Action, Core, Event, Limits};
use super::sampler::{Round, Sampler};
use super::supervisor::{Order, StartOrder, Supervisor};
use super::writer::Writer;
use crate::model::{Entry, Moment, Record, RunHeader, Verdict};
use crate::os::{self, HoldRecordError, RecordHold};
use crate::sensors::Instruments;
use crate::store::{Store, WriteStoreError};
use crate::verdict;

const TICK: Duration = Duration::from_millis(100);
/// How long another command may take to close a run that was cut short.
const HOLD_WITHIN: Duration = Duration::from_secs(30);
/// More difference between the clocks that run and stop in sleep means that the machine slept.
const SLEPT: Duration = Duration::from_secs(1);

/// A run could not be started.
#[derive(Debug, thiserror::Error)]
pub enum StartRunError {
    /// The record cannot be begun.
    #[error("the run cannot be recorded, so it is not started")]
    Record(#[source] WriteStoreError),
    /// Another process is at work on the same record.
    #[error("the run cannot be recorded, so it is not started")]
    Hold(#[source] HoldRecordError),
    /// The system refuses signal handlers.
    #[error("cannot listen for signals")]
    Signals(#[source] std::io::Error),
}

/// Everything that a run needs.
#[derive(Debug)]
pub struct RunSetup {
    /// Plan, machine, channels and gaps.
    pub header: RunHeader,
    /// To read from.
    pub instruments: Instruments,
    /// To write to.
    pub store: Store,
}

/// What a run came to.
#[derive(Debug)]
pub struct RunOutcome {
    /// Number in the store.
    pub number: i64,
    /// All of it.
    pub record: Record,
    /// The verdict.
    pub verdict: Verdict,
    /// False when part of the record could not be written.
    pub stored: bool,
}

/// Whoever follows a run: terminal, service.
pub trait Observer {
    /// The run has this number.
    fn begun(&mut self, number: i64, header: &RunHeader);
    /// This was written down.
    fn entry(&mut self, entry: &Entry, record: &Record);
}

/// Runs a suite to its end and judges it.
///
/// # Errors
/// Only when nothing was started; once load runs, everything that happens is part of the record.
pub async fn run_suite(
    setup: RunSetup,
    observer: &mut dyn Observer,
) -> Result<RunOutcome, StartRunError> {
    let RunSetup {
        header,
        instruments,
        mut store,
    } = setup;
    // Held until the verdict is written, so that nobody takes this run for one that was cut short.
    let folder = store
        .path()
        .parent()
        .unwrap_or(Path::new("."))
        .to_path_buf();
    let _hold = hold(&folder).await.map_err(StartRunError::Hold)?;
    let number = store.begin_run(&header).map_err(StartRunError::Record)?;
    let mut stops = Stops::listen().map_err(StartRunError::Signals)?;
    observer.begun(number, &header);

    let (events, mut inbox) = unbounded_channel();
    let (rounds, mut samples) = unbounded_channel();
    let limits = Limits::default();
    let plan = header.plan.clone();
    let mut desk = Desk {
        core: Core::new(
            plan.clone(),
            header.machine.clone(),
            header.channels.clone(),
            limits,
        ),
        supervisor: Supervisor::start(events.clone()),
        sampler: Sampler::start(instruments, plan.sample_period, rounds),
        writer: Writer::start(store, number, events),
        record: Record::new(header),
        observer,
    };
    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let asleep_before = os::boot_minus_monotonic();
    let mut slept_told = false;

    desk.take(os::moment(), Event::Begin);
    while !desk.core.is_over() {
        tokio::select! {
            biased;
            event = stops.next() => desk.take(os::moment(), event),
            Some(round) = samples.recv() => desk.sampled(round),
            Some((at, event)) = inbox.recv() => desk.take(at, event),
            _ = ticks.tick() => {
                let asleep = os::boot_minus_monotonic().saturating_sub(asleep_before);
                if asleep > SLEPT && !slept_told {
                    slept_told = true;
                    let slept_ms = u64::try_from(asleep.as_millis()).unwrap_or(u64::MAX);
                    desk.take(os::moment(), Event::Slept(slept_ms));
                }
                desk.take(os::moment(), Event::Tick);
            }
        }
    }
    Ok(desk.close(number, &mut inbox))
}

/// Waits a little: a command that closes a run of before holds the record for moments only.
async fn hold(folder: &Path) -> Result<RecordHold, HoldRecordError> {
    let until = os::monotonic().plus(HOLD_WITHIN);
    loop {
        match RecordHold::take(folder) {
            Err(HoldRecordError::Held(_)) if os::monotonic() < until => {
                tokio::time::sleep(TICK).await;
            }
            outcome => return outcome,
        }
    }
}

struct Stops {
    streams: [tokio::signal::unix::Signal; 3],
    asked: bool,
}

impl Stops {
    fn listen() -> std::io::Result<Self> {
        let [interrupt, terminate, hangup] = [
            SignalKind::interrupt(),
            SignalKind::terminate(),
            SignalKind::hangup(),
        ]
        .map(signal);
        Ok(Self {
            streams: [interrupt?, terminate?, hangup?],
            asked: false,
        })
    }

    /// The first wish to end is orderly, the second is at once.
    async fn next(&mut self) -> Event {
        let [interrupt, terminate, hangup] = &mut self.streams;
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
            _ = hangup.recv() => {}
        }
        if std::mem::replace(&mut self.asked, true) {
            Event::KillAsked
        } else {
            Event::StopAsked
        }
    }
}

struct Desk<'a> {
    core: Core,
    supervisor: Supervisor,
    sampler: Sampler,
    writer: Writer,
    record: Record,
    observer: &'a mut dyn Observer,
}

impl Desk<'_> {
    fn sampled(&mut self, round: Round) {
        let workers = self.supervisor.progress();
        let Round {
            at,
            readings,
            lost,
            hardware,
        } = round;
        self.take(
            at,
            Event::Sampled {
                readings,
                lost,
                workers,
            },
        );
        for kind in hardware {
            self.take(at, Event::Hardware(kind));
        }
    }

    fn take(&mut self, at: Moment, event: Event) {
        let actions = self.core.handle(at, event);
        let mut entries = Vec::new();
        for action in actions {
            match action {
                Action::Start {
                    worker,
                    cpu,
                    load,
                    what,
                    epoch,
                } => {
                    let order = StartOrder {
                        worker,
                        cpu,
                        load,
                        what,
                        epoch,
                    };
                    self.supervisor.order(Order::Start(Box::new(order)));
                }
                Action::Stop(worker) => self.supervisor.order(Order::Stop(worker)),
                Action::KillAll => self.supervisor.order(Order::KillAll),
                Action::Examine(worker) => self.supervisor.order(Order::Examine(worker)),
                Action::SampleSoon => self.sampler.ask(),
                Action::Record(entry) => entries.push(entry),
                Action::Finish => {}
            }
        }
        if entries.is_empty() {
            return;
        }
        self.writer.write(at.mono, entries.clone());
        for entry in entries {
            self.record.apply(entry.clone());
            self.observer.entry(&entry, &self.record);
        }
    }

    fn close(mut self, number: i64, inbox: &mut UnboundedReceiver<(Moment, Event)>) -> RunOutcome {
        drop(self.supervisor);
        inbox.close();
        let verdict = verdict::judge(&self.record);
        let entry = Entry::Verdict(Box::new(verdict.clone()));
        self.writer.write(os::monotonic(), vec![entry.clone()]);
        self.record.apply(entry.clone());
        self.observer.entry(&entry, &self.record);
        let stored = self.writer.finish();
        RunOutcome {
            number,
            record: self.record,
            verdict,
            stored,
        }
    }
}
