//! Memory runs short: walks give some back, in halves, not too often and not for ever, and say so.

use std::time::Duration;

use soakproof::model::{CpuId, Entry, Gap, GapKind, Mono, RunHeader};
use soakproof::run::core::{Action, Event, Limits, Report, Silence, WorkerId};

use crate::bench::{Bench, loaded};

const PLANNED: u64 = 1 << 30;

/// Two workers that walk a GiB each.
fn walking() -> RunHeader {
    let mut header = loaded();
    let segment = &mut header.plan.stages[0].segments[0];
    segment.length = Duration::from_secs(600);
    segment.loads[0].memory_bytes_per_worker = PLANNED;
    header
}

fn pressed(bench: &mut Bench, some_percent: f64, full_percent: f64) -> Vec<Action> {
    bench.warm(50.0);
    let confirmed = Mono(bench.ms * 1_000_000);
    bench.tell(Event::Stored(confirmed));
    bench.tell(Event::MemoryPressure {
        some_percent,
        full_percent,
    })
}

/// What each worker was told to keep.
fn kept(actions: &[Action]) -> Vec<(u32, u64)> {
    let kept = actions.iter().filter_map(|action| {
        if let Action::GiveBack { worker, keep_bytes } = action {
            Some((worker.0, *keep_bytes))
        } else {
            None
        }
    });
    kept.collect()
}

fn gaps(bench: &Bench) -> Vec<&Gap> {
    let gaps = bench.said.iter().filter_map(|action| {
        if let Action::Record(Entry::Gap(gap)) = action {
            Some(gap)
        } else {
            None
        }
    });
    gaps.collect()
}

#[test]
fn a_walk_gives_half_back_when_programs_wait_for_memory() {
    let mut bench = Bench::running(&walking());
    bench.after(11_000);
    let actions = pressed(&mut bench, 20.0, 3.0);
    assert_eq!(kept(&actions), [(0, PLANNED / 2), (1, PLANNED / 2)]);
    let [gap] = gaps(&bench)[..] else {
        panic!("{:?}", bench.said);
    };
    assert_eq!(gap.kind, GapKind::LessMemory);
    assert!(gap.about.contains("`all`"), "{gap:?}");
    assert!(gap.about.contains("1/2"), "{gap:?}");
}

#[test]
fn nothing_is_given_back_under_the_limits_nor_by_loads_without_memory() {
    let mut bench = Bench::running(&walking());
    bench.after(11_000);
    assert_eq!(kept(&pressed(&mut bench, 19.9, 39.9)), []);
    let mut bench = Bench::running(&loaded());
    bench.after(4_000);
    assert_eq!(kept(&pressed(&mut bench, 90.0, 90.0)), []);
    assert!(gaps(&bench).is_empty());
}

#[test]
fn taking_the_memory_is_no_shortage_unless_everything_waits() {
    let mut bench = Bench::new(&walking(), Limits::default());
    bench.tell(Event::Begin);
    bench.warm(50.0);
    assert_eq!(kept(&pressed(&mut bench, 95.0, 39.0)), []);
    bench.tell(Event::Worker(WorkerId(0), Report::Ready));
    bench.tell(Event::Worker(WorkerId(1), Report::Ready));
    bench.after(500).tell(Event::Tick);
    bench.after(9_000);
    assert_eq!(kept(&pressed(&mut bench, 95.0, 39.0)), []);
    // Before any worker was ready, when the machine is about to stand still.
    let mut bench = Bench::new(&walking(), Limits::default());
    bench.tell(Event::Begin);
    bench.warm(50.0);
    assert_eq!(kept(&pressed(&mut bench, 95.0, 40.0)).len(), 2);
}

#[test]
fn what_was_given_back_shows_in_ten_seconds_and_a_sixteenth_is_kept() {
    let mut bench = Bench::running(&walking());
    let mut kept_by_first = vec![];
    for _ in 0..100 {
        bench.after(1_000);
        let kept = kept(&pressed(&mut bench, 80.0, 60.0));
        kept_by_first.extend(kept.first().map(|(_, bytes)| (bench.ms, PLANNED / bytes)));
    }
    let parts: Vec<u64> = kept_by_first.iter().map(|(_, part)| *part).collect();
    assert_eq!(parts, [2, 4, 8, 16]);
    let spaced = kept_by_first
        .windows(2)
        .all(|two| two[1].0 - two[0].0 == 10_000);
    assert!(spaced, "{kept_by_first:?}");
    let told = gaps(&bench).into_iter();
    let told = told.filter(|gap| gap.kind == GapKind::LessMemory);
    assert_eq!(told.count(), 4);
}

#[test]
fn held_memory_is_read_back_by_the_other_core() {
    let mut bench = Bench::new(&walking(), Limits::default());
    bench.tell(Event::Begin);
    let readers = bench.warm(50.0).into_iter().filter_map(|action| {
        if let Action::Start { cpu, reread_on, .. } = action {
            Some((cpu, reread_on))
        } else {
            None
        }
    });
    let readers: Vec<_> = readers.collect();
    let (one, other) = (CpuId(0), CpuId(1));
    assert_eq!(readers, [(one, Some(other)), (other, Some(one))]);
}

#[test]
fn only_who_walks_and_goes_on_gives_memory_back() {
    let mut header = walking();
    let loads = &mut header.plan.stages[0].segments[0].loads;
    let mut computes = loads[0].clone();
    loads[0].cpus = vec![CpuId(0)];
    (computes.cpus, computes.memory_bytes_per_worker) = (vec![CpuId(1)], 0);
    loads.push(computes);
    let mut bench = Bench::running(&header);
    bench.after(11_000);
    assert_eq!(kept(&pressed(&mut bench, 50.0, 0.0)), [(0, PLANNED / 2)]);

    let mut bench = Bench::running(&walking());
    bench.tell(Event::Examined(WorkerId(0), Silence::Running));
    bench.after(11_000);
    assert_eq!(kept(&pressed(&mut bench, 50.0, 0.0)), [(1, PLANNED / 2)]);
}

#[test]
fn the_next_segment_starts_with_all_its_memory() {
    let mut header = walking();
    let segments = &mut header.plan.stages[0].segments;
    segments[0].length = Duration::from_secs(20);
    segments.push(segments[0].clone());
    let mut bench = Bench::running(&header);
    bench.after(11_000);
    assert_eq!(kept(&pressed(&mut bench, 50.0, 0.0)).len(), 2);
    bench.after(9_000).warm(50.0);
    bench.leave_both();
    bench.tell(Event::Worker(WorkerId(2), Report::Ready));
    bench.tell(Event::Worker(WorkerId(3), Report::Ready));
    bench.after(500).tell(Event::Tick);
    bench.after(11_000);
    let half = PLANNED / 2;
    assert_eq!(
        kept(&pressed(&mut bench, 50.0, 0.0)),
        [(2, half), (3, half)]
    );
}
