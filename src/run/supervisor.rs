//! Starts, watches, stops and reaps workers. One thread does it all and lives as long as the run,
//! because the parent-death signal of a worker follows the thread that started it.
//!
//! Ending a worker is a small machine of its own: wish (slot word and signal), grace, kill, reap. The
//! guard's order skips the first two. Whatever happens, dropping the supervisor leaves no worker.

use std::collections::BTreeMap;
use std::io;
use std::os::fd::BorrowedFd;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::mpsc::UnboundedSender;

use super::core::{Event, Exit, Report, Silence, WorkerId};
use crate::kernels;
use crate::model::{CpuId, FindingKind, Moment, Mono, PlannedLoad, Severity, WorkerProgress};
use crate::os::{self, Ended, Root, SharedWords, TrapNote, WorkerChild};
use crate::worker::{Assignment, GroupLayout, Message, SLOT_WORDS, SlotReader, SlotReport};

/// Between two looks at the slots.
const LOOK_EVERY: Duration = Duration::from_millis(25);
/// From the wish to end until the kill.
const GRACE: Duration = Duration::from_secs(2);
/// How long a silent worker is watched before it is told whether it gets CPU time.
const EXAMINATION: Duration = Duration::from_millis(500);
/// CPU ticks gained in an examination that make a worker a running one.
const RUNNING_TICKS: u64 = 2;
/// A processor whose account has not grown for this long stands still.
const STILL_FOR: Duration = Duration::from_secs(5);
/// `si_code` values of SIGBUS for memory that hardware found broken (`BUS_MCEERR_AR`, `BUS_MCEERR_AO`;
/// Linux include/uapi/asm-generic/siginfo.h).
const BROKEN_MEMORY_CODES: [i32; 2] = [4, 5];

/// What the dispatcher wants done.
#[derive(Debug)]
pub(super) enum Order {
    /// Start a worker.
    Start(Box<StartOrder>),
    /// Have a worker give back all but so many bytes of the memory that it walks.
    GiveBack(WorkerId, u64),
    /// Ask a worker to end.
    Stop(WorkerId),
    /// End all workers at once.
    KillAll,
    /// Find out why a worker is silent.
    Examine(WorkerId),
    /// Tell the progress of all workers.
    Progress(Sender<Vec<(WorkerId, WorkerProgress)>>),
}

/// A worker to start.
#[derive(Debug)]
pub(super) struct StartOrder {
    pub(super) worker: WorkerId,
    pub(super) cpu: CpuId,
    pub(super) load: u16,
    pub(super) what: PlannedLoad,
    pub(super) epoch: Mono,
    pub(super) reread_on: Option<CpuId>,
}

/// The dispatcher's handle.
#[derive(Debug)]
pub(super) struct Supervisor {
    orders: Option<Sender<Order>>,
    thread: Option<JoinHandle<()>>,
}

impl Supervisor {
    /// Starts the supervising thread; what it sees goes to `events`.
    ///
    /// # Errors
    /// The system gives no more threads.
    pub(super) fn start(events: UnboundedSender<(Moment, Event)>) -> io::Result<Self> {
        let (orders, inbox) = channel();
        let thread = std::thread::Builder::new().spawn(move || {
            Ward {
                events,
                workers: BTreeMap::new(),
                areas: BTreeMap::new(),
            }
            .watch(&inbox);
        })?;
        Ok(Self {
            orders: Some(orders),
            thread: Some(thread),
        })
    }

    /// Passes an order on.
    pub(super) fn order(&self, order: Order) {
        let sent = self.orders.as_ref().map(|orders| orders.send(order));
        if !matches!(sent, Some(Ok(()))) {
            tracing::error!("the supervising thread is gone");
        }
    }

    /// Progress of all workers at this instant.
    pub(super) fn progress(&self) -> Vec<(WorkerId, WorkerProgress)> {
        let (reply, answer) = channel();
        self.order(Order::Progress(reply));
        answer.recv().unwrap_or_default()
    }
}

impl Drop for Supervisor {
    fn drop(&mut self) {
        self.orders = None;
        if let Some(Err(_)) = self.thread.take().map(JoinHandle::join) {
            tracing::error!("the supervising thread panicked");
        }
    }
}

#[derive(Debug)]
struct Worker {
    child: WorkerChild,
    slot: SharedWords,
    reader: SlotReader,
    cpu: CpuId,
    load: u16,
    kernels: Vec<String>,
    started: Mono,
    kill_at: Option<Mono>,
    examination: Option<(Mono, u64, Option<Mono>)>,
    /// The account of its processor, and since when it has not grown.
    account: Option<(Mono, u64)>,
    // The area shared with the other workers of the load lives as long as one of them.
    _area: Option<Arc<SharedWords>>,
}

#[derive(Debug)]
struct Ward {
    events: UnboundedSender<(Moment, Event)>,
    workers: BTreeMap<WorkerId, Worker>,
    areas: BTreeMap<(Mono, u16), Arc<SharedWords>>,
}

impl Ward {
    fn watch(mut self, orders: &Receiver<Order>) {
        loop {
            match orders.recv_timeout(LOOK_EVERY) {
                Ok(order) => self.obey(order),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            self.look();
        }
    }

    fn tell(&self, event: Event) {
        if self.events.send((os::moment(), event)).is_err() {
            tracing::debug!("nobody listens any more");
        }
    }

    fn obey(&mut self, order: Order) {
        match order {
            Order::Start(order) => {
                let number = order.worker;
                match self.start(*order) {
                    Ok(worker) => drop(self.workers.insert(number, worker)),
                    Err(reason) => self.tell(Event::NotStarted(number, reason)),
                }
            }
            Order::GiveBack(number, bytes) => {
                if let Some(worker) = self.workers.get(&number) {
                    SlotReader::ask_to_keep(worker.slot.words(), bytes);
                }
            }
            Order::Stop(number) => {
                if let Some(worker) = self.workers.get_mut(&number) {
                    SlotReader::ask_stop(worker.slot.words());
                    worker.child.ask_to_end();
                    worker.kill_at.get_or_insert(os::monotonic().plus(GRACE));
                }
            }
            Order::KillAll => self.workers.values().for_each(|worker| worker.child.kill()),
            Order::Examine(number) => {
                if let Some(worker) = self.workers.get_mut(&number) {
                    let ticks = worker.child.state().map_or(0, |(_, ticks)| ticks);
                    let until = os::monotonic().plus(EXAMINATION);
                    let beat = SlotReader::last_beat(worker.slot.words());
                    worker.examination = Some((until, ticks, beat));
                }
            }
            Order::Progress(reply) => {
                let now = os::monotonic();
                let all = self
                    .workers
                    .iter()
                    .map(|(number, worker)| (*number, worker.progress(now)));
                if reply.send(all.collect()).is_err() {
                    tracing::debug!("nobody waits for progress");
                }
            }
        }
    }

    fn start(&mut self, order: StartOrder) -> Result<Worker, String> {
        let StartOrder {
            cpu,
            load,
            what,
            epoch,
            reread_on,
            ..
        } = order;
        let specs: Vec<_> = what
            .kernels
            .iter()
            .filter_map(|name| kernels::find(name))
            .collect();
        let layout = GroupLayout::of(&specs);
        let area = if layout.words == 0 {
            None
        } else if let Some(area) = self.areas.get(&(epoch, load)) {
            Some(Arc::clone(area))
        } else {
            let area = Arc::new(SharedWords::create(layout.words).map_err(|e| os::with_cause(&e))?);
            self.areas.retain(|(other, _), _| *other == epoch);
            self.areas.insert((epoch, load), Arc::clone(&area));
            Some(area)
        };
        let slot = SharedWords::create(SLOT_WORDS).map_err(|e| os::with_cause(&e))?;
        let place = what
            .cpus
            .iter()
            .position(|other| *other == cpu)
            .unwrap_or(0);
        let assignment = Assignment {
            parent: std::process::id(),
            cpu,
            kernels: what.kernels.clone(),
            switch_ms: what.switch_ms,
            rhythm: what.rhythm,
            memory_bytes: what.memory_bytes_per_worker,
            flush: what.flush,
            reread_on,
            epoch,
            index: u32::try_from(place).unwrap_or(0),
            count: u32::try_from(what.cpus.len()).unwrap_or(1),
            slot: slot.descriptor(),
            area: area.as_ref().map(|area| area.descriptor()),
        };
        let line = serde_json::to_string(&assignment).map_err(|e| os::with_cause(&e))?;
        let mut inherited: Vec<BorrowedFd<'_>> = vec![slot.file()];
        inherited.extend(area.as_ref().map(|area| area.file()));
        let child = WorkerChild::spawn(&["worker".to_owned()], &inherited, &line)
            .map_err(|e| os::with_cause(&e))?;
        tracing::debug!(pid = child.pid(), %cpu, kernels = ?what.kernels, "worker started");
        Ok(Worker {
            child,
            slot,
            reader: SlotReader::new(),
            cpu,
            load,
            kernels: what.kernels,
            started: os::monotonic(),
            kill_at: None,
            examination: None,
            account: None,
            _area: area,
        })
    }

    fn look(&mut self) {
        let now = os::monotonic();
        let mut news = Vec::new();
        let mut ended = Vec::new();
        for (number, worker) in &mut self.workers {
            if worker.kill_at.is_some_and(|at| now >= at) {
                worker.child.kill();
            }
            // Reaped first, read afterwards: what a worker said last is not lost.
            let end = worker.child.reap();
            worker.collect(*number, &mut news);
            if let Some(silence) = worker.examined(now) {
                news.push(Event::Examined(*number, silence));
            }
            if let Some(end) = end {
                let exit = worker.exit(end, &mut news);
                news.push(Event::Exited(*number, exit, Some(worker.progress(now))));
                ended.push(*number);
            }
        }
        for number in ended {
            self.workers.remove(&number);
        }
        for event in news {
            self.tell(event);
        }
    }
}

impl Worker {
    fn progress(&self, now: Mono) -> WorkerProgress {
        let words = self.slot.words();
        let (kernel, errors, load_steps, pausing) = SlotReader::state(words);
        let counts: Vec<_> = (0..self.kernels.len())
            .map(|index| SlotReader::counts(words, index))
            .collect();
        let beat = SlotReader::last_beat(words).unwrap_or(self.started);
        let silent = now.since(beat).as_nanos();
        WorkerProgress {
            cpu: self.cpu,
            load: self.load,
            kernel,
            passes: counts.iter().map(|count| count.passes).collect(),
            checked_s: counts
                .iter()
                .map(|count| seconds(count.checked_ns))
                .collect(),
            clock_mhz: counts
                .iter()
                .map(|count| seconds(count.clock_khz) * 1e6)
                .collect(),
            part_walks: SlotReader::part_walks(words),
            errors,
            load_steps,
            silent_ns: u64::try_from(silent).unwrap_or(u64::MAX),
            pausing,
        }
    }

    fn collect(&mut self, number: WorkerId, news: &mut Vec<Event>) {
        for line in self.child.read_lines() {
            let report = match serde_json::from_str(&line) {
                Ok(Message::Ready) => Report::Ready,
                Ok(Message::Unable(reason)) => Report::Unable(reason),
                Ok(Message::Environment(gap)) => Report::Environment(gap),
                Err(error) => {
                    tracing::warn!(%error, cpu = %self.cpu, "worker speaks nonsense");
                    continue;
                }
            };
            news.push(Event::Worker(number, report));
        }
        let name = |kernel: usize| self.kernels.get(kernel).cloned().unwrap_or_default();
        for report in self.reader.new_reports(self.slot.words(), self.cpu) {
            let report = match report {
                SlotReport::Answer(kernel, mismatch) => Report::WrongAnswer {
                    kernel: name(kernel),
                    mismatch,
                },
                SlotReport::Memory(kernel, fault) => Report::WrongMemory {
                    kernel: name(kernel),
                    fault,
                },
            };
            news.push(Event::Worker(number, report));
        }
    }

    fn examined(&mut self, now: Mono) -> Option<Silence> {
        let (until, ticks_before, beat_before) = self.examination?;
        let (state, ticks) = self.child.state()?;
        if state == 'T' || state == 't' {
            self.examination = None;
            return Some(Silence::StoppedFromOutside);
        }
        if now < until {
            return None;
        }
        self.examination = None;
        let moved = SlotReader::last_beat(self.slot.words()) != beat_before;
        let running = !moved && state != 'D' && ticks >= ticks_before + RUNNING_TICKS;
        let able = !moved && state == 'R';
        Some(if running {
            Silence::Running
        } else if able && ticks == ticks_before && self.processor_is_still(now) {
            Silence::ProcessorStill
        } else {
            Silence::Starved
        })
    }

    fn processor_is_still(&mut self, now: Mono) -> bool {
        let ticks = os::processor_account(&Root::real(), self.cpu);
        match (self.account, ticks) {
            (Some((since, before)), Some(ticks)) if before == ticks => {
                now.since(since) >= STILL_FOR
            }
            (_, ticks) => {
                self.account = ticks.map(|ticks| (now, ticks));
                false
            }
        }
    }

    fn exit(&self, ended: Ended, news: &mut Vec<Event>) -> Exit {
        let signal = match ended {
            Ended::Status(0) => return Exit::Clean,
            Ended::Status(status) => return Exit::Status(status),
            Ended::Signal(signal) => signal,
        };
        if !os::is_processor_exception(signal) {
            let reason = format!(
                "worker on {} was ended from outside by signal {signal} (a person, another program, \
                 or the kernel short of memory)",
                self.cpu
            );
            return Exit::Killed { signal, reason };
        }
        let note = TrapNote::read(self.slot.words()).filter(|note| note.signal == signal);
        if let Some(note) = note
            && os::was_sent(note.code)
        {
            let reason = format!(
                "worker on {} was ended by signal {signal} that a process sent",
                self.cpu
            );
            return Exit::Killed { signal, reason };
        }
        if let Some(note) = note
            && BROKEN_MEMORY_CODES.contains(&note.code)
        {
            news.push(Event::Hardware(FindingKind::HardwareError {
                severity: Severity::Uncorrected,
                source: format!("memory under the worker on {}", self.cpu),
                text: format!("hardware found broken memory at {:#x}", note.address),
                count: 1,
            }));
        }
        Exit::Trap {
            signal,
            code: note.map(|note| note.code),
            address: note.map(|note| note.address),
            instruction: note.map(|note| note.instruction),
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts of nanoseconds stay far below 2^53 here"
)]
fn seconds(ns: u64) -> f64 {
    ns as f64 / 1e9
}
