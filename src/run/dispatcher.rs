//! One loop selects over every source (workers, sensors, store, signals, time), turns each into an
//! event of the core, and carries out what the core answers, in its order: the guard's stop goes out
//! before anything is written, everything else is handed to the store before anyone hears of it.

use std::io;
use std::path::Path;
use std::time::Duration;

use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};

use super::companions::{Companions, Escort};
use super::core::{Action, Core, Event, Limits};
use super::prepare::PreparedRun;
use super::programs::ProgramRunner;
use super::pulse::Pulse;
use super::sampler::{Round, Sampler};
use super::stops::Stops;
use super::supervisor::{Order, StartOrder, Supervisor};
use super::writer::{Writer, Written};
use crate::model::{Entry, Gap, GapKind, Moment, Record, RunHeader, Verdict};
use crate::os::{self, HoldRecordError, RecordHold, Root};
use crate::sensors::MemoryPressure;
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
    /// What watches over a run needs threads.
    #[error("cannot start what watches over the run; is the limit of processes reached?")]
    Threads(#[source] io::Error),
}

/// Everything that a run needs.
#[derive(Debug)]
pub struct RunSetup {
    /// What to run, and what to read from.
    pub prepared: PreparedRun,
    /// To write to.
    pub store: Store,
    /// Who may end it.
    pub stops: Stops,
    /// Where it shows that it lives.
    pub pulse: Pulse,
    /// What goes along with it.
    pub companions: Companions,
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
    /// This was handed to the store. `record` holds all that is known but the samples.
    fn entry(&mut self, entry: &Entry, record: &Record);
    /// Everything up to here is on disk.
    fn stored(&mut self) {}
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
        prepared: PreparedRun {
            header,
            instruments,
        },
        mut store,
        mut stops,
        pulse,
        companions,
    } = setup;
    // Held until the verdict is written, so that nobody takes this run for one that was cut short.
    let _hold = hold(&store).await.map_err(StartRunError::Hold)?;
    let (events, mut inbox) = unbounded_channel();
    let (rounds, mut samples) = unbounded_channel();
    let supervisor = Supervisor::start(events.clone()).map_err(StartRunError::Threads)?;
    let sampler = Sampler::start(instruments, header.plan.sample_period, rounds);
    let sampler = sampler.map_err(StartRunError::Threads)?;
    let number = store.begin_run(&header).map_err(StartRunError::Record)?;
    pulse.begin(os::monotonic(), header.plan.sample_period);
    observer.begun(number, &header);
    observer.stored();

    let root = companions.clocks.clone();
    let escort = Escort::start(companions, &pulse, &events);
    let words = events.clone();
    let programs = ProgramRunner::new(events.clone());
    // Without it there is a run without an end on record, which the next command closes.
    let writer = Writer::start(store, number, events).map_err(StartRunError::Threads)?;
    let mut desk = Desk {
        core: Core::new(
            header.plan.clone(),
            header.machine.clone(),
            header.channels.clone(),
            Limits::default(),
        ),
        supervisor,
        programs,
        sampler,
        writer,
        record: Record::new(header),
        observer,
    };
    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut sleep = Sleep::now();

    desk.take(os::moment(), Event::Begin);
    while !desk.core.is_over() {
        tokio::select! {
            biased;
            event = stops.next() => {
                ask_about_shutdown(root.clone(), words.clone());
                desk.take(os::moment(), event);
            }
            Some(round) = samples.recv() => {
                desk.sampled(round);
                pulse.sampled(os::monotonic());
            }
            Some((at, event)) = inbox.recv() => desk.take(at, event),
            _ = ticks.tick() => {
                pulse.turned(os::monotonic());
                if let Some(slept) = sleep.noticed() {
                    desk.take(os::moment(), slept);
                }
                desk.take(os::moment(), Event::Tick);
            }
        }
    }
    pulse.closing(os::monotonic());
    let outcome = desk.close(number, &mut inbox);
    // Last: until the verdict is written there are threads to wait for, and one of them may stand on a processor
    // that hangs.
    drop(escort);
    Ok(outcome)
}

/// The sleep of the machine, told once.
struct Sleep {
    before: Duration,
    told: bool,
}

impl Sleep {
    fn now() -> Self {
        Self {
            before: os::boot_minus_monotonic(),
            told: false,
        }
    }

    fn noticed(&mut self) -> Option<Event> {
        let slept = os::boot_minus_monotonic().saturating_sub(self.before);
        if slept <= SLEPT || std::mem::replace(&mut self.told, true) {
            return None;
        }
        let slept_ms = u64::try_from(slept.as_millis()).unwrap_or(u64::MAX);
        Some(Event::Slept(slept_ms))
    }
}

/// Finds out whether it is the system that ends, on a thread of its own: the answer may take seconds.
fn ask_about_shutdown(root: Option<Root>, events: UnboundedSender<(Moment, Event)>) {
    let root = root.unwrap_or_else(Root::real);
    os::start_aside("ask whether the system ends", move || {
        if os::is_shutting_down(&root) && events.send((os::moment(), Event::ShutdownBegun)).is_err()
        {
            tracing::debug!("the run was faster");
        }
    });
}

/// Waits a little: a command that closes a run of before holds the record for moments only.
async fn hold(store: &Store) -> Result<RecordHold, HoldRecordError> {
    let folder = store.path().parent().unwrap_or(Path::new("."));
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

struct Desk<'a> {
    core: Core,
    supervisor: Supervisor,
    programs: ProgramRunner,
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
            pressure,
        } = round;
        self.take(
            at,
            Event::Sampled {
                readings,
                lost,
                workers,
            },
        );
        if let Some(MemoryPressure {
            some_percent,
            full_percent,
            ..
        }) = pressure
        {
            let event = Event::MemoryPressure {
                some_percent,
                full_percent,
            };
            self.take(at, event);
        }
        for kind in hardware {
            self.take(at, Event::Hardware(kind));
        }
    }

    fn take(&mut self, at: Moment, event: Event) {
        let confirmed = matches!(event, Event::Stored(_));
        let actions = self.core.handle(at, event);
        if confirmed {
            self.observer.stored();
        }
        let mut entries = Vec::new();
        for action in actions {
            match action {
                Action::Start {
                    worker,
                    cpu,
                    load,
                    what,
                    epoch,
                    reread_on,
                } => {
                    let order = StartOrder {
                        worker,
                        cpu,
                        load,
                        what,
                        epoch,
                        reread_on,
                    };
                    self.supervisor.order(Order::Start(Box::new(order)));
                }
                Action::GiveBack { worker, keep_bytes } => {
                    self.supervisor.order(Order::GiveBack(worker, keep_bytes));
                }
                Action::Stop(worker) => self.supervisor.order(Order::Stop(worker)),
                Action::StartProgram(program, what) => self.programs.start(program, &what),
                Action::StopProgram(program) => self.programs.stop(program),
                Action::KillAll => {
                    self.supervisor.order(Order::KillAll);
                    self.programs.stop_all();
                }
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
            // Samples are the bulk of a night; they are read back from the store for the verdict.
            if !matches!(entry, Entry::Sample(_)) {
                self.record.apply(entry.clone());
            }
            self.observer.entry(&entry, &self.record);
        }
    }

    /// Judges what is on disk, so that a live run and one read back are graded on the same evidence.
    fn close(self, number: i64, inbox: &mut UnboundedReceiver<(Moment, Event)>) -> RunOutcome {
        drop(self.supervisor);
        drop(self.programs);
        inbox.close();
        let mut written = self.writer.finish();
        let mut record = read_back(written.as_ref(), number).unwrap_or_else(|reason| {
            let mut record = self.record;
            record.gaps.push(Gap {
                kind: GapKind::RecordDamaged,
                about: format!("the record cannot be read back: {reason}"),
                remedy: "check the disk that it lies on".to_owned(),
            });
            record
        });
        let verdict = verdict::judge(&record);
        let entry = Entry::Verdict(Box::new(verdict.clone()));
        let stored = written.as_mut().is_some_and(|written| {
            written.unwritten.push(entry.clone());
            written.store.append(number, &written.unwritten).is_ok()
        });
        record.apply(entry.clone());
        self.observer.entry(&entry, &record);
        self.observer.stored();
        RunOutcome {
            number,
            record,
            verdict,
            stored,
        }
    }
}

/// The whole record, with what could not be written.
fn read_back(written: Option<&Written>, number: i64) -> Result<Record, String> {
    let written = written.ok_or("the writer panicked")?;
    let record = written.store.record(number);
    let mut record = record.map_err(|error| os::with_cause(&error))?;
    for entry in &written.unwritten {
        record.apply(entry.clone());
    }
    Ok(record)
}
