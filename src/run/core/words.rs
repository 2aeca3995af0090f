//! The words between the core and the world: events in, actions out.

use crate::model::{
    ChannelId, CpuId, Entry, FindingKind, Gap, Loss, MemoryFault, Mismatch, Mono, PlannedLoad,
    PlannedProgram, Reading, WorkerProgress,
};

/// Number of a worker, unique within the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct WorkerId(pub u32);

/// Number of a program of the person's, unique within the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ProgramId(pub u32);

/// How a run of a program ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProgramEnd {
    /// With this status.
    Status(i32),
    /// By this signal.
    Signal(i32),
    /// It was over its time and was killed.
    Late,
}

/// What became of a program that was started.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ProgramWord {
    /// It could not be started: the person or the world is wrong, not the machine.
    NotStarted(String),
    /// It was ended because [`Action::StopProgram`] or [`Action::KillAll`] asked for it.
    Stopped,
    /// It ended.
    Ended {
        /// How.
        end: ProgramEnd,
        /// SHA-256 of its output in hexadecimal, or why there is none; none where none is named.
        output: Option<Result<String, String>>,
        /// The end of what it wrote.
        words: String,
    },
}

/// What a worker reported about its work.
#[derive(Debug, Clone, PartialEq)]
pub enum Report {
    /// It is set up and waits for its epoch (or works already).
    Ready,
    /// It could not be set up (memory, affinity, limits): not evidence against the machine.
    Unable(String),
    /// Something of its environment is not as asked, but it goes on.
    Environment(Gap),
    /// A wrong answer of a kernel.
    WrongAnswer {
        /// Name of the kernel.
        kernel: String,
        /// What differed.
        mismatch: Mismatch,
    },
    /// A wrong word of memory.
    WrongMemory {
        /// Name of the walk.
        kernel: String,
        /// What differed.
        fault: MemoryFault,
    },
}

/// How a worker ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Exit {
    /// By itself, after it was told to.
    Clean,
    /// With an exit status that it gives for no other reason than a defect of ours or of the
    /// machine (a panic, say).
    Status(i32),
    /// Killed by a signal that some process sent (or out of memory): an interruption.
    Killed {
        /// Signal number.
        signal: i32,
        /// Who or why, as far as known.
        reason: String,
    },
    /// Died of a processor exception that nobody sent.
    Trap {
        /// Signal number.
        signal: i32,
        /// `si_code`; none when its own handler could not run.
        code: Option<i32>,
        /// Fault address.
        address: Option<u64>,
        /// Instruction pointer.
        instruction: Option<u64>,
    },
}

/// Why a worker makes no progress, found out by looking at it from outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Silence {
    /// The kernel says that it is stopped (SIGSTOP, debugger).
    StoppedFromOutside,
    /// It waits for the kernel or got no CPU time.
    Starved,
    /// It got CPU time and made no progress.
    Running,
    /// It could run, and its processor takes no interrupts any more.
    ProcessorStill,
}

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// The run begins.
    Begin,
    /// Time passed (several times a sample period; on time unless `late`).
    Tick,
    /// All sensors were read. Workers are read in the same instant.
    Sampled {
        /// Valid readings.
        readings: Vec<Reading>,
        /// Channels without.
        lost: Vec<(ChannelId, Loss)>,
        /// Progress of the workers that run.
        workers: Vec<(WorkerId, WorkerProgress)>,
    },
    /// Programs wait for memory: percent of the last ten seconds in which at least one did, and in
    /// which all did.
    MemoryPressure {
        /// At least one.
        some_percent: f64,
        /// All.
        full_percent: f64,
    },
    /// The hardware reported something (error counters, kernel log, throttling).
    Hardware(FindingKind),
    /// A worker said something.
    Worker(WorkerId, Report),
    /// A worker could not be started at all.
    NotStarted(WorkerId, String),
    /// A worker was looked at because [`Action::Examine`] asked for it.
    Examined(WorkerId, Silence),
    /// A worker has ended and was reaped; its final counts.
    Exited(WorkerId, Exit, Option<WorkerProgress>),
    /// A program of the person's has ended, or could not be started.
    Program(ProgramId, ProgramWord),
    /// Somebody asks for an end.
    StopAsked,
    /// The machine itself is being shut down in an orderly way.
    ShutdownBegun,
    /// The store confirmed everything up to this moment.
    Stored(Mono),
    /// The store cannot write any more (full disk, say).
    StoreFailed(String),
    /// The machine slept for this many milliseconds.
    Slept(u64),
    /// The time zone was changed, from and to.
    ZoneChanged(String, String),
    /// Time base and real-time clock run apart, in parts per million.
    ClocksApart(i64),
    /// Something around the run is not as it should be.
    Environment(Gap),
    /// The person wants out at once.
    KillAsked,
    /// Whoever keeps the run must end, for this reason.
    Interrupted(String),
}

/// What is to be done, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Start a worker of `load` (index within the segment) on `cpu`; all workers of the segment
    /// begin to compute at `epoch`.
    Start {
        /// Its number.
        worker: WorkerId,
        /// Where.
        cpu: CpuId,
        /// Index of the load within the segment.
        load: u16,
        /// The load.
        what: PlannedLoad,
        /// Common beginning of the segment's load.
        epoch: Mono,
        /// Where held memory is read back: a CPU of another core, if the load has one.
        reread_on: Option<CpuId>,
    },
    /// Have a worker give back all but this much of the memory that it walks.
    GiveBack {
        /// Its number.
        worker: WorkerId,
        /// What it may keep, in bytes.
        keep_bytes: u64,
    },
    /// Ask a worker to end (signal, grace, kill, reap: the supervisor's business).
    Stop(WorkerId),
    /// Start a program of the person's; answered by [`Event::Program`].
    StartProgram(ProgramId, PlannedProgram),
    /// End a program at once; answered by [`Event::Program`].
    StopProgram(ProgramId),
    /// End all workers and programs this instant, without grace. Comes before anything else in its batch.
    KillAll,
    /// Find out why a worker is silent; answered by [`Event::Examined`].
    Examine(WorkerId),
    /// Read all sensors now, out of turn; answered by [`Event::Sampled`].
    SampleSoon,
    /// Write this down. Entries of one batch are committed together.
    Record(Entry),
    /// All workers are gone, everything is recorded: judge, record the verdict, end.
    Finish,
}

/// Named limits of the orchestrator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Sample periods without a sample until the guard stops the load.
    pub late_periods: u32,
    /// Seconds of unconfirmed record until a gap is noted.
    pub store_gap_s: u64,
    /// Seconds of unconfirmed record until the run is stopped.
    pub store_stop_s: u64,
    /// Most findings kept one by one; further ones only raise counts.
    pub findings: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            late_periods: 3,
            store_gap_s: 5,
            store_stop_s: 30,
            findings: 1000,
        }
    }
}
