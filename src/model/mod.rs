//! Plain data that every room shares: what is to be run, what was seen, what was concluded.
//!
//! The types of a record ([`RunHeader`], [`Entry`] and what they hold) derive serde themselves: their
//! JSON form *is* the stored and exported form, versioned by [`FORMAT`], so a second set of
//! types would only repeat them. Nothing here does I/O, reads a clock or decides anything.

mod aftermath;
mod change;
mod cooling;
mod diagnosis;
mod finding;
mod fingerprint;
mod job;
mod load;
mod machine;
mod notice;
mod plan;
mod program;
mod record;
mod sample;
mod setting;
mod time;
mod verdict;

pub use aftermath::{Aftermath, Note, NotedCause, StopMark, Trace, Witness};
pub use change::{Change, KnownGood, LastGood, LedgerEntry, LedgerRow, Move, Standing};
pub use cooling::{Cooling, HottestDay, PackagePower};
pub use diagnosis::{Diagnosis, Evidence, Pattern};
pub use finding::{
    CrashManner, Finding, FindingKind, Gap, GapKind, MemoryFault, MemoryFaultClass, Mismatch,
    Severity,
};
pub use fingerprint::{Fingerprint, MemoryModule};
pub use job::{
    Conditions, Hold, HoldKind, Job, JobId, JobState, Origin, Queue, QueueChange, QueueMark,
    RecheckPolicy, RunWish, ScheduleEntry, TimeOfDay, Window, hold_name,
};
pub use load::{CpuId, InstructionSet, LoadClass, MemoryLevel, Unit};
pub use machine::{Cache, Cpu, EFFICIENCY, Machine, PERFORMANCE};
pub use notice::{Notice, NoticeEvent, NoticeRun, Urgency};
pub use plan::{
    Asserts, Claim, HeatLimits, MemoryShare, OnFinding, Plan, PlannedLoad, Rhythm, Segment, Stage,
    StageGate,
};
pub use program::{PlannedProgram, ProgramFault, ProgramRun};
pub use record::{Declared, End, Entry, FORMAT, Record, RunHeader, StageMark, Stamped};
pub use sample::{Channel, ChannelId, Loss, Quantity, Reading, Role, Sample, WorkerProgress};
pub use setting::{Amount, Harder, Setting, SettingKind, SettingValue};
pub use time::{Moment, Mono, Wall};
pub use verdict::{
    Cause, ClassStatement, ClockSummary, Exposure, Grade, HeatSummary, Plateau, Rule, RuleEffect,
    TotalStatement, Verdict, VoltageSummary,
};
