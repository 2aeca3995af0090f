//! The ratio table of the project, row by row, both sides in one run: `cargo bench --bench ratios`. It puts
//! full load on this machine for about two minutes. Ratios hold on any machine that has the unit; absolute
//! times do for a present one. Rows for units that the processor lacks are told and skipped. The exit
//! status is 1 when a row is worse than its alarm.
//!
//! Nothing else should run beside it: what other programs took is told at the end.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a program for people that stops at the first thing that cannot be"
)]

mod clockwork;
mod compute;
mod supervision;
mod walks;

use std::process::ExitCode;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use soakproof::kernels::{catalogue, detect};
use soakproof::measure::{Measured, Task, measure};
use soakproof::model::{CpuId, InstructionSet, LoadClass};
use soakproof::os::{self, LoadLock, Root};
use soakproof::sensors::read_machine;

/// Argument that makes this program a worker: workers are started from the executable that runs.
const WORKER: &str = "worker";
/// Time for the rates of all kernels.
const LENGTH: Duration = Duration::from_secs(60);
const WALKED_BYTES: usize = 256 << 20;

/// One row of the table.
struct Row {
    what: String,
    /// None where this machine lacks the unit or there is no such kernel.
    figure: Option<f64>,
    target: f64,
    alarm: f64,
    better: Better,
}

/// Which way a figure is good.
#[derive(PartialEq)]
enum Better {
    Higher,
    /// Lower, with the unit of the figure.
    Lower(&'static str),
}

impl Row {
    fn ratio(what: &str, figure: Option<f64>, (target, alarm): (f64, f64)) -> Self {
        Self {
            what: what.to_owned(),
            figure,
            target,
            alarm,
            better: Better::Higher,
        }
    }

    fn at_most(what: &str, figure: f64, (target, alarm): (f64, f64), unit: &'static str) -> Self {
        Self {
            what: what.to_owned(),
            figure: Some(figure),
            target,
            alarm,
            better: Better::Lower(unit),
        }
    }

    /// `met`, `under target`, `ALARM` or `not here`.
    fn state(&self) -> &'static str {
        let worse = |figure: f64, bound: f64| match self.better {
            Better::Higher => figure < bound,
            Better::Lower(_) => figure > bound,
        };
        match self.figure {
            None => "not here",
            Some(figure) if !figure.is_finite() || worse(figure, self.alarm) => "ALARM",
            Some(figure) if worse(figure, self.target) => "under target",
            Some(_) => "met",
        }
    }

    fn print(&self) {
        let unit = match self.better {
            Better::Higher => "",
            Better::Lower(unit) => unit,
        };
        let figure = self
            .figure
            .map_or_else(|| "-".to_owned(), |figure| format!("{figure:.3}"));
        println!(
            "{:<52} {figure:>9} {:>7} {:>7} {unit:<3} {}",
            self.what,
            self.target,
            self.alarm,
            self.state()
        );
    }
}

fn main() -> ExitCode {
    if std::env::args().nth(1).as_deref() == Some(WORKER) {
        return match soakproof::worker::work() {
            Ok(()) => ExitCode::SUCCESS,
            Err(_) => ExitCode::FAILURE,
        };
    }
    let _lock = LoadLock::take().expect("no other load on this machine");
    println!("full load for about two minutes: save your work and mind the maker's limits");
    println!(
        "{:<52} {:>9} {:>7} {:>7}",
        "ratio", "figure", "target", "alarm"
    );
    let mut rows = Vec::new();
    let mut add = |row: Row| {
        row.print();
        rows.push(row);
    };
    let all = measured();
    supervision_rows(&mut add);
    if let Some(cpu) = os::allowed_cpus().first() {
        os::pin_to(*cpu).expect("a CPU that is allowed");
    }
    kernel_rows(&all, &mut add);
    compute::rows(&mut add);
    walks::rows(&mut add);
    println!(
        "other programs took {:.1} % of the time; clock probes differed by {:.2} %",
        all.lost_share * 100.0,
        all.probe_spread * 100.0
    );
    if rows.iter().any(|row| row.state() == "ALARM") {
        ExitCode::FAILURE
    } else {
        ExitCode::SUCCESS
    }
}

fn measured() -> Measured {
    let stop = AtomicBool::new(false);
    let detected = detect();
    let machine = read_machine(&Root::real(), &os::allowed_cpus(), detected.sets());
    let mut cores = Vec::new();
    let mut cpus: Vec<CpuId> = Vec::new();
    for cpu in &machine.cpus {
        if !cores.contains(&cpu.core) {
            cores.push(cpu.core);
            cpus.push(cpu.id);
        }
    }
    let task = Task {
        cpus,
        detected,
        kernels: catalogue(),
        memory_bytes: WALKED_BYTES,
        length: LENGTH,
        stop: &stop,
    };
    measure(&task).expect("nothing stops it")
}

fn supervision_rows(add: &mut impl FnMut(Row)) {
    let files = supervision::sampling_us();
    add(Row::at_most(
        "sampling 100 files",
        files,
        (300.0, 600.0),
        "us",
    ));
    let beat = supervision::heartbeat_ns();
    add(Row::at_most("heartbeat", beat, (50.0, 100.0), "ns"));
    let start = supervision::first_beat_ms();
    add(Row::at_most(
        "start to first heartbeat",
        start,
        (2.0, 10.0),
        "ms",
    ));
    let spread = compute::probe_spread();
    add(Row::at_most(
        "clock probe spread",
        spread * 100.0,
        (0.1, 0.5),
        "%",
    ));
}

/// Rows that are shares of a limit, or of so many times one core, as `measure` gives them.
fn kernel_rows(all: &Measured, add: &mut impl FnMut(Row)) {
    let wide = |name: &str, set: InstructionSet| {
        let mut kernels = all.kernels.iter();
        let kernel = kernels.find(|kernel| kernel.name == name && kernel.set == set)?;
        Some(kernel.of_limit?.fraction.median)
    };
    for (set, double, single, second) in [
        (InstructionSet::Avx2, 0.96, 0.95, 0.93),
        (InstructionSet::Avx512, 0.97, 0.97, 0.95),
    ] {
        let rows = [
            ("fma-f64.l1", double, 0.90),
            ("fma-f32.l1", single, 0.90),
            ("fma-f64.l2", second, 0.87),
        ];
        for (name, target, alarm) in rows {
            let what = format!("{name}, verified, {}, of peak", set.words());
            add(Row::ratio(&what, wide(name, set), (target, alarm)));
        }
    }
    let best = |class: LoadClass, bound| {
        let kernels = all.kernels.iter().filter(|kernel| kernel.class == class);
        let shares = kernels.filter_map(|kernel| kernel.of_limit);
        let shares = shares.filter(|of_limit| of_limit.bound == bound);
        shares
            .map(|of_limit| of_limit.fraction.median)
            .reduce(f64::max)
    };
    use soakproof::measure::{Bound, Limit};
    let scalar = best(
        LoadClass::ScalarFloat,
        Bound::Core(Limit::DoubleMultiplyAdd),
    );
    add(Row::ratio(
        "scalar multiply-add of peak",
        scalar,
        (0.95, 0.90),
    ));
    let mixed = best(LoadClass::ScalarInteger, Bound::Core(Limit::Dispatch));
    add(Row::ratio(
        "mixed integer of the core's width",
        mixed,
        (0.85, 0.75),
    ));
    let alu = best(LoadClass::ScalarInteger, Bound::Core(Limit::IntegerAlu));
    add(Row::ratio(
        "integer additions and logic of their limit",
        alu,
        (0.90, 0.80),
    ));
    let scaling = |class: LoadClass| {
        let mut classes = all.classes.iter();
        classes.find(|figure| figure.class == class)?.scaling
    };
    let compute = scaling(LoadClass::WideVector);
    add(Row::ratio(
        "all cores against one each: computing",
        compute,
        (0.97, 0.93),
    ));
    let memory = scaling(LoadClass::Memory);
    add(Row::ratio(
        "all cores against one each: memory",
        memory,
        (0.90, 0.80),
    ));
}
