//! Runs the person's programs: each run on a thread of its own that ends with it, because waiting for a
//! process blocks. Dropping the runner leaves no program behind.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use tokio::sync::mpsc::UnboundedSender;

use super::core::{Event, ProgramEnd, ProgramId, ProgramWord};
use crate::model::{Moment, PlannedProgram};
use crate::os::{self, Ended, OwnProgram, OwnProgramEnd, StartOwnProgramError, run_own_program};

/// A run that goes on.
#[derive(Debug)]
struct Running {
    wanted: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

/// The programs that run now.
#[derive(Debug)]
pub(super) struct ProgramRunner {
    events: UnboundedSender<(Moment, Event)>,
    running: BTreeMap<ProgramId, Running>,
}

impl ProgramRunner {
    pub(super) fn new(events: UnboundedSender<(Moment, Event)>) -> Self {
        Self {
            events,
            running: BTreeMap::new(),
        }
    }

    /// Starts a run of a program; what becomes of it is told as an event.
    pub(super) fn start(&mut self, program: ProgramId, what: &PlannedProgram) {
        self.running
            .retain(|_, running| !running.thread.is_finished());
        let order = OwnProgram {
            command: what.command.clone(),
            user: what.user.clone(),
            folder: what.folder.clone(),
            output: what.output.clone(),
            limit: what.limit,
        };
        let wanted = Arc::new(AtomicBool::new(true));
        let (events, flag) = (self.events.clone(), Arc::clone(&wanted));
        let thread = std::thread::Builder::new().spawn(move || {
            let went = run_own_program(&order, &|| flag.load(Ordering::Relaxed));
            tell(&events, program, word(went));
        });
        match thread {
            Ok(thread) => drop(self.running.insert(program, Running { wanted, thread })),
            Err(error) => {
                let word = ProgramWord::NotStarted(format!("no thread to watch it: {error}"));
                tell(&self.events, program, word);
            }
        }
    }

    /// Ends the run of a program.
    pub(super) fn stop(&self, program: ProgramId) {
        if let Some(running) = self.running.get(&program) {
            running.wanted.store(false, Ordering::Relaxed);
        }
    }

    /// Ends all of them.
    pub(super) fn stop_all(&self) {
        for running in self.running.values() {
            running.wanted.store(false, Ordering::Relaxed);
        }
    }
}

impl Drop for ProgramRunner {
    fn drop(&mut self) {
        self.stop_all();
        for (_, running) in std::mem::take(&mut self.running) {
            if running.thread.join().is_err() {
                tracing::error!("the thread of a program panicked");
            }
        }
    }
}

fn tell(events: &UnboundedSender<(Moment, Event)>, program: ProgramId, word: ProgramWord) {
    let event = Event::Program(program, word);
    if events.send((os::moment(), event)).is_err() {
        tracing::debug!("nobody listens any more");
    }
}

fn word(went: Result<Option<OwnProgramEnd>, StartOwnProgramError>) -> ProgramWord {
    let end = match went {
        Ok(Some(end)) => end,
        Ok(None) => return ProgramWord::Stopped,
        Err(error) => return ProgramWord::NotStarted(os::with_cause(&error)),
    };
    let hex = |digest: [u8; 32]| digest.map(|byte| format!("{byte:02x}")).concat();
    ProgramWord::Ended {
        end: match end.ended {
            Some(Ended::Status(status)) => ProgramEnd::Status(status),
            Some(Ended::Signal(signal)) => ProgramEnd::Signal(signal),
            None => ProgramEnd::Late,
        },
        output: end.output.map(|output| output.map(hex)),
        words: end.words,
    }
}
