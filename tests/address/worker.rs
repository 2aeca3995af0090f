//! Real workers and their supervisor's side of slot, area and pipe, for a sanitizer (`.ci/outside/address`). This very
//! program is the worker as well.

use std::time::Duration;

use soakproof::kernels::find;
use soakproof::model::{CpuId, Rhythm};
use soakproof::os::{Ended, SharedWords, WorkerChild, allowed_cpus, monotonic, wait};
use soakproof::worker::{Assignment, GroupLayout, Message, SLOT_WORDS, SlotReader};

const PATIENCE: Duration = Duration::from_secs(120);
const PASSES: u64 = 3;

#[test]
#[ignore = "the worker: started by the other tests"]
fn the_worker() {
    soakproof::worker::work().unwrap();
}

struct Crew {
    slots: Vec<SharedWords>,
    workers: Vec<WorkerChild>,
    // Held until the workers have ended.
    _area: SharedWords,
}

/// Workers of one load, one on each CPU and at most two.
fn start(kernels: &[&str], memory_bytes: u64) -> Crew {
    let specs: Vec<_> = kernels.iter().map(|name| find(name).unwrap()).collect();
    let layout = GroupLayout::of(&specs);
    let area = SharedWords::create(layout.words.max(1)).unwrap();
    let cpus: Vec<CpuId> = allowed_cpus().into_iter().take(2).collect();
    let count = u32::try_from(cpus.len()).unwrap();
    let slots: Vec<_> = cpus
        .iter()
        .map(|_| SharedWords::create(SLOT_WORDS).unwrap())
        .collect();
    let workers = (0..).zip(&cpus).zip(&slots).map(|((index, cpu), slot)| {
        let assignment = Assignment {
            parent: std::process::id(),
            cpu: *cpu,
            kernels: kernels.iter().map(|name| (*name).to_owned()).collect(),
            switch_ms: 0,
            rhythm: Rhythm::Even,
            memory_bytes,
            flush: true,
            reread_on: cpus.iter().copied().find(|other| other != cpu),
            epoch: monotonic(),
            index,
            count,
            slot: slot.descriptor(),
            area: (layout.words != 0).then(|| area.descriptor()),
        };
        let arguments = ["the_worker", "--exact", "--ignored", "--nocapture"].map(str::to_owned);
        let inherited = [slot.file(), area.file()];
        let text = serde_json::to_string(&assignment).unwrap();
        WorkerChild::spawn(&arguments, &inherited, &text).unwrap()
    });
    let workers = workers.collect();
    Crew {
        slots,
        workers,
        _area: area,
    }
}

/// Lets all work until each kernel has had its passes; none may be wrong, and all end when asked.
fn work(kernels: &[&str], memory_bytes: u64) {
    let mut crew = start(kernels, memory_bytes);
    let until = monotonic().plus(PATIENCE);
    let done = |slot: &SharedWords| {
        let passes = |kernel| SlotReader::counts(slot.words(), kernel).passes;
        (0..kernels.len()).all(|kernel| passes(kernel) >= PASSES)
    };
    while !crew.slots.iter().all(done) {
        assert!(monotonic() < until, "{kernels:?} do not get on");
        wait(Duration::from_millis(20));
    }
    for (slot, worker) in crew.slots.iter().zip(&mut crew.workers) {
        let mut ready = false;
        for line in worker.read_lines() {
            ready |= serde_json::from_str(&line).is_ok_and(|said: Message| said == Message::Ready);
        }
        assert!(ready, "nobody said so");
        let reports = SlotReader::new().new_reports(slot.words(), CpuId(0));
        assert!(reports.is_empty(), "{reports:?}");
        SlotReader::ask_stop(slot.words());
        worker.ask_to_end();
    }
    for worker in &mut crew.workers {
        let ended = loop {
            if let Some(ended) = worker.reap() {
                break ended;
            }
            assert!(monotonic() < until, "{kernels:?} do not end");
            wait(Duration::from_millis(20));
        };
        assert_eq!(ended, Ended::Status(0));
    }
}

#[test]
fn workers_compute_and_walk_and_end_when_asked() {
    work(&["int-streams.reg", "int-ntt.l1", "fma-f64.l1"], 0);
    work(&["march.memory", "copy.memory", "chase.memory"], 1 << 20);
    work(&["random-block.memory", "hold.memory"], 1 << 20);
}

#[test]
fn workers_that_share_an_area_exchange_data_in_it() {
    work(&["atomics.shared", "handover.shared", "publish.shared"], 0);
}
