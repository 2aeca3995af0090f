//! What goes on around the service, read for the agenda.

use std::path::Path;
use std::time::Duration;

use super::agenda::{Checked, CutRun, PendingChange, Surroundings};
use crate::kernels;
use crate::model::{Grade, Hold, HoldKind, JobState, Moment, Mono, Origin, Queue};
use crate::os::{self, Root};
use crate::run::{ClosedRun, add_late_errors, find_stages_done, length_left_s, read_recent_ledger};
use crate::sensors::{read_check_interval, read_machine};
use crate::store::Store;

/// A session that nobody touched for this long is not in use, where that can be told.
const UNTOUCHED: Duration = Duration::from_secs(600);
/// One-minute load (proc_loadavg(5)) for each CPU below which other programs hardly compute, and the
/// least such load of a whole machine.
const LOW_LOAD_PER_CPU: f64 = 0.1;
const LOW_LOAD: f64 = 0.5;
/// How often the hardware is asked for errors where the machine does not tell (the kernel's default).
const USUAL_CHECK_INTERVAL: Duration = Duration::from_secs(300);
/// For a log to be written.
const LATE_MARGIN: Duration = Duration::from_secs(10);
/// Stands alone on the kernel command line (`proc_cmdline(5)`).
const HOLD_WORD: &str = "soakproof.hold";
/// Below the root, for whoever keeps the machine.
const HOLD_FILE: &str = "etc/soakproof/hold";

/// Reads the surroundings; `before` are the last ones, `began` is when the service did.
pub(super) fn read_surroundings(
    root: &Root,
    now: Moment,
    began: Mono,
    before: Option<Surroundings>,
) -> Surroundings {
    let first_number = |path: &str| {
        let text = root.read_text(path).ok()?;
        text.split_whitespace().next()?.parse::<f64>().ok()
    };
    let since_boot = match first_number("proc/uptime") {
        Some(seconds) => Duration::from_secs_f64(seconds.clamp(0.0, 1e9)),
        None => now.mono.since(began),
    };
    let cpus = u32::try_from(os::allowed_cpus().len()).unwrap_or(u32::MAX);
    let low = (f64::from(cpus) * LOW_LOAD_PER_CPU).max(LOW_LOAD);
    let load_is_low = first_number("proc/loadavg").is_none_or(|load| load <= low);
    let session_in_use = os::session_in_use(root, now.wall, UNTOUCHED);
    let was_idle_since = before.and_then(|before| before.idle_since);
    let idle = load_is_low && !session_in_use;
    Surroundings {
        since_boot,
        load_is_low,
        session_in_use,
        idle_since: idle.then(|| was_idle_since.unwrap_or(now.mono)),
    }
}

/// Holds that the machine's keeper has set from outside.
pub(super) fn read_holds(root: &Root, now: Moment) -> Vec<Hold> {
    let hold = |kind, reason: String| Hold {
        kind,
        since: now.wall,
        reason,
    };
    let mut holds = Vec::new();
    let line = root.read_text("proc/cmdline").unwrap_or_default();
    if line.split_whitespace().any(|word| word == HOLD_WORD) {
        let reason = format!("`{HOLD_WORD}` stands on the kernel command line");
        holds.push(hold(HoldKind::KernelCommandLine, reason));
    }
    if root.exists(HOLD_FILE) {
        let reason = format!("`/{HOLD_FILE}` is there");
        holds.push(hold(HoldKind::HoldFile, reason));
    }
    holds
}

/// The boot that the machine is in; empty where it does not say.
pub(super) fn read_boot_id(root: &Root) -> String {
    root.read_text("proc/sys/kernel/random/boot_id")
        .unwrap_or_default()
}

/// What the ledger says: the declared change that no run has judged yet, and what the last run of the
/// suite `recheck` came to since settings were last altered.
///
/// # Errors
/// When store or ledger cannot be read.
pub(super) fn read_tuning(
    store: &Store,
    recheck: &str,
    root: &Root,
) -> anyhow::Result<(Option<PendingChange>, Checked)> {
    let machine = read_machine(root, &[], &[]);
    let ledger = read_recent_ledger(store, &machine)?;
    let pending = ledger.pending().map(|line| PendingChange {
        id: line.change.number.to_string(),
        booted: line.change.boot_id != machine.boot_id,
    });
    let runs = store.runs()?;
    let last = runs
        .iter()
        .rev()
        .take_while(|run| ledger.last_altered().is_none_or(|at| run.started >= at))
        .find(|run| run.suite == recheck && run.simulated == root.is_simulated());
    let Some(last) = last else {
        return Ok((pending, Checked::Never));
    };
    let run = last.number;
    let since = store.outcomes(&machine.host, last.started)?;
    let verdict = since.into_iter().find(|outcome| outcome.run == run);
    let verdict = verdict.and_then(|outcome| outcome.verdict);
    // One that was stopped after a whole stage has found nothing either, but has not looked at all.
    let clean = verdict.is_some_and(|verdict| {
        verdict.complete && matches!(verdict.grade, Grade::Proven | Grade::Provisional)
    });
    let checked = if clean && last.findings == 0 {
        Checked::Clean { run }
    } else {
        Checked::NotClean { run }
    };
    Ok((pending, checked))
}

/// The run that was under way when the last service died, where its suite wants it to be gone on with.
pub(super) fn find_cut_run(store: &Store, queue: &Queue) -> Option<CutRun> {
    let mut running = queue.jobs.iter().filter_map(|job| match job.state {
        JobState::Running { run } => Some((job, run?)),
        JobState::Waiting
        | JobState::Done { .. }
        | JobState::Cancelled
        | JobState::CutShort { .. }
        | JobState::Dropped { .. } => None,
    });
    let (job, run) = running.next()?;
    let times = match job.origin {
        Origin::Continuation { times, .. } => times + 1,
        Origin::Person
        | Origin::Schedule { .. }
        | Origin::AfterChange { .. }
        | Origin::Hub { .. } => 1,
    };
    let find = || -> anyhow::Result<CutRun> {
        let record = store.record(run)?;
        let done = find_stages_done(&record, times)?;
        let length_s = length_left_s(&record.header.plan, done);
        Ok(CutRun {
            run,
            times,
            length_s,
        })
    };
    match find() {
        Ok(cut) => {
            tracing::warn!(
                run,
                "the service died in mid-run; the stages that are left come next"
            );
            Some(cut)
        }
        Err(why) => {
            tracing::warn!(run, %why, "the run that was under way stays closed");
            None
        }
    }
}

/// Time from an error of the hardware to its line in a log.
pub(super) fn errors_told_within(root: &Root) -> Duration {
    read_check_interval(root).unwrap_or(USUAL_CHECK_INTERVAL) + LATE_MARGIN
}

/// Adds errors that showed only after the end of the newest runs to their record, and tells of them.
pub(super) fn find_late_errors(folder: &Path, root: &Root) {
    let find = || -> anyhow::Result<Vec<ClosedRun>> {
        let machine = read_machine(root, &os::allowed_cpus(), kernels::detect().sets());
        Ok(add_late_errors(&mut Store::open(folder)?, root, &machine)?)
    };
    match find() {
        Ok(revised) => revised.iter().for_each(|run| {
            let grade = run.verdict.grade;
            tracing::warn!(run = run.number, %grade, "an error showed after the run's end");
        }),
        Err(error) => tracing::warn!(%error, "late errors cannot be looked for"),
    }
}
