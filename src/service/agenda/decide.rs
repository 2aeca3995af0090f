//! The decision: what is to be done now, and when to look again.

use std::time::Duration;

use super::standing::{Standing, Wait, World, standings};
use crate::model::{JobId, Mono, Queue, ScheduleEntry, Wall};

/// The wall clock may be set at any time and nobody is told, so it is looked at this often.
const LOOK_AT_LEAST: Duration = Duration::from_secs(60);
/// Between two looks at surroundings that stand in a job's way.
const WATCH_EVERY: Duration = Duration::from_secs(15);

/// A start that was announced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Notice {
    /// The job.
    pub job: JobId,
    /// When it starts, unless something comes between.
    pub until: Mono,
}

/// What is to be done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// Start this job now.
    pub start: Option<JobId>,
    /// The notice that stands from now on.
    pub notice: Option<Notice>,
    /// Decide again after this time at the latest.
    pub look_again: Duration,
    /// Read the surroundings before that.
    pub watch: bool,
}

/// What is to be done now, given the notice that stands.
pub fn decide(
    queue: &Queue,
    schedule: &[ScheduleEntry],
    world: &World<'_>,
    notice: Option<Notice>,
) -> Decision {
    let standings = standings(queue, world);
    let now = world.now;
    let mut decision = Decision {
        start: None,
        notice: None,
        look_again: look_again(&standings, schedule, world),
        watch: standings.iter().any(wants_watch),
    };
    if decision.watch {
        decision.look_again = decision.look_again.min(WATCH_EVERY);
    }
    let Some((id, left)) = standings
        .iter()
        .find_map(|standing| Some((standing.id, time_left(standing, world)?)))
    else {
        return decision;
    };
    if world.loaded {
        return decision;
    }
    let unattended = queue.job(id).is_some_and(|job| job.is_unattended());
    if !unattended {
        decision.start = Some(id);
        return decision;
    }
    let begun = notice.filter(|notice| notice.job == id);
    let announced = begun.map_or(world.timing.notice, |notice| notice.until.since(now.mono));
    let until = now.mono.plus(announced.max(left));
    if now.mono >= until {
        decision.start = Some(id);
    } else {
        decision.notice = Some(Notice { job: id, until });
        // Whatever comes between (a person, another program) takes the notice back.
        decision.watch = true;
        let left = until.since(now.mono);
        decision.look_again = decision.look_again.min(left).min(WATCH_EVERY);
    }
    decision
}

/// How long until a job may start, when that is now or so soon that its notice begins before; none when
/// anything but time stands in its way.
fn time_left(standing: &Standing, world: &World<'_>) -> Option<Duration> {
    match standing.waits.as_slice() {
        [] => Some(Duration::ZERO),
        [Wait::Until(at) | Wait::Window(at)] => {
            let left = at.0.saturating_sub(world.now.wall.0).unsigned_abs();
            Some(Duration::from_millis(left)).filter(|left| *left <= world.timing.notice)
        }
        [_, ..] => None,
    }
}

/// Only surroundings stand in its way.
fn wants_watch(standing: &Standing) -> bool {
    let of_surroundings = |wait: &Wait| match wait {
        Wait::Settling | Wait::Session | Wait::Load | Wait::Idle => true,
        Wait::Held(_)
        | Wait::Until(_)
        | Wait::Window(_)
        | Wait::NeverFits
        | Wait::Change
        | Wait::Hub
        | Wait::Recheck(_)
        | Wait::Room(..) => false,
    };
    !standing.waits.is_empty() && standing.waits.iter().all(of_surroundings)
}

fn look_again(standings: &[Standing], schedule: &[ScheduleEntry], world: &World<'_>) -> Duration {
    let now = world.now.wall;
    let of_jobs = standings.iter().flat_map(|standing| &standing.waits);
    let of_jobs = of_jobs.filter_map(|wait| match wait {
        Wait::Until(at) | Wait::Window(at) | Wait::Room(_, at) => Some(*at),
        Wait::Held(_)
        | Wait::NeverFits
        | Wait::Change
        | Wait::Hub
        | Wait::Recheck(_)
        | Wait::Settling
        | Wait::Session
        | Wait::Load
        | Wait::Idle => None,
    });
    let of_schedule = schedule.iter().filter_map(|entry| {
        world
            .calendar
            .next_due(&entry.when, entry.zone.as_deref(), now)
    });
    of_jobs
        .chain(of_schedule)
        .map(|at: Wall| Duration::from_millis(at.0.saturating_sub(now.0).unsigned_abs()))
        .fold(LOOK_AT_LEAST, Duration::min)
}
