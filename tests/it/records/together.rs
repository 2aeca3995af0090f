//! Several processes on one store: openings and writers of a run exclude each other and none fails.

use soakproof::model::Entry;
use soakproof::store::Store;

use super::paper::{header, sample};

#[test]
fn several_may_open_a_new_store_and_write_at_the_same_time() {
    // Many new folders: each gives the openers one chance to meet in the middle of a switch.
    for _ in 0..25 {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path();
        std::thread::scope(|scope| {
            for n in 0..4 {
                scope.spawn(move || {
                    let mut store = Store::open(path).unwrap();
                    store.begin_run(&header(&format!("id-{n}"), "")).unwrap();
                    for second in 0..5 {
                        store.append(1, &[Entry::Sample(sample(second))]).unwrap();
                    }
                });
            }
        });
        let store = Store::open(path).unwrap();
        assert_eq!(store.runs().unwrap().len(), 4);
        assert_eq!(store.record(1).unwrap().samples.len(), 20);
    }
}
