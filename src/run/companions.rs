//! What goes along with a run without being part of its load: the machine's own watchdog, the wish to
//! stay awake, and a look at the other clocks. None of them may hold up the run; what they cannot do
//! becomes part of the record.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::mpsc::UnboundedSender;

use super::core::Event;
use super::pulse::Pulse;
use crate::model::{Gap, GapKind, Moment};
use crate::os::{self, HardwareWatchdog, Root, SleepInhibitor};
use crate::sensors::{TimeBase, wait_for_rtc_edge};

/// What may go along with a run.
#[derive(Debug, Default)]
pub struct Companions {
    /// Fires when this program or the machine stands still; none unless the person asked for it.
    pub watchdog: Option<HardwareWatchdog>,
    /// True when the machine is to be kept awake.
    pub awake: bool,
    /// Where the other clocks are looked for; none for not at all.
    pub clocks: Option<Root>,
}

/// Between two looks of the companions' thread.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// The watchdog is put off this many times within its time.
const PUT_OFF_TIMES: u32 = 4;
/// Between two looks at the real-time clock.
const CLOCKS_EVERY: Duration = Duration::from_secs(600);
/// Between two looks at the time zone.
const ZONE_EVERY: Duration = Duration::from_secs(30);

/// The running companions; dropping them lets go of everything, the watchdog in its proper way.
#[derive(Debug)]
pub(super) struct Escort {
    /// In the order in which they end: the watchdog is let go of last.
    members: Vec<Member>,
}

#[derive(Debug)]
struct Member {
    over: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Escort {
    /// Starts them; what they find goes to `events`.
    pub(super) fn start(
        companions: Companions,
        pulse: &Pulse,
        events: &UnboundedSender<(Moment, Event)>,
    ) -> Self {
        let tell = Teller(events.clone());
        let Companions {
            watchdog,
            awake,
            clocks,
        } = companions;
        let mut escort = Self {
            members: Vec::new(),
        };
        if awake {
            escort.add(&tell, keep_awake);
        }
        if let Some(root) = clocks {
            escort.add(&tell, move |over, tell| compare_clocks(&root, over, tell));
        }
        if let Some(watchdog) = watchdog {
            let pulse = pulse.clone();
            escort.add(&tell, move |over, tell| {
                keep_off(watchdog, over, tell, &|| pulse.is_alive(os::monotonic()));
            });
        }
        escort
    }

    fn add(
        &mut self,
        tell: &Teller,
        companion: impl FnOnce(&AtomicBool, &Teller) + Send + 'static,
    ) {
        let over = Arc::new(AtomicBool::new(false));
        let (theirs, teller) = (Arc::clone(&over), tell.clone());
        match std::thread::Builder::new().spawn(move || companion(&theirs, &teller)) {
            Ok(thread) => self.members.push(Member { over, thread }),
            Err(error) => tell.gap(
                format!("no thread for what goes along with the run: {error}"),
                "raise the limit of processes",
            ),
        }
    }
}

impl Drop for Escort {
    fn drop(&mut self) {
        for Member { over, thread } in self.members.drain(..) {
            over.store(true, Ordering::Relaxed);
            if thread.join().is_err() {
                tracing::error!("a companion of the run panicked");
            }
        }
    }
}

#[derive(Debug, Clone)]
struct Teller(UnboundedSender<(Moment, Event)>);

impl Teller {
    fn tell(&self, event: Event) {
        if self.0.send((os::moment(), event)).is_err() {
            tracing::debug!("nobody listens any more");
        }
    }

    fn gap(&self, about: String, remedy: &str) {
        let gap = Gap {
            kind: GapKind::Environment,
            about,
            remedy: remedy.to_owned(),
        };
        self.tell(Event::Environment(gap));
    }
}

/// Waits for `span`, or until the run is over; true when it is.
fn pause(over: &AtomicBool, span: Duration) -> bool {
    let until = os::monotonic().plus(span);
    while !over.load(Ordering::Relaxed) {
        let left = until.since(os::monotonic());
        if left.is_zero() {
            return false;
        }
        os::wait(left.min(LOOK_EVERY));
    }
    true
}

/// Puts the watchdog off while everything is alive. When something is not, it is left to fire: that is
/// what it is for.
fn keep_off(
    mut watchdog: HardwareWatchdog,
    over: &AtomicBool,
    tell: &Teller,
    is_alive: &dyn Fn() -> bool,
) {
    let facts = watchdog.facts();
    if !facts.outlives_us {
        let about = format!("the watchdog `{}` stops when this program dies", facts.name);
        tell.gap(about, "only a machine that stands still is noticed by it");
    }
    let every = facts.timeout / PUT_OFF_TIMES;
    let mut told = false;
    loop {
        let outcome = if is_alive() {
            watchdog.put_off().map_err(|error| error.to_string())
        } else {
            Err("a part of this run stands still".to_owned())
        };
        if let Err(reason) = outcome
            && !std::mem::replace(&mut told, true)
        {
            let about =
                format!("the watchdog was not put off: {reason}; it will reset the machine");
            tell.gap(about, "");
        }
        if pause(over, every) {
            return;
        }
    }
}

fn keep_awake(over: &AtomicBool, tell: &Teller) {
    const REMEDY: &str = "keep it awake during a run";
    let Some(mut inhibitor) = SleepInhibitor::take("checked load is running") else {
        let about = "nothing here keeps the machine from being put to sleep".to_owned();
        tell.gap(about, REMEDY);
        return;
    };
    while !pause(over, LOOK_EVERY) {
        if let Some(reason) = inhibitor.refusal() {
            let about = format!("the machine is not kept from being put to sleep: {reason}");
            tell.gap(about, REMEDY);
            return;
        }
    }
}

fn compare_clocks(root: &Root, over: &AtomicBool, tell: &Teller) {
    let mut base = TimeBase::default();
    let mut zone = os::time_zone_name(root);
    let mut next_clocks = os::monotonic();
    loop {
        if os::monotonic() >= next_clocks {
            next_clocks = next_clocks.plus(CLOCKS_EVERY);
            let apart = wait_for_rtc_edge(root).and_then(|edge| base.take(edge));
            if let Some(parts) = apart {
                tell.tell(Event::ClocksApart(parts));
            }
        }
        let now = os::time_zone_name(root);
        if now != zone {
            let words = |zone: &Option<String>| zone.clone().unwrap_or_else(|| "none".to_owned());
            tell.tell(Event::ZoneChanged(words(&zone), words(&now)));
            zone = now;
        }
        if pause(over, ZONE_EVERY) {
            return;
        }
    }
}
