//! A day of a run under 200 sensors through the real core and the real record, by a clock of its own: what the
//! process holds does not grow. `TMPDIR=/dev/shm` spares the disk its 86,400 commits.

use std::time::Duration;

use soakproof::model::{
    Channel, ChannelId, End, Entry, Moment, Mono, Quantity, Reading, Role, Wall, WorkerProgress,
};
use soakproof::run::core::{Action, Core, Event, Exit, Limits, Report, WorkerId};
use soakproof::store::Store;
use soakproof::verdict::judge;

use super::RunHeader;
use crate::grading::build::sound;

const SENSORS: u16 = 200;
const HOUR_S: u64 = 3_600;
/// More at the last hour than at the first is a leak: a thousandth of what the samples between take as text.
const MOST_GROWN_KIB: u64 = 4 * 1024;

/// A figure of this process in KiB (proc_pid_status(5)).
fn memory_kib(name: &str) -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix(name));
    let word = line.and_then(|rest| rest.split_whitespace().nth(1));
    word.and_then(|word| word.parse().ok()).expect(name)
}

/// The hour of the sound run stretched to a day, and a machine full of sensors.
fn header() -> RunHeader {
    let mut header = sound().header;
    let plan = &mut header.plan;
    plan.sample_period = Duration::from_secs(1);
    plan.stages[1].segments[0].length = Duration::from_secs(24 * HOUR_S);
    let quantities = [
        Quantity::Voltage,
        Quantity::Fan,
        Quantity::Power,
        Quantity::Clock,
    ];
    let first = header.channels[0].clone();
    let others = (1..SENSORS).map(|id| Channel {
        id: ChannelId(id),
        quantity: quantities[usize::from(id) % quantities.len()],
        role: Role::Unknown,
        source: format!("invented/{id}"),
        label: format!("sensor {id}"),
        ..first.clone()
    });
    header.channels.extend(others);
    header
}

struct Day {
    core: Core,
    store: Store,
    run: i64,
    workers: Vec<(WorkerId, WorkerProgress)>,
    samples: u64,
    ends: Vec<End>,
}

impl Day {
    fn now(second: u64) -> Moment {
        Moment {
            mono: Mono(1_000).plus(Duration::from_secs(second)),
            wall: Wall(1_767_323_040_000 + i64::try_from(second).unwrap() * 1_000),
        }
    }

    fn tell(&mut self, now: Moment, event: Event) {
        let actions = self.core.handle(now, event);
        let mut entries = Vec::new();
        let mut answers = Vec::new();
        for action in actions {
            match action {
                Action::Record(entry) => {
                    self.samples += u64::from(matches!(entry, Entry::Sample(_)));
                    if let Entry::End(end) = &entry {
                        self.ends.push(end.what.clone());
                    }
                    entries.push(entry);
                }
                Action::Start {
                    worker,
                    cpu,
                    load,
                    what,
                    ..
                } => {
                    let kernels = what.kernels.len();
                    let progress = WorkerProgress {
                        cpu,
                        load,
                        kernel: 0,
                        passes: vec![0; kernels],
                        checked_s: vec![0.0; kernels],
                        clock_mhz: vec![4_000.0; kernels],
                        part_walks: 0,
                        errors: 0,
                        load_steps: 1,
                        silent_ns: 0,
                        pausing: false,
                    };
                    self.workers.push((worker, progress));
                    answers.push(Event::Worker(worker, Report::Ready));
                }
                Action::Stop(id) => {
                    let at = self.workers.iter().position(|worker| worker.0 == id);
                    let (_, progress) = self.workers.remove(at.expect("a known worker"));
                    answers.push(Event::Exited(id, Exit::Clean, Some(progress)));
                }
                Action::SampleSoon | Action::Finish => {}
                Action::KillAll
                | Action::Examine(_)
                | Action::GiveBack { .. }
                | Action::StartProgram(..)
                | Action::StopProgram(_) => panic!("on a sound machine"),
            }
        }
        if !entries.is_empty() {
            self.store.append(self.run, &entries).unwrap();
            answers.push(Event::Stored(now.mono));
        }
        answers
            .into_iter()
            .for_each(|answer| self.tell(now, answer));
    }

    fn pass_a_second(&mut self, second: u64) {
        for (_, worker) in &mut self.workers {
            worker.passes.iter_mut().for_each(|passes| *passes += 20);
            worker
                .checked_s
                .iter_mut()
                .for_each(|seconds| *seconds += 0.5);
        }
        // Each sensor wanders by a way of its own, as digits that do not repeat.
        let readings = (0..SENSORS).map(|id| {
            let phase = f64::from(u32::try_from(second % 977).unwrap()) * 0.13 + f64::from(id);
            let value = if id == 0 && self.workers.is_empty() {
                40.0
            } else {
                70.0
            };
            Reading {
                channel: ChannelId(id),
                value: value + phase.sin(),
            }
        });
        let event = Event::Sampled {
            readings: readings.collect(),
            lost: Vec::new(),
            workers: self.workers.clone(),
        };
        self.tell(Self::now(second), event);
        self.tell(Self::now(second), Event::Tick);
    }
}

#[test]
#[ignore = "a campaign of minutes"]
fn a_day_under_200_sensors_holds_as_much_memory_at_its_end_as_after_an_hour() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let header = header();
    let run = store.begin_run(&header).unwrap();
    let core = Core::new(
        header.plan.clone(),
        header.machine.clone(),
        header.channels,
        Limits::default(),
    );
    let mut day = Day {
        core,
        store,
        run,
        workers: Vec::new(),
        samples: 0,
        ends: Vec::new(),
    };
    day.tell(Day::now(0), Event::Begin);
    let (mut second, mut after) = (0, Vec::new());
    while !day.core.is_over() {
        second += 1;
        assert!(second < 25 * HOUR_S, "it does not end");
        day.pass_a_second(second);
        if second.is_multiple_of(HOUR_S) {
            after.push(memory_kib("VmRSS"));
        }
    }
    let (first, last) = (after[0], after[after.len() - 1]);
    println!(
        "{} samples of {SENSORS} sensors in {} h",
        day.samples,
        after.len()
    );
    println!(
        "resident after hour 1: {first} KiB, after hour {}: {last} KiB",
        after.len()
    );
    assert_eq!(day.ends, [End::Complete]);
    assert!(
        after.len() == 24 && day.samples >= 24 * HOUR_S,
        "{}",
        day.samples
    );
    assert!(last <= first + MOST_GROWN_KIB, "grows: {after:?}");
    // For the verdict the whole of it is read back once.
    let record = day.store.record(run).unwrap();
    let grade = judge(&record).grade;
    println!(
        "judged {grade}; at most {} KiB for that",
        memory_kib("VmHWM")
    );
    assert_eq!(record.samples.len() as u64, day.samples);
}
