//! A run of the service: a thread with an event loop of its own, so that no request and no reader can
//! delay its guard. News of it go to the engine.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::time::Duration;

use tokio::sync::mpsc::UnboundedSender;
use tokio::sync::watch;

use super::surroundings::find_late_errors;
use crate::model::{Entry, Gap, GapKind, Grade, JobId, Record, RunHeader, RunWish};
use crate::os::{self, HardwareWatchdog, LoadLock, Root, WATCHDOG_TIME};
use crate::run::{
    Companions, Observer, PrepareRunError, Pulse, RunSetup, StopWish, Stops, continue_run,
    prepare_run, run_suite, stand_on_ledger,
};
use crate::store::Store;

/// After its last run a service is idle again by then.
const IDLE_AGAIN: Duration = Duration::from_secs(5);

/// What the engine hears of a run.
#[derive(Debug)]
pub(super) enum RunNews {
    /// It has this number.
    Begun(i64),
    /// It is over.
    Ended(RunEnd),
}

/// How a run ended.
#[derive(Debug)]
pub(super) enum RunEnd {
    /// It was not started.
    Refused(Box<PrepareRunError>),
    /// It could not be started, or broke off: a defect, or the system's refusal.
    Broken(String),
    /// It has a verdict.
    Judged {
        /// The grade.
        grade: Grade,
        /// False when part of its record could not be written.
        stored: bool,
    },
}

/// What to run.
#[derive(Debug)]
pub(super) struct RunOrder {
    pub(super) job: JobId,
    pub(super) wish: RunWish,
    /// Number of the run that it goes on with, and for the how many-th time.
    pub(super) continues: Option<(i64, u32)>,
    pub(super) root: Root,
    pub(super) store: PathBuf,
    pub(super) lock: LoadLock,
    /// Arm the hardware watchdog.
    pub(super) watchdog: bool,
    /// Counts up whenever there is more to read.
    pub(super) rows: watch::Sender<u64>,
}

/// A run under way.
#[derive(Debug)]
pub(super) struct Running {
    pub(super) job: JobId,
    pub(super) run: Option<i64>,
    pub(super) stop: UnboundedSender<StopWish>,
    pub(super) pulse: Pulse,
}

/// Starts the run.
pub(super) fn start_run(order: RunOrder, news: UnboundedSender<RunNews>) -> Running {
    let (stop, stops) = Stops::words();
    let pulse = Pulse::default();
    let running = Running {
        job: order.job,
        run: None,
        stop,
        pulse: pulse.clone(),
    };
    let refused = news.clone();
    let started = std::thread::Builder::new().spawn(move || {
        let conducted = catch_unwind(AssertUnwindSafe(|| conduct(order, stops, pulse, &news)));
        let end = conducted.unwrap_or_else(|_| {
            RunEnd::Broken("the orchestrator panicked: a defect, or the machine's".to_owned())
        });
        tell(&news, RunNews::Ended(end));
        // Who reads the verdict needs some of it again.
        os::wait(IDLE_AGAIN);
        os::give_back_memory();
    });
    if let Err(error) = started {
        let why = format!("no thread for the run, is the limit of processes reached? {error}");
        tell(&refused, RunNews::Ended(RunEnd::Broken(why)));
    }
    running
}

fn conduct(order: RunOrder, stops: Stops, pulse: Pulse, news: &UnboundedSender<RunNews>) -> RunEnd {
    let _lock = order.lock;
    let mut prepared = match prepare_run(&order.root, &order.wish) {
        Ok(prepared) => prepared,
        Err(error) => return RunEnd::Refused(Box::new(error)),
    };
    let broken = |error: &dyn std::error::Error| RunEnd::Broken(os::with_cause(error));
    let store = match Store::open(&order.store) {
        Ok(store) => store,
        Err(error) => return broken(&error),
    };
    if let Err(error) = stand_on_ledger(&order.root, &store, &mut prepared.header) {
        return broken(&error);
    }
    if let Some(earlier) = order.continues {
        // An error of the hardware that showed since would be one of the earlier run.
        find_late_errors(&order.store, &order.root);
        if let Err(why) = go_on(&store, &mut prepared.header, earlier) {
            return RunEnd::Broken(why);
        }
    }
    let runtime = match os::event_loop() {
        Ok(runtime) => runtime,
        Err(error) => return broken(&error),
    };
    let watchdog = if order.watchdog {
        arm_watchdog(&order.root, &mut prepared.header.gaps)
    } else {
        None
    };
    let setup = RunSetup {
        prepared,
        store,
        stops,
        pulse,
        companions: Companions {
            watchdog,
            awake: !order.root.is_simulated(),
            clocks: Some(order.root),
        },
    };
    let mut teller = Teller {
        news,
        rows: order.rows,
    };
    match runtime.block_on(run_suite(setup, &mut teller)) {
        Ok(outcome) => RunEnd::Judged {
            grade: outcome.verdict.grade,
            stored: outcome.stored,
        },
        Err(error) => broken(&error),
    }
}

fn go_on(store: &Store, header: &mut RunHeader, (run, times): (i64, u32)) -> Result<(), String> {
    let why = |error: &dyn std::error::Error| {
        format!("run {run} is not gone on with: {}", os::with_cause(error))
    };
    let earlier = store.record(run).map_err(|error| why(&error))?;
    continue_run(header, (run, &earlier), times).map_err(|error| why(&error))
}

/// A watchdog that cannot be had is a gap: nobody is there to be asked, and the night is worth more.
fn arm_watchdog(root: &Root, gaps: &mut Vec<Gap>) -> Option<HardwareWatchdog> {
    match HardwareWatchdog::arm(root, WATCHDOG_TIME) {
        Ok(armed) => Some(armed),
        Err(error) => {
            gaps.push(Gap {
                kind: GapKind::Environment,
                about: format!(
                    "the hardware watchdog is asked for and not armed: {}",
                    os::with_cause(&error)
                ),
                remedy: "free it, or take it out of the configuration".to_owned(),
            });
            None
        }
    }
}

/// Passes on that there is something to read; what it is stands in the store.
struct Teller<'n> {
    news: &'n UnboundedSender<RunNews>,
    rows: watch::Sender<u64>,
}

impl Observer for Teller<'_> {
    fn begun(&mut self, number: i64, _header: &RunHeader) {
        tell(self.news, RunNews::Begun(number));
    }

    fn entry(&mut self, _entry: &Entry, _record: &Record) {}

    fn stored(&mut self) {
        self.rows
            .send_modify(|count| *count = count.wrapping_add(1));
    }
}

fn tell(news: &UnboundedSender<RunNews>, what: RunNews) {
    if news.send(what).is_err() {
        tracing::debug!("the engine is gone");
    }
}
