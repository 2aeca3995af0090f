//! The slot under every order that the language's memory model allows: a module of `worker::slot`, laid out by
//! `.ci/outside/orders` over loom's atomics, with a ring of two places instead of 32.

use loom::sync::Arc;
use loom::thread;

use super::tests::numbered;
use super::*;

/// One more than the ring holds, so that the writer writes over what the reader may be reading.
const REPORTS: u64 = 3;

/// The supervisor's side, with all that must be so of what it reads.
struct Reading {
    words: Arc<Vec<AtomicU64>>,
    reader: SlotReader,
    last: u64,
}

impl Reading {
    fn look(&mut self) {
        for report in self.reader.new_reports(&self.words, CpuId(0)) {
            let SlotReport::Memory(0, fault) = report else {
                panic!("{report:?}");
            };
            assert_eq!(fault, numbered(fault.pass), "torn");
            assert!(fault.pass > self.last, "a second time, or out of order");
            self.last = fault.pass;
        }
        let (_, errors, _, _) = SlotReader::state(&self.words);
        assert!(errors >= self.last, "read before it was counted");
    }
}

#[test]
fn a_report_is_whole_comes_once_and_the_newest_is_never_lost() {
    let mut orders = loom::model::Builder::new();
    orders.preemption_bound = Some(2);
    orders.check(|| {
        let words: Arc<Vec<AtomicU64>> =
            Arc::new((0..SLOT_WORDS).map(|_| AtomicU64::new(0)).collect());
        let written = Arc::clone(&words);
        let writer = thread::spawn(move || {
            let slot = SlotWriter::new(&written);
            (1..=REPORTS).for_each(|number| slot.wrong_memory(0, &numbered(number)));
        });
        let mut reading = Reading {
            words,
            reader: SlotReader::new(),
            last: 0,
        };
        reading.look();
        reading.look();
        writer.join().unwrap();
        reading.look();
        assert_eq!(reading.last, REPORTS, "the newest was lost");
    });
}
