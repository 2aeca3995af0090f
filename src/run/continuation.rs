//! Going on with a run that the death of the service cut short. Pure: whether its record allows it, and
//! what is left of the plan. Only the service does so, and only where the suite asks for it.

use crate::ledger::find_unexplained;
use crate::model::{End, Grade, OnServiceDeath, Plan, Record, RunHeader, Stage};
use crate::verdict;

/// A suite is gone on with at most so often: a service that keeps dying has another fault.
pub const MOST_CONTINUATIONS: u32 = 3;

/// A run is not gone on with.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CannotContinueError {
    /// Its suite does not ask for it.
    #[error("its suite does not ask for it (`on-service-death = \"resume\"`)")]
    NotAsked,
    /// It did not end by the death of the service.
    #[error("it ended otherwise than by the death of the service, or had been asked to end")]
    OtherEnd,
    /// Something was found in it.
    #[error("it was judged {0}: what it was to find out is known")]
    Judged(Grade),
    /// Too often.
    #[error("its suite was gone on with {MOST_CONTINUATIONS} times already")]
    TooOften,
    /// All of it was run.
    #[error("no stage of it is left")]
    NothingLeft,
    /// What counts together must be one machine at one set of settings.
    #[error("{what} since")]
    Other {
        /// What is not as it was.
        what: String,
    },
}

/// How many of the stages of `record` were run whole, where another run may go on with the rest of them
/// for the `times`-th time.
///
/// # Errors
/// Why not.
pub fn find_stages_done(record: &Record, times: u32) -> Result<usize, CannotContinueError> {
    let header = &record.header;
    if header.plan.on_service_death == OnServiceDeath::Close {
        return Err(CannotContinueError::NotAsked);
    }
    let interrupted = matches!(
        record.end.as_ref().map(|end| &end.what),
        Some(End::Interrupted { .. })
    );
    // Whoever dies in the same boot leaves the machine running; a run that ended itself has no aftermath.
    let died = record
        .aftermaths
        .last()
        .is_some_and(|found| found.boot_id == header.machine.boot_id);
    if !(interrupted && died && record.stop_marks.is_empty()) {
        return Err(CannotContinueError::OtherEnd);
    }
    let grade = record.verdict().map(|verdict| verdict.grade);
    match grade {
        Some(Grade::Inconclusive | Grade::Provisional) => {}
        Some(grade @ (Grade::Failed | Grade::Marginal | Grade::Proven)) => {
            return Err(CannotContinueError::Judged(grade));
        }
        None => return Err(CannotContinueError::OtherEnd),
    }
    if times > MOST_CONTINUATIONS {
        return Err(CannotContinueError::TooOften);
    }
    let whole = |index: usize| {
        let mut done = record.stages.iter().filter(|mark| mark.finished);
        done.any(|mark| usize::from(mark.stage) == index)
    };
    let stages = header.plan.stages.len();
    let done = (0..stages).take_while(|index| whole(*index)).count();
    if done < stages {
        Ok(done)
    } else {
        Err(CannotContinueError::NothingLeft)
    }
}

/// Makes the run that `header` is about go on with `earlier`, which has the number `run`: only the stages
/// that are left, and what the earlier run has shown.
///
/// # Errors
/// The record of the earlier run does not allow it, or the machine is not what it was.
pub fn continue_run(
    header: &mut RunHeader,
    (run, earlier): (i64, &Record),
    times: u32,
) -> Result<(), CannotContinueError> {
    let done = find_stages_done(earlier, times)?;
    // The plan of a run that went on with another itself lacks its first stages.
    let before = earlier.header.continues.as_ref();
    let skipped = before.map_or(0, |before| before.stages.len());
    if let Some(what) = find_difference(&earlier.header, header, (done, skipped)) {
        return Err(CannotContinueError::Other { what });
    }
    let stages = header.plan.stages.drain(..skipped + done);
    let stages = stages.map(|stage| stage.name).collect();
    let continues = verdict::take_over((run, earlier), stages, times);
    header.continues = Some(Box::new(continues));
    Ok(())
}

/// Length of the stages of `plan` after the first `done`, in seconds.
pub fn length_left_s(plan: &Plan, done: usize) -> u64 {
    let left = plan.stages.iter().skip(done);
    left.map(Stage::length)
        .sum::<std::time::Duration>()
        .as_secs()
}

/// The first thing that is not as it was.
fn find_difference(
    was: &RunHeader,
    is: &RunHeader,
    (done, skipped): (usize, usize),
) -> Option<String> {
    let told = |what: &str| Some(what.to_owned());
    if was.machine.boot_id != is.machine.boot_id {
        return told("the machine was started again");
    }
    if was.program != is.program || was.kernels != is.kernels {
        return told("the program is another version");
    }
    let left = |plan: &Plan, from: usize| -> Vec<Stage> {
        plan.stages.iter().skip(from).map(without_amounts).collect()
    };
    if left(&was.plan, done) != left(&is.plan, skipped + done) {
        return told("the suite, or what it is on this machine, has changed");
    }
    let standings = was
        .declared
        .standing
        .as_ref()
        .zip(is.declared.standing.as_ref());
    let (before, now) = standings?;
    if (&before.settings, before.change) != (&now.settings, now.change) {
        return told("settings were declared anew");
    }
    find_unexplained(before, &now.fingerprint, &now.settings)
        .into_iter()
        .next()
}

/// How much memory is there differs a little at any time.
fn without_amounts(stage: &Stage) -> Stage {
    let mut stage = stage.clone();
    let segments = stage.segments.iter_mut();
    for load in segments.flat_map(|segment| &mut segment.loads) {
        load.memory_bytes_per_worker = 0;
    }
    stage
}
