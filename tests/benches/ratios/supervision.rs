//! What watching costs: a round of a hundred sensors, a heartbeat, a worker from its start to its first
//! sign of life.

use std::fs;
use std::os::fd::AsFd;

use soakproof::model::{CpuId, Rhythm};
use soakproof::os::{self, Root, SharedWords, WorkerChild};
use soakproof::sensors::{InstrumentOptions, Instruments};
use soakproof::worker::{Assignment, SLOT_WORDS, SlotReader, SlotWriter};

use super::clockwork::{best_s, median_of, nanoseconds};

/// Files of the fixture: five chips of twenty thermometers.
const CHIPS: usize = 5;
const FILES_A_CHIP: usize = 20;
/// Heartbeats of one window.
const BEATS: u32 = 100_000;
/// Workers started one after another.
const STARTS: usize = 15;
/// Longest wait for a worker.
const PATIENCE_S: u64 = 5;

/// Microseconds of one round over a hundred files.
pub(crate) fn sampling_us() -> f64 {
    let folder = tempfile::tempdir().expect("a folder for the fixture");
    for chip in 0..CHIPS {
        let path = folder.path().join(format!("sys/class/hwmon/hwmon{chip}"));
        fs::create_dir_all(&path).expect("a folder for a chip");
        fs::write(path.join("name"), "invented\n").expect("its name");
        for item in 1..=FILES_A_CHIP {
            fs::write(path.join(format!("temp{item}_input")), "45000\n").expect("a reading");
        }
    }
    let root = Root::simulated(folder.path());
    let mut instruments = Instruments::open(&root, &InstrumentOptions::default(), os::moment());
    assert_eq!(instruments.channels().len(), CHIPS * FILES_A_CHIP);
    let round = || {
        best_s(|| {
            let (readings, lost) = instruments.read(os::moment());
            assert!(lost.is_empty() && readings.len() == CHIPS * FILES_A_CHIP);
        })
    };
    median_of(round) * 1e6
}

/// Nanoseconds of one heartbeat with its timestamp.
pub(crate) fn heartbeat_ns() -> f64 {
    let slot = SharedWords::create(SLOT_WORDS).expect("a page for a slot");
    let writer = SlotWriter::new(slot.words());
    let window = || {
        best_s(|| {
            for step in 0..BEATS {
                writer.beat(os::monotonic(), step);
            }
        })
    };
    median_of(window) * 1e9 / f64::from(BEATS)
}

/// Milliseconds from the start of a worker to its first heartbeat: the median of some.
pub(crate) fn first_beat_ms() -> f64 {
    let mut waits: Vec<f64> = (0..STARTS).map(|_| start_one()).collect();
    waits.sort_by(f64::total_cmp);
    waits[STARTS / 2]
}

fn start_one() -> f64 {
    let slot = SharedWords::create(SLOT_WORDS).expect("a page for a slot");
    // Not where this thread is likely to be waiting for it.
    let cpu = os::allowed_cpus().last().copied().unwrap_or(CpuId(0));
    let assignment = Assignment {
        parent: std::process::id(),
        cpu,
        kernels: vec!["int-streams.reg".to_owned()],
        switch_ms: 0,
        rhythm: Rhythm::Even,
        memory_bytes: 0,
        flush: false,
        reread_on: None,
        epoch: os::monotonic(),
        index: 0,
        count: 1,
        slot: slot.descriptor(),
        area: None,
    };
    let text = serde_json::to_string(&assignment).expect("plain data");
    let start = os::raw_ns();
    let child = WorkerChild::spawn(&[super::WORKER.to_owned()], &[slot.file().as_fd()], &text)
        .expect("a worker");
    while SlotReader::last_beat(slot.words()).is_none() {
        assert!(
            os::raw_ns() - start < PATIENCE_S * 1_000_000_000,
            "no heartbeat within {PATIENCE_S} s"
        );
        std::hint::spin_loop();
    }
    let waited = nanoseconds(os::raw_ns() - start) * 1e-6;
    child.ask_to_end();
    drop(child);
    waited
}
