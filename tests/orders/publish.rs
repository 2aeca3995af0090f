//! The sequence lock under every order that the language's memory model allows: a module of
//! `kernels::contention::publish`, laid out by `.ci/outside/orders` over loom's atomics, with a record of two words
//! instead of 32. A sound machine must never be accused, whatever the order of its processor.

use loom::sync::Arc;
use loom::thread;

use super::*;

const LAST: u64 = 2;

fn board() -> Arc<Vec<AtomicU64>> {
    let words: Vec<_> = (0..LINE + RECORD).map(|_| AtomicU64::new(0)).collect();
    Board::new(&words).set_up();
    Arc::new(words)
}

#[test]
fn a_whole_record_fits_its_number_and_the_last_one_is_there_in_the_end() {
    let mut orders = loom::model::Builder::new();
    orders.preemption_bound = Some(3);
    orders.check(|| {
        let words = board();
        let shared = Arc::clone(&words);
        // The writer comes first: loom goes back from a load to the stores that it may overtake, but not from a
        // store to an earlier load where the writer has loaded the word itself in between.
        let reader = thread::spawn(move || {
            let (board, mut newest) = (Board::new(&shared), 0);
            for _ in 0..2 {
                if let Some(reading) = board.read() {
                    assert_eq!(reading.wrong, 0, "torn: {reading:?}");
                    assert!(reading.number >= newest, "backwards: {reading:?}");
                    newest = reading.number;
                }
            }
        });
        let board = Board::new(&words);
        let wrong = (1..=LAST).fold(0, |wrong, number| wrong | board.publish(number));
        assert_eq!(wrong, 0);
        reader.join().unwrap();
        assert_eq!(board.wrong_at_rest(LAST), 0);
    });
}

/// Told by nobody, and in a hurry.
struct Steady;

impl Beat for Steady {
    fn beat(&mut self, _: u32) -> Go {
        Go::On
    }
}

/// The next writer writes only after all have read, and sees what the one before wrote.
#[test]
fn who_leads_a_meeting_goes_on_last_and_who_follows_sees_all_that_was_written() {
    loom::model(|| {
        let lines: Arc<Vec<AtomicU64>> =
            Arc::new((0..2 * LINE).map(|_| AtomicU64::new(0)).collect());
        let words = board();
        let member = |index, words: &Arc<Vec<AtomicU64>>, lines: &Arc<Vec<AtomicU64>>| {
            let (count, pass) = (2, 0);
            let member = Member {
                index,
                count,
                pass,
                area: words,
            };
            let meeting = Meeting::new(&member, lines, 0);
            let (board, mut steady) = (Board::new(words), Steady);
            let mut wait = Wait::new(&mut steady, SHORT_SPIN);
            let mut wrong = 0;
            // Each leads once: first member 0 writes, then member 1.
            for (leader, number) in [(0, 1), (1, 2)] {
                if leader == index {
                    wrong |= board.publish(number);
                    assert!(meeting.lead(number, &mut wait) == Go::On);
                } else {
                    assert!(meeting.follow(leader as usize, number, &mut wait) == Go::On);
                }
            }
            wrong | board.wrong_at_rest(2)
        };
        let (others_words, others_lines) = (Arc::clone(&words), Arc::clone(&lines));
        let other = thread::spawn(move || member(1, &others_words, &others_lines));
        assert_eq!(member(0, &words, &lines), 0);
        assert_eq!(other.join().unwrap(), 0);
    });
}
