//! When it is tried again, with the outbox of a real store and a simulated clock.

use std::path::Path;
use std::time::Duration;

use proptest::prelude::*;
use soakproof::model::{NoticeEvent, Wall};
use soakproof::service::notices::{
    GIVE_UP_AFTER, Next, Outcome, decide_next, decide_settlement, farthest,
};
use soakproof::store::{Announcement, DeliveryState, MOST_WAITING, Settlement, Store};

use super::{NOW, notice};

const SECOND: i64 = 1000;
const HOUR: i64 = 3600 * SECOND;

fn delay(attempt: u32, asked: Option<Duration>, chance: f64) -> i64 {
    match decide_next((NOW, NOW), attempt, asked, chance) {
        Next::At(at) => at.0 - NOW.0,
        Next::GiveUp => panic!("not yet"),
    }
}

#[test]
fn delays_grow_threefold_from_5_s_to_half_an_hour() {
    let seconds: Vec<i64> = (1..=9).map(|n| delay(n, None, 0.5) / SECOND).collect();
    assert_eq!(seconds, [5, 15, 45, 135, 405, 1215, 1800, 1800, 1800]);
    assert_eq!(delay(u32::MAX, None, 0.5), 1800 * SECOND);
}

#[test]
fn an_endpoint_may_ask_for_more_time_but_not_for_ever() {
    assert_eq!(delay(1, Some(Duration::from_mins(10)), 0.5), 600 * SECOND);
    assert_eq!(delay(9, Some(Duration::from_secs(1)), 0.5), 1800 * SECOND);
    assert_eq!(delay(1, Some(Duration::MAX), 0.5), 6 * HOUR);
}

#[test]
fn it_is_given_up_after_a_day_but_never_before_one_try() {
    let day = i64::try_from(GIVE_UP_AFTER.as_millis()).unwrap();
    let decide = |now: i64| decide_next((NOW, Wall(NOW.0 + now)), 40, None, 0.5);
    assert_eq!(decide(day), Next::GiveUp);
    assert!(matches!(decide(day - 1), Next::At(_)));
    // The clock was set back behind the beginning: there is time.
    assert!(matches!(decide(-HOUR), Next::At(_)));
}

proptest! {
    #[test]
    fn chance_moves_a_delay_by_a_fifth_and_never_past_the_farthest(
        attempt in 1_u32..60, chance in 0.0_f64..1.0, asked in proptest::option::of(0_u64..1_000_000),
    ) {
        let middle = delay(attempt, None, 0.5);
        let moved = delay(attempt, None, chance);
        prop_assert!(moved * 10 >= middle * 8 - 10 && moved * 10 <= middle * 12 + 10);
        let asked = delay(attempt, asked.map(Duration::from_secs), chance);
        prop_assert!(asked <= farthest(NOW).0 - NOW.0);
    }
}

/// A service that goes its rounds on a simulated clock.
struct Night {
    store: Store,
    now: Wall,
    /// When each attempt was made, and by which id.
    tries: Vec<(Wall, String)>,
}

impl Night {
    fn begin(folder: &Path, now: Wall) -> Self {
        Self {
            store: Store::open(folder).unwrap(),
            now,
            tries: Vec::new(),
        }
    }

    fn announce(&mut self, key: &str) {
        let announcement = Announcement {
            key: key.to_owned(),
            notice: notice(NoticeEvent::RunFinished),
            targets: vec!["chat".to_owned()],
        };
        self.store.announce(&[announcement], self.now).unwrap();
    }

    /// Until `end`, with an endpoint that is `down` at some times.
    fn go(&mut self, end: Wall, down: &dyn Fn(Wall) -> bool) {
        loop {
            let until = Wall(self.now.0 + 80 * SECOND);
            let claim = (self.now, farthest(self.now), until);
            if let Some(claimed) = self.store.claim_delivery(claim, &[]).unwrap() {
                self.tries.push((self.now, claimed.id.clone()));
                let outcome = if down(self.now) {
                    Outcome::Refused {
                        why: "answered 503".to_owned(),
                        asked: None,
                    }
                } else {
                    Outcome::Taken
                };
                let settlement = decide_settlement(&claimed, &outcome, self.now, 0.5);
                self.store
                    .settle_delivery(&claimed, settlement, outcome.words())
                    .unwrap();
                continue;
            }
            match self.store.next_due(&[]).unwrap() {
                Some(due) if due <= end => self.now = due,
                Some(_) | None => break,
            }
        }
        self.now = end;
    }

    fn states(&self) -> Vec<(DeliveryState, u32)> {
        let lines = self.store.deliveries().unwrap();
        lines
            .iter()
            .map(|line| (line.state, line.attempts))
            .collect()
    }
}

fn clock(hour: i64) -> Wall {
    Wall(NOW.0 + hour * HOUR)
}

/// The endpoint is away from 22:00 to 06:00, the service dies in mid-attempt at 02:00 and is started
/// again at 02:10: everything is there by 06:36, by one id each.
#[test]
fn a_webhook_that_is_down_until_six_gets_everything_after_a_restart_in_the_night() {
    let folder = tempfile::tempdir().unwrap();
    let down = |at: Wall| at < clock(6);
    let mut night = Night::begin(folder.path(), clock(-2));
    night.announce("first");
    night.go(clock(2), &down);
    night.announce("second");
    let claim = (
        night.now,
        farthest(night.now),
        Wall(night.now.0 + 80 * SECOND),
    );
    let lost = night.store.claim_delivery(claim, &[]).unwrap().unwrap();
    let mut tries = std::mem::take(&mut night.tries);
    drop(night);

    let mut night = Night::begin(folder.path(), Wall(clock(2).0 + 600 * SECOND));
    night.announce("second");
    night.go(clock(8), &down);
    tries.append(&mut night.tries);
    assert_eq!(night.states().len(), 2, "a key is told once");
    for (state, attempts) in night.states() {
        assert_eq!(state, DeliveryState::Delivered);
        assert!(attempts >= 8, "{attempts}");
    }
    let delivered: Vec<&(Wall, String)> = tries.iter().filter(|(at, _)| !down(*at)).collect();
    assert_eq!(delivered.len(), 2);
    for (at, _) in &delivered {
        assert!(at.0 - clock(6).0 <= 36 * 60 * SECOND, "{at:?}");
    }
    let mut ids: Vec<&String> = tries.iter().map(|(_, id)| id).collect();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), 2, "one id over all tries");
    assert!(
        ids.contains(&&lost.id),
        "what was under way is tried again by its id"
    );
}

#[test]
fn what_nobody_takes_for_a_day_is_dead_and_can_be_tried_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut night = Night::begin(folder.path(), NOW);
    night.announce("only");
    night.go(clock(48), &|_| true);
    let [(DeliveryState::Dead, attempts)] = night.states()[..] else {
        panic!("{:?}", night.states());
    };
    assert!((48..60).contains(&attempts), "{attempts}");
    let id = night.tries[0].1.clone();
    assert_eq!(night.store.retry_notice(&id, night.now).unwrap(), ["chat"]);
    night.go(clock(49), &|_| false);
    assert_eq!(night.states(), [(DeliveryState::Delivered, 1)]);
    assert!(night.store.retry_notice(&id, night.now).unwrap().is_empty());
}

#[test]
fn a_clock_that_is_set_back_does_not_silence_anything() {
    let folder = tempfile::tempdir().unwrap();
    let mut night = Night::begin(folder.path(), NOW);
    night.announce("only");
    night.go(clock(1), &|_| true);
    night.now = clock(-24 * 30);
    night.go(Wall(clock(-24 * 30).0 + SECOND), &|_| false);
    assert_eq!(night.states()[0].0, DeliveryState::Delivered);
}

#[test]
fn a_machine_that_was_off_for_days_tries_at_least_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut night = Night::begin(folder.path(), NOW);
    night.announce("only");
    night.now = clock(72);
    night.go(clock(73), &|_| false);
    assert_eq!(night.states(), [(DeliveryState::Delivered, 1)]);
}

#[test]
fn a_claimed_delivery_is_not_given_to_a_second_program() {
    let folder = tempfile::tempdir().unwrap();
    let mut night = Night::begin(folder.path(), NOW);
    night.announce("only");
    let claim = (NOW, farthest(NOW), Wall(NOW.0 + 80 * SECOND));
    let mut other = Store::open(folder.path()).unwrap();
    assert!(night.store.claim_delivery(claim, &[]).unwrap().is_some());
    assert!(other.claim_delivery(claim, &[]).unwrap().is_none());
    let later = Wall(NOW.0 + 81 * SECOND);
    let claim = (later, farthest(later), Wall(later.0 + 80 * SECOND));
    let again = other.claim_delivery(claim, &[]).unwrap().unwrap();
    assert_eq!(again.attempt, 2);
}

#[test]
fn a_target_that_is_busy_is_passed_over_and_one_that_is_unknown_is_given_up() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let announcement = Announcement {
        key: "k".to_owned(),
        notice: notice(NoticeEvent::RunFinished),
        targets: vec!["chat".to_owned(), "phone".to_owned()],
    };
    store.announce(&[announcement], NOW).unwrap();
    let claim = (NOW, farthest(NOW), Wall(NOW.0 + 80 * SECOND));
    let busy = ["chat".to_owned()];
    let claimed = store.claim_delivery(claim, &busy).unwrap().unwrap();
    assert_eq!(claimed.target, "phone");
    store
        .settle_delivery(&claimed, Settlement::Delivered, "delivered")
        .unwrap();
    assert_eq!(store.next_due(&busy).unwrap(), None);
    assert_eq!(store.drop_strangers(&["phone".to_owned()]).unwrap(), 1);
    assert_eq!(store.count_waiting().unwrap(), 0);
}

#[test]
fn a_closed_target_gets_nothing_more_until_it_is_opened() {
    let folder = tempfile::tempdir().unwrap();
    let mut night = Night::begin(folder.path(), NOW);
    night.announce("before");
    night.store.close_target("chat", "mark").unwrap();
    night.announce("after");
    assert_eq!(
        night.states(),
        [(DeliveryState::Dead, 0), (DeliveryState::Dead, 0)]
    );
    assert_eq!(
        night.store.closed_mark("chat").unwrap(),
        Some("mark".to_owned())
    );
    night.store.reopen_target("chat").unwrap();
    night.announce("later");
    assert_eq!(night.states()[2], (DeliveryState::Waiting, 0));
}

#[test]
fn an_outbox_that_is_full_says_so_and_a_delivered_notice_is_forgotten_in_time() {
    let folder = tempfile::tempdir().unwrap();
    let mut night = Night::begin(folder.path(), NOW);
    let most = usize::try_from(MOST_WAITING).unwrap();
    let many: Vec<Announcement> = (0..=most)
        .map(|number| Announcement {
            key: number.to_string(),
            notice: notice(NoticeEvent::RunStarted),
            targets: vec!["chat".to_owned()],
        })
        .collect();
    night.store.announce(&many, NOW).unwrap();
    assert_eq!(night.store.count_waiting().unwrap(), most);
    let dead = night.store.deliveries().unwrap();
    let dead: Vec<&String> = dead
        .iter()
        .filter(|line| line.state == DeliveryState::Dead)
        .map(|line| &line.answer)
        .collect();
    assert_eq!(dead, ["too many notices wait for this target"]);
    let later = Wall(NOW.0 + 1);
    assert_eq!(
        night.store.forget_notices(later).unwrap(),
        1,
        "those that wait stay"
    );
}
