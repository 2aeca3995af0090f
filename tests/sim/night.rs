//! A night as the agenda sees it: a clock, a queue that survives, and whatever goes on around. Nothing
//! waits, so a year takes seconds.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use soakproof::model::{
    Conditions, Grade, Hold, JobId, JobState, Moment, Mono, Queue, QueueChange, RecheckPolicy,
    RunWish, ScheduleEntry, Wall,
};
use soakproof::service::agenda::{
    Calendar, Checked, NewJob, Notice, PendingChange, Surroundings, Timing, World, add_job,
    after_restart, decide, ended, started, upkeep,
};

/// Berlin, by its rule: no zone files are needed (POSIX `TZ`, rule of the European Union since 1996).
pub(crate) const BERLIN: &str = "CET-1CEST,M3.5.0,M10.5.0/3";
pub(crate) const HOUR: Duration = Duration::from_secs(3600);
pub(crate) const MINUTE: Duration = Duration::from_secs(60);

/// One start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Start {
    pub(crate) job: JobId,
    pub(crate) suite: String,
    pub(crate) at: Wall,
    /// How long its notice had stood without interruption.
    pub(crate) announced: Duration,
    pub(crate) since_boot: Duration,
    pub(crate) held: bool,
    pub(crate) session: bool,
}

pub(crate) struct Night {
    pub(crate) queue: Queue,
    pub(crate) schedule: Vec<ScheduleEntry>,
    pub(crate) policy: RecheckPolicy,
    pub(crate) change: Option<PendingChange>,
    pub(crate) checked: Checked,
    pub(crate) session: bool,
    pub(crate) busy: bool,
    pub(crate) holds: Vec<Hold>,
    pub(crate) starts: Vec<Start>,
    pub(crate) now: Moment,
    pub(crate) began: Wall,
    booted: Mono,
    idle_since: Option<Mono>,
    notice: Option<(Notice, Mono)>,
    running: Option<(JobId, Mono)>,
    runs: i64,
    /// Runs longer than this reset the machine, where that is asked for.
    pub(crate) reset_after: Option<Duration>,
    calendar: Calendar,
}

pub(crate) fn zone() -> TimeZone {
    TimeZone::posix(BERLIN).expect("a zone")
}

/// An instant by Berlin's clock; the first where it shows a time twice.
pub(crate) fn at(civil: &str) -> Wall {
    let civil: DateTime = civil.parse().expect("a civil time");
    let zoned = zone().to_ambiguous_zoned(civil).compatible();
    Wall(zoned.expect("an instant").timestamp().as_millisecond())
}

/// What Berlin's clock shows, with its offset.
pub(crate) fn shown(at: Wall) -> String {
    let zoned = Timestamp::from_millisecond(at.0)
        .expect("in range")
        .to_zoned(zone());
    zoned.strftime("%Y-%m-%dT%H:%M%:z").to_string()
}

pub(crate) fn wish(suite: &str) -> RunWish {
    RunWish {
        suite: suite.to_owned(),
        ..RunWish::default()
    }
}

fn ms(span: Duration) -> i64 {
    i64::try_from(span.as_millis()).expect("short")
}

/// `quick` 10 min, `hour` 80 min, `overnight` 8 h 5 min, others as many minutes as their name says.
pub(crate) fn length_of(wish: &RunWish) -> Option<u64> {
    let minutes = match wish.suite.as_str() {
        "recheck" => 10,
        "hour" => 80,
        "overnight" => 8 * 60 + 5,
        "unreadable" => return None,
        other => other.parse().expect("minutes"),
    };
    Some(minutes * 60)
}

impl Night {
    /// Service and machine have been up for an hour at `civil`.
    pub(crate) fn from(civil: &str) -> Self {
        let wall = at(civil);
        let mono = Mono(ms(HOUR).unsigned_abs() * 1_000_000);
        Self {
            queue: Queue::default(),
            schedule: Vec::new(),
            policy: RecheckPolicy::default(),
            change: None,
            checked: Checked::Clean { run: 1 },
            session: false,
            busy: false,
            holds: Vec::new(),
            starts: Vec::new(),
            now: Moment { mono, wall },
            began: wall,
            booted: Mono(0),
            idle_since: Some(mono),
            notice: None,
            running: None,
            runs: 1,
            reset_after: None,
            calendar: Calendar::new(zone()),
        }
    }

    pub(crate) fn add(&mut self, suite: &str, conditions: Conditions) -> JobId {
        self.add_with(suite, conditions, 0)
    }

    pub(crate) fn add_with(&mut self, suite: &str, conditions: Conditions, priority: i8) -> JobId {
        let new = NewJob {
            wish: wish(suite),
            conditions,
            priority,
        };
        let length_s = length_of(&new.wish).expect("readable");
        let asked = ("a person".to_owned(), self.now.wall);
        let job = add_job(&self.queue, new, length_s, asked).expect("taken in");
        let id = job.id;
        self.queue.apply(&QueueChange::Put(Box::new(job)));
        id
    }

    pub(crate) fn apply(&mut self, changes: &[QueueChange]) {
        changes.iter().for_each(|change| self.queue.apply(change));
    }

    pub(crate) fn state(&self, id: JobId) -> &JobState {
        &self.queue.job(id).expect("known").state
    }

    pub(crate) fn announced(&self) -> Option<JobId> {
        self.notice.map(|(notice, _)| notice.job)
    }

    pub(crate) fn is_running(&self) -> bool {
        self.running.is_some()
    }

    /// Starts so far, by Berlin's clock.
    pub(crate) fn told(&self) -> Vec<(String, String)> {
        let starts = self.starts.iter();
        starts
            .map(|start| (start.suite.clone(), shown(start.at)))
            .collect()
    }

    fn surroundings(&mut self) -> Surroundings {
        let busy = self.busy || self.running.is_some();
        if busy || self.session {
            self.idle_since = None;
        } else {
            self.idle_since.get_or_insert(self.now.mono);
        }
        Surroundings {
            since_boot: self.now.mono.since(self.booted),
            load_is_low: !busy,
            session_in_use: self.session,
            idle_since: self.idle_since,
        }
    }

    /// One look of the service; says how long it would sleep.
    fn look(&mut self) -> Duration {
        let around = self.surroundings();
        let change = self.change.clone();
        let (holds, calendar) = (self.holds.clone(), self.calendar.clone());
        let world = World {
            now: self.now,
            began: self.began,
            calendar: &calendar,
            loaded: self.running.is_some(),
            surroundings: Some(around),
            holds: &holds,
            change: change.as_ref(),
            hub_heard: true,
            checked: self.checked,
            timing: Timing::default(),
            length_s: length_of,
        };
        let changes = upkeep(&self.queue, &self.schedule, &self.policy, &world);
        self.apply(&changes);
        let before = self.notice;
        let notice = before.map(|(notice, _)| notice);
        let decision = decide(&self.queue, &self.schedule, &world, notice);
        let since = |notice: Notice| match before {
            Some((known, since)) if known.job == notice.job => since,
            Some(_) | None => self.now.mono,
        };
        self.notice = decision.notice.map(|notice| (notice, since(notice)));
        if let Some(id) = decision.start {
            let announced = before.filter(|(notice, _)| notice.job == id);
            let announced = announced.map(|(_, since)| self.now.mono.since(since));
            self.start(id, announced.unwrap_or_default(), around);
            return Duration::ZERO;
        }
        decision.look_again
    }

    fn start(&mut self, id: JobId, announced: Duration, around: Surroundings) {
        assert!(self.running.is_none(), "two loads at once");
        let job = self.queue.job(id).expect("known").clone();
        assert_eq!(job.starts, 0, "job {id} was started twice");
        assert_eq!(job.state, JobState::Waiting);
        self.starts.push(Start {
            job: id,
            suite: job.wish.suite.clone(),
            at: self.now.wall,
            announced,
            since_boot: around.since_boot,
            held: !self.holds.is_empty() || !self.queue.holds().is_empty(),
            session: around.session_in_use,
        });
        self.queue.apply(&started(&job));
        let end = self.now.mono.plus(Duration::from_secs(job.length_s));
        self.running = Some((id, end));
    }

    /// Time goes on to `until`, in the steps in which the service looks.
    pub(crate) fn go_until(&mut self, until: Wall) {
        while self.now.wall < until {
            let sleep = self.look();
            let mut step = sleep.max(Duration::from_secs(1));
            if let Some((_, end)) = self.running {
                step = step.min(end.since(self.now.mono));
            }
            let left = Duration::from_millis((until.0 - self.now.wall.0).unsigned_abs());
            self.pass(step.min(left).max(Duration::from_millis(1)));
            self.finish();
        }
    }

    pub(crate) fn go_on(&mut self, span: Duration) {
        self.go_until(Wall(self.now.wall.0 + ms(span)));
    }

    fn pass(&mut self, span: Duration) {
        self.now.mono = self.now.mono.plus(span);
        self.now.wall = Wall(self.now.wall.0 + ms(span));
    }

    fn finish(&mut self) {
        let Some((id, end)) = self.running else {
            return;
        };
        let job = self.queue.job(id).expect("known").clone();
        let ran = Duration::from_secs(job.length_s).saturating_sub(end.since(self.now.mono));
        if self.reset_after.is_some_and(|reset| ran >= reset) {
            self.power_off(MINUTE);
        } else if self.now.mono >= end {
            self.runs += 1;
            self.running = None;
            if job.wish.suite == "recheck" {
                self.checked = Checked::Clean { run: self.runs };
            }
            let change = ended(&job, Some(self.runs), Ok(Grade::Provisional));
            self.queue.apply(&change);
        }
    }

    /// The machine goes down without a word and is back after `down`; what was in memory is lost.
    pub(crate) fn power_off(&mut self, down: Duration) {
        let reset = self.running.take().map(|_| {
            self.runs += 1;
            self.runs
        });
        self.restart(down, reset);
        self.booted = self.now.mono;
        if let Some(change) = &mut self.change {
            change.booted = true;
        }
    }

    /// The service alone is killed and started again.
    pub(crate) fn restart(&mut self, down: Duration, reset: Option<i64>) {
        self.pass(down);
        self.running = None;
        self.notice = None;
        self.idle_since = None;
        self.began = self.now.wall;
        let changes = after_restart(&self.queue, reset, self.now.wall);
        self.apply(&changes);
    }

    /// Somebody sets the clock by so many seconds.
    pub(crate) fn set_clock(&mut self, by_s: i64) {
        self.now.wall = Wall(self.now.wall.0 + by_s * 1000);
    }

    /// Ended jobs by what became of them.
    pub(crate) fn outcomes(&self) -> BTreeMap<&'static str, usize> {
        let mut outcomes = BTreeMap::new();
        for job in &self.queue.jobs {
            let name = match &job.state {
                JobState::Waiting => "waiting",
                JobState::Running { .. } => "running",
                JobState::Done { .. } => "done",
                JobState::Cancelled => "cancelled",
                JobState::CutShort { .. } => "cut short",
                JobState::Dropped { .. } => "dropped",
            };
            *outcomes.entry(name).or_default() += 1;
        }
        outcomes
    }
}
