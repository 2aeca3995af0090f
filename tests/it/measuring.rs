//! `measure`: what is counted, what it is held against, how it is told. No test asserts how fast this
//! machine is.

use std::sync::atomic::AtomicBool;
use std::time::Duration;

use soakproof::kernels::limit::{Limit, LimitLoop};
use soakproof::kernels::memory::{MARCH_C_MINUS, MARCH_LR, MARCH_SS, Operation, Step};
use soakproof::kernels::{Body, KernelSpec, Work, catalogue, detect, find};
use soakproof::measure::{
    Bound, ClassFigure, KernelFigure, LimitFigure, MeasureError, Measured, MemoryLimits, OfLimit,
    RateUnit, Spread, Task, measure,
};
use soakproof::model::{InstructionSet, LoadClass, Machine};
use soakproof::os;
use soakproof::report::{Style, measured_json, measured_text};

fn task<'a>(names: &[&str], stop: &'a AtomicBool) -> Task<'a> {
    Task {
        cpus: os::allowed_cpus().into_iter().take(2).collect(),
        detected: detect(),
        kernels: names
            .iter()
            .map(|name| find(name).expect("a kernel"))
            .collect(),
        memory_bytes: 1 << 20,
        length: Duration::from_millis(500),
        stop,
    }
}

#[test]
fn every_kernel_says_what_a_round_does_or_waits_on_purpose() {
    for spec in catalogue() {
        for set in spec.paths {
            let work = (spec.work_a_round)(*set);
            let says = work != Work::NONE;
            assert!(says || spec.name == "hold.memory", "{} {set:?}", spec.name);
        }
    }
}

/// A product of n x n matrices takes 2 n^3 floating-point operations (Golub and Van Loan, Matrix
/// Computations, section 1.1): here 33 x 32 by 32 x 33, with the sums.
#[test]
fn the_matrix_product_counts_as_the_textbook_does() {
    let work = (find("matrix-exact.l1").expect("a kernel").work_a_round)(InstructionSet::Portable);
    assert_eq!(work.double_flops, 2 * 33 * 32 * 33);
}

/// FIPS 180-4: 64 rounds a block; the extension does two a time.
#[test]
fn a_hash_counts_in_blocks_where_there_is_an_instruction_for_it() {
    let work = find("hash-chain.reg").expect("a kernel").work_a_round;
    assert_eq!(work(InstructionSet::Sha).hash_blocks, 1);
    assert_eq!(work(InstructionSet::Sha).integer_operations, 0);
    assert!(work(InstructionSet::Portable).integer_operations >= 64 * 20);
}

/// Quartiles by definition 7 of Hyndman and Fan, Sample Quantiles in Statistical Packages (1996): those
/// of 1 to 5 are 2 and 4.
#[test]
fn a_spread_is_the_distance_of_the_quartiles_over_the_median() {
    let spread = Spread::of([5.0, 1.0, 4.0, 2.0, 3.0]);
    assert!((spread.median - 3.0).abs() < 1e-12);
    assert!((spread.spread - 2.0 / 3.0).abs() < 1e-12);
    let nothing = Spread::of([]);
    assert!(nothing.median == 0.0 && nothing.spread == 0.0);
}

#[test]
fn twice_the_turns_take_longer() {
    let detected = detect();
    let bare = Limit::ALL
        .iter()
        .filter_map(|limit| LimitLoop::new(*limit, InstructionSet::Portable, &detected));
    for bare in bare {
        let best = |turns: u64| {
            let spans = (0..5).map(|_| {
                let start = os::thread_cpu_ns();
                bare.run(turns);
                os::thread_cpu_ns() - start
            });
            spans.min().expect("five")
        };
        assert!(best(20_000) > best(2_000), "{:?}", bare.limit());
    }
}

/// One kernel of each shape, really run: figures are there, answers are right, no share is absurd.
#[test]
fn a_small_measurement_gives_every_figure() {
    let names = [
        "int-streams.reg",
        "matrix-exact.l1",
        "fma-f64.l1",
        "address.memory",
        "atomics.shared",
    ];
    let stop = AtomicBool::new(false);
    let measured = measure(&task(&names, &stop)).expect("two CPUs and little memory");
    assert!(!measured.any_wrong());
    let told: Vec<&str> = measured.kernels.iter().map(|kernel| kernel.name).collect();
    assert_eq!(told, names, "in the order of the classes");
    for kernel in &measured.kernels {
        let share = kernel.of_limit.map(|of_limit| of_limit.fraction.median);
        let compute = matches!(
            find(kernel.name).expect("a kernel").body,
            Body::Compute { .. }
        );
        let known = !compute || cfg!(target_arch = "x86_64");
        assert!(share.is_some() || !known, "{}", kernel.name);
        assert!(share.is_none_or(|share| share > 0.0), "{kernel:?}");
        // A core cannot do more than it can; the margin is for what disturbs the bare loop.
        assert!(
            !compute || share.is_none_or(|share| share < 1.5),
            "{kernel:?}"
        );
        assert!(kernel.rate_per_s > 0.0 && kernel.clock_mhz > 0.0);
        assert!(
            kernel
                .checking
                .is_none_or(|share| (0.0..1.0).contains(&share))
        );
    }
    assert!(measured.repeats >= soakproof::measure::REPEATS.0);
    assert!((0.0..=1.0).contains(&measured.lost_share));
    let classes: Vec<LoadClass> = measured.classes.iter().map(|class| class.class).collect();
    assert_eq!(classes, LoadClass::ALL);
}

/// A kernel whose known answer is changed by a bit stands for a machine that computes wrong.
#[test]
fn a_wrong_answer_met_on_the_way_is_told() {
    let right = find("int-streams.reg").expect("a kernel");
    let Body::Compute {
        arena_words,
        pass,
        answers,
    } = right.body
    else {
        panic!("it computes");
    };
    let mut changed = answers.to_vec();
    changed[0].answer[3] ^= 1;
    let wrong = KernelSpec {
        body: Body::Compute {
            arena_words,
            pass,
            answers: Box::leak(changed.into_boxed_slice()),
        },
        ..*right
    };
    let stop = AtomicBool::new(false);
    let mut task = task(&["float-chains.reg"], &stop);
    task.kernels.push(Box::leak(Box::new(wrong)));
    let measured = measure(&task).expect("one CPU");
    let told: Vec<(&str, bool)> = measured
        .kernels
        .iter()
        .map(|kernel| (kernel.name, kernel.wrong))
        .collect();
    assert_eq!(
        told,
        [("int-streams.reg", true), ("float-chains.reg", false)]
    );
}

/// Counted from the notation: an element moves a word once if it reads and once if it writes, whatever
/// it does to the line in between.
#[test]
fn a_march_moves_as_many_words_as_its_notation_says() {
    for named in [MARCH_C_MINUS, MARCH_LR, MARCH_SS] {
        let elements = named.march.steps().iter().filter_map(|step| match step {
            Step::Element(element) => Some(element.operations()),
            Step::Pause => None,
        });
        let moves = elements.map(|operations| {
            let any = |wanted: fn(&Operation) -> bool| u64::from(operations.iter().any(wanted));
            any(|operation| matches!(operation, Operation::Read(_)))
                + any(|operation| matches!(operation, Operation::Write(_)))
        });
        let bytes =
            (find("march.memory").expect("a kernel").work_a_round)(InstructionSet::Portable).bytes;
        assert_eq!(moves.sum::<u64>() * 8, bytes, "{}", named.name);
    }
}

#[test]
fn a_measurement_told_to_stop_gives_no_figures() {
    let stop = AtomicBool::new(true);
    let outcome = measure(&task(&["int-streams.reg", "address.memory"], &stop));
    assert!(matches!(outcome, Err(MeasureError::Stopped)), "{outcome:?}");
}

fn spread(median: f64) -> Spread {
    Spread {
        median,
        spread: 0.004,
    }
}

fn kernel(name: &'static str, class: LoadClass, unit: RateUnit, rate_per_s: f64) -> KernelFigure {
    KernelFigure {
        name,
        class,
        set: InstructionSet::Avx2,
        unit,
        rate_per_s,
        of_limit: Some(OfLimit {
            bound: Bound::Core(Limit::DoubleMultiplyAdd),
            fraction: spread(0.968),
        }),
        checking: Some(0.0061),
        clock_mhz: 4_649.7,
        wrong: false,
    }
}

fn invented() -> Measured {
    let mut waits = kernel("hold.memory", LoadClass::Memory, RateUnit::Passes, 1.9);
    waits.of_limit = None;
    waits.checking = None;
    let long = "rotated-background.memory";
    let mut walk = kernel(long, LoadClass::Memory, RateUnit::Bytes, 123.4e9);
    walk.of_limit = Some(OfLimit {
        bound: Bound::InPlacePass,
        fraction: spread(1.002),
    });
    Measured {
        cores: 8,
        repeats: 15,
        seconds: 31.0,
        lost_share: 0.002,
        probe_spread: 0.0004,
        limits: vec![LimitFigure {
            limit: Limit::DoubleMultiplyAdd,
            set: InstructionSet::Avx2,
            unit: RateUnit::DoubleFlops,
            per_cycle: spread(15.98),
        }],
        memory: MemoryLimits {
            in_place: spread(52.4e9),
            read: spread(33.2e9),
            copy: spread(45.0e9),
            bytes: 256 << 20,
        },
        kernels: vec![
            kernel(
                "fma-f64.l1",
                LoadClass::WideVector,
                RateUnit::DoubleFlops,
                71.9e9,
            ),
            waits,
            walk,
        ],
        classes: vec![ClassFigure {
            class: LoadClass::WideVector,
            kernel: "fma-f64.l1",
            slowest_mhz: 4_400.0,
            fastest_mhz: 4_650.0,
            scaling: Some(0.953),
        }],
    }
}

fn text(measured: &Measured) -> String {
    let machine = Machine {
        processor: "An Invented Processor With A Rather Long Name 9000".to_owned(),
        ..Machine::default()
    };
    measured_text(measured, &machine, Style::new(false, 80))
}

#[test]
fn the_table_says_what_it_means_in_eighty_columns_one_line_a_kernel() {
    let told = text(&invented());
    assert!(
        told.lines().all(|line| line.chars().count() <= 80),
        "{told}"
    );
    for kernel in &invented().kernels {
        let lines = told.lines().filter(|line| line.starts_with(kernel.name));
        assert_eq!(lines.count(), 1, "{told}");
    }
    for words in [
        "the load is a load",
        "71.9 Gflop/s      97 %   0.4 %  0.6 %",
        "all cores at fma-f64.l1: 4400 to 4650 MHz; 8 cores do 95.3 % of 8 times one",
        "15.98 flop a cycle",
        "52.4 GB/s inverted in place",
    ] {
        assert!(told.contains(words), "{words} in\n{told}");
    }
    assert!(!told.contains("other programs") && !told.contains("WRONG"));
}

#[test]
fn a_busy_machine_and_a_wrong_answer_are_said() {
    let mut measured = invented();
    measured.lost_share = 0.12;
    assert!(text(&measured).contains("other programs took 12 % of the time"));
    measured.lost_share = 0.0;
    measured.probe_spread = 0.02;
    assert!(text(&measured).contains("probes differ by 2 %"));
    measured.kernels[0].wrong = true;
    assert!(measured.any_wrong());
    let told = text(&measured);
    assert!(
        told.contains("WRONG") && told.contains("`soakproof run recheck`"),
        "{told}"
    );
}

#[test]
fn units_stand_in_the_keys() {
    let json = measured_json(&invented(), &Machine::default());
    assert_eq!(json["schema"], "soakproof.measure/1");
    assert_eq!(json["length_s"], 31.0);
    assert_eq!(json["memory"]["in_place_bytes_per_s"], 52.4e9);
    let first = &json["kernels"][0];
    assert_eq!(first["limit"], "double-multiply-add");
    assert_eq!(first["unit"], "double-flops");
    assert_eq!(first["share_of_limit"], 0.968);
    assert_eq!(first["clock_mhz"], 4_649.7);
    assert!(json["kernels"][1]["share_of_limit"].is_null());
    assert_eq!(json["classes"][0]["slowest_core_mhz"], 4_400.0);
}
