//! Suites: the built-in ones hold what they promise, and every mistake is named with its place.

#![expect(
    clippy::disallowed_methods,
    reason = "tests read and update golden files"
)]

mod limits;

use std::time::Duration;

use proptest::prelude::*;
use soakproof::form::{parse_duration, render_duration};
use soakproof::model::{Cpu, CpuId, LoadClass, Machine, MemoryShare, Plan, Rhythm};
use soakproof::suite::{
    KernelBody, KernelFact, MARGIN, Placement, StageSpec, Suite, builtin, builtin_names,
    known_kernels, needed_exposure_s, parse_suite, planned_exposure, resolve_suite, spare_memory,
};

const GIB: u64 = 1 << 30;

/// The kernels that suites may name, written down here so that these tests do not move with them.
fn kernels() -> Vec<KernelFact> {
    use KernelBody::{Compute, Group, Walk};
    use LoadClass::{Contention, Memory, ScalarFloat, ScalarInteger, WideVector};
    let list: [(&str, LoadClass, KernelBody); 27] = [
        ("int-streams.reg", ScalarInteger, Compute),
        ("int-streams.l1", ScalarInteger, Compute),
        ("int-ntt.l1", ScalarInteger, Compute),
        ("int-divide.reg", ScalarInteger, Compute),
        ("hash-chain.reg", ScalarInteger, Compute),
        ("float-chains.reg", ScalarFloat, Compute),
        ("matrix-exact.l1", ScalarFloat, Compute),
        ("fma-scalar.l1", ScalarFloat, Compute),
        ("fma-f64.l1", WideVector, Compute),
        ("fma-f64.l2", WideVector, Compute),
        ("fma-f64.llc", WideVector, Compute),
        ("fma-f32.l1", WideVector, Compute),
        ("product-f64.l1", WideVector, Compute),
        ("product-f32.l1", WideVector, Compute),
        ("vec-int.l1", WideVector, Compute),
        ("vec-int52.l1", WideVector, Compute),
        ("all-units.l1", WideVector, Compute),
        ("march.memory", Memory, Walk),
        ("address.memory", Memory, Walk),
        ("rotated-background.memory", Memory, Walk),
        ("random-block.memory", Memory, Walk),
        ("copy.memory", Memory, Walk),
        ("chase.memory", Memory, Walk),
        ("hold.memory", Memory, Walk),
        ("atomics.shared", Contention, Group),
        ("handover.shared", Contention, Group),
        ("publish.shared", Contention, Group),
    ];
    let facts = list.map(|(name, class, body)| KernelFact {
        name: name.to_string(),
        class,
        body,
    });
    facts.to_vec()
}

/// An invented machine with `threads` logical CPUs on each core; siblings are numbered apart, as
/// Linux commonly numbers them.
fn machine(cores: u32, threads: u32, installed: u64, available: u64) -> Machine {
    let cpus = (0..cores * threads).map(|id| Cpu {
        id: CpuId(id),
        core: id % cores,
        package: 0,
        kind: None,
    });
    Machine {
        cpus: cpus.collect(),
        memory_bytes: installed,
        memory_available_bytes: available,
        ..Machine::default()
    }
}

fn shipped(name: &str) -> Suite {
    let suite = builtin(name).expect("a built-in suite");
    parse_suite(suite.origin, suite.text, &kernels()).unwrap_or_else(|error| panic!("{error}"))
}

fn fitted(name: &str, machine: &Machine) -> Plan {
    resolve_suite(&shipped(name), machine, &kernels()).unwrap_or_else(|error| panic!("{error}"))
}

const ONE_STAGE: &str = "about = \"x\"\nasserts = [\"answers\"]\n[[stage]]\nname = \"a\"\n";

fn parsed(text: &str) -> Suite {
    parse_suite("suites/x.toml", text, &kernels()).unwrap_or_else(|error| panic!("{error}"))
}

fn mistakes(text: &str) -> String {
    let error = parse_suite("suites/x.toml", text, &kernels()).expect_err("a mistake");
    error.to_string()
}

#[test]
fn every_built_in_suite_fits_small_and_large_machines() {
    let machines = [
        machine(1, 1, 2 * GIB, 3 * GIB / 2),
        machine(2, 1, 16 * GIB, 14 * GIB),
        machine(64, 2, 512 * GIB, 500 * GIB),
        machine(128, 1, 512 * GIB, 500 * GIB),
    ];
    for name in builtin_names() {
        for machine in &machines {
            let plan = fitted(name, machine);
            assert_eq!(plan.suite, name);
            assert_eq!(plan.length(), shipped(name).length(), "{name}");
        }
    }
}

#[test]
fn built_in_suites_take_the_time_that_they_state() {
    let minutes = [
        ("smoke", 1),
        ("recheck", 10),
        ("hour", 80),
        ("handover", 120),
        ("overnight", 480),
        ("memory", 360),
    ];
    assert_eq!(minutes.map(|(name, _)| name).to_vec(), builtin_names());
    for (name, minutes) in minutes {
        assert_eq!(
            shipped(name).length(),
            Duration::from_mins(minutes),
            "{name}"
        );
    }
}

#[test]
fn built_in_claims_are_within_reach_with_the_margin() {
    for machine in [
        machine(2, 1, 16 * GIB, 14 * GIB),
        machine(64, 2, 512 * GIB, 500 * GIB),
    ] {
        for name in builtin_names() {
            let plan = fitted(name, &machine);
            let planned = planned_exposure(&plan, &machine, &kernels());
            let Some(claim) = &plan.claim else {
                assert!(["smoke", "recheck"].contains(&name), "{name} has no claim");
                continue;
            };
            let needed = |claim_s: f64| MARGIN * needed_exposure_s(claim_s, claim.confidence);
            if let Some(total_s) = claim.total_s {
                assert!(planned.total_s >= needed(total_s), "{name} in total");
            }
            for (class, claim_s) in &claim.per_class_s {
                assert!(
                    planned.class_s(*class) >= needed(*claim_s),
                    "{name} {class}"
                );
            }
        }
    }
}

#[test]
fn every_built_in_suite_has_sparse_bursts_and_an_idle_beginning_and_end() {
    for name in builtin_names() {
        let suite = shipped(name);
        let mut loads = suite.stages.iter().flat_map(|stage| &stage.loads);
        assert!(
            loads.any(|load| matches!(load.rhythm, Rhythm::Sparse { .. })),
            "{name}"
        );
        let ends = [suite.stages.first(), suite.stages.last()];
        let idle = |end: &Option<&StageSpec>| end.is_some_and(|stage| stage.loads.is_empty());
        assert!(ends.iter().all(idle), "{name}");
        let times: Vec<Duration> = suite.stages.iter().map(|stage| stage.time).collect();
        let loaded = &times[1..times.len() - 1];
        assert!(loaded.is_sorted(), "stages of {name} grow: {loaded:?}");
    }
}

#[test]
fn smoke_touches_every_class_and_every_rhythm_on_a_single_core() {
    let machine = machine(1, 1, 2 * GIB, 3 * GIB / 2);
    let planned = planned_exposure(&fitted("smoke", &machine), &machine, &kernels());
    for class in LoadClass::ALL {
        assert!(planned.class_s(class) > 0.0, "{class}");
    }
    let suite = shipped("smoke");
    let loads = suite.stages.iter().flat_map(|stage| &stage.loads);
    let rhythms: Vec<Rhythm> = loads.map(|load| load.rhythm).collect();
    assert!(rhythms.contains(&Rhythm::Even));
    assert!(rhythms.iter().any(|r| matches!(
        r,
        Rhythm::Pulsed {
            on_ms: 250,
            off_ms: 250
        }
    )));
    assert!(rhythms.iter().any(|r| matches!(r, Rhythm::Sparse { .. })));
}

#[test]
fn a_thermometer_is_needed_over_fifteen_minutes_of_load() {
    let machine = machine(2, 1, 16 * GIB, 14 * GIB);
    let needs: Vec<bool> = builtin_names()
        .iter()
        .map(|name| fitted(name, &machine).needs_thermometer)
        .collect();
    assert_eq!(needs, [false, false, true, true, true, true]);
    for (time, needed) in [("15min", false), ("15min1s", true)] {
        let text = format!("{ONE_STAGE}time = \"{time}\"\n{LOAD}");
        let plan = resolve_suite(&parsed(&text), &machine, &kernels()).unwrap();
        assert_eq!(plan.needs_thermometer, needed, "{time}");
    }
}

#[test]
fn the_kernels_of_the_program_are_what_suites_take_them_for() {
    let assumed = kernels();
    let known = known_kernels();
    for kernel in &known {
        let listed = assumed.iter().find(|fact| fact.name == kernel.name);
        assert!(
            listed.is_none_or(|fact| fact == kernel),
            "{kernel:?}, listed as {listed:?}"
        );
    }
    assert!(known.iter().any(|kernel| kernel.body == KernelBody::Walk));
}

#[test]
fn the_example_suite_of_the_readme_is_right() {
    let readme =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).unwrap();
    let mut blocks = readme.split("```toml\n").skip(1);
    let after = blocks.find(|text| text.starts_with("about = \"half an hour"));
    let (example, _) = after.unwrap().split_once("```").unwrap();
    let suite = parsed(example);
    let plan = resolve_suite(&suite, &machine(2, 1, 16 * GIB, 14 * GIB), &kernels()).unwrap();
    assert_eq!(plan.load_length(), Duration::from_mins(30));
}

#[test]
fn all_mistakes_of_a_file_are_told_at_once() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/suites");
    let text = std::fs::read_to_string(format!("{folder}/many-mistakes.toml")).unwrap();
    let said = parse_suite("suites/many-mistakes.toml", &text, &kernels()).unwrap_err();
    let said = format!("{said}\n");
    let golden = format!("{folder}/many-mistakes.txt");
    if std::env::var("SOAKPROOF_GOLDEN").as_deref() == Ok("write") {
        std::fs::write(&golden, &said).unwrap();
    }
    assert_eq!(said, std::fs::read_to_string(&golden).unwrap());
}

/// Each mistake of a program, with its place.
#[test]
fn a_program_is_checked_whole() {
    let program =
        |rest: &str| format!("{ONE_STAGE}time = \"9s\"\n[[stage.program]]\nname = \"p\"\n{rest}");
    let good = "command = [\"/bin/true\"]\nlimit = \"9s\"\n";
    let suite = parse_suite("suites/x.toml", &program(good), &kernels()).unwrap();
    let planned = &suite.stages[0].programs[0];
    assert_eq!(
        (planned.times, planned.limit),
        (None, Duration::from_secs(9))
    );
    let plan = resolve_suite(&suite, &machine(2, 1, 16 * GIB, 14 * GIB), &kernels()).unwrap();
    assert_eq!(plan.stages[0].segments[0].programs.len(), 1);
    assert!(!plan.stages[0].is_idle());
    for (keys, expected) in [
        (String::new(), "6:1: the program has no `command`"),
        (String::new(), "6:1: the program has no `limit`"),
        (
            good.replace("/bin/true", "true"),
            "8:12: `true` is no full path: write it like `/usr/bin/make`",
        ),
        (
            good.replace("\"/bin/true\"", ""),
            "8:11: `command` is empty",
        ),
        (
            good.replace("9s", "25h"),
            "9:9: `limit` is `25h`; it must be from 1s to 24h",
        ),
        (
            format!("{good}user = \"root\"\n"),
            "10:8: `user` must name a user without special rights",
        ),
        (
            format!("{good}folder = \"here\"\n"),
            "10:10: `folder` must be a full path",
        ),
        (format!("{good}times = 0\n"), "10:9: `times`"),
        (format!("{good}tiems = 1\n"), "did you mean `times`?"),
        (
            format!("{good}sha256 = \"abc\"\n"),
            "10:10: `sha256` has 64 hexadecimal digits",
        ),
        (
            format!("{good}sha256 = \"abc\"\n"),
            "10:10: `sha256` of what? name the file with `output`",
        ),
        (
            format!("{good}[[stage.program]]\nname = \"p\"\n{good}"),
            "10:1: a second program of the stage is called `p`",
        ),
        (
            format!("{good}[[stage.load]]\nkernels = [\"fma-f64.l1\"]\ncores = \"one-by-one\"\n"),
            "6:1: a program cannot run beside cores that take turns",
        ),
    ] {
        let said = mistakes(&program(&keys));
        assert!(said.contains(expected), "{expected:?} in\n{said}");
    }
}

/// One load that is right.
const LOAD: &str = "[[stage.load]]\nkernels = [\"fma-f64.l1\"]\ncores = \"all\"\n";

#[test]
#[expect(clippy::too_many_lines, reason = "a table of cases")]
fn each_mistake_is_told_with_its_place_and_what_would_be_right() {
    let stage = |rest: &str| format!("{ONE_STAGE}{rest}");
    let load = |rest: &str| format!("{ONE_STAGE}time = \"9s\"\n[[stage.load]]\n{rest}");
    let fma = "kernels = [\"fma-f64.l1\"]\ncores = \"all\"\n";
    let cases: Vec<(String, &str)> = vec![
        (
            "about = \"x\"\nasserts = [\"answers\"]\n".into(),
            "1:1: the suite has no stage: add at least one `[[stage]]`",
        ),
        (stage("time = \"-5s\"\n"), "5:8: `time`: `-5s` is negative"),
        (
            stage("time = \"0s\"\n"),
            "5:8: `time` is `0s`; it must be from 1s to 168h",
        ),
        (
            stage("time = \"169h\"\n"),
            "5:8: `time` is `169h`; it must be from 1s to 168h",
        ),
        (stage("time = 20\n"), "5:8: `time` must be a text like"),
        (
            stage("time = \"1.5h\"\n"),
            "5:8: `time`: `1.5h` has a fraction: use the next smaller unit",
        ),
        (
            stage("time = \"5m\"\n"),
            "5:8: `time`: `5m` has the unknown unit `m`: the units are",
        ),
        (
            stage("tiem = \"5s\"\n"),
            "5:1: unknown key `tiem` in [[stage]]; did you mean `time`?",
        ),
        (
            stage("time = \"5s\"\n[[stage]]\nname = \"a\"\ntime = \"5s\"\n"),
            "7:8: a second stage is called `a`",
        ),
        (stage("time = \"5s\ngate = \"open\"\n"), "5:11: not TOML: "),
        (
            load("kernels = [\"fma-f64.l1\", \"fma-f64.l9\"]\ncores = \"all\"\n"),
            "7:26: unknown kernel `fma-f64.l9`; did you mean `fma-f64.l",
        ),
        (
            load("kernels = [\"fma-f64.l1\"]\ncores = \"most\"\n"),
            "8:9: unknown cores `most`; give `\"all\"`",
        ),
        (
            load("kernels = [\"fma-f64.l1\"]\ncores = 4\n"),
            "8:9: `cores` must be `\"all\"`",
        ),
        (
            load(&format!("{fma}rhythm = \"steady\"\n")),
            "9:10: unknown rhythm `steady`; ",
        ),
        (
            load(&format!(
                "{fma}rhythm = \"pulsed\"\nperiod = \"1s\"\nduty = \"0%\"\n"
            )),
            "11:8: `duty` is `0%`; it must be from 1% to 99%",
        ),
        (
            load(&format!(
                "{fma}rhythm = \"pulsed\"\nduty = \"50%\"\nperiod = \"19ms\"\n"
            )),
            "11:10: `period` is `19ms`; it must be from 20ms to 10min",
        ),
        (
            load(&format!(
                "{fma}rhythm = \"pulsed\"\nduty = \"1%\"\nperiod = \"20ms\"\n"
            )),
            "11:10: the pulse has no whole millisecond",
        ),
        (
            load(&format!("{fma}rhythm = \"pulsed\"\nduty = \"50%\"\n")),
            "9:10: rhythm `pulsed` needs a `period`",
        ),
        (
            load(&format!("{fma}duty = \"50%\"\n")),
            "9:8: `duty` belongs to rhythm `pulsed`",
        ),
        (
            load(&format!("{fma}switch = \"1s\"\n")),
            "9:10: `switch` says when the next kernel comes",
        ),
        (
            load(&format!("{fma}memory = \"50%\"\n")),
            "9:10: `memory` belongs to kernels that walk memory",
        ),
        (
            load("kernels = [\"march.memory\"]\ncores = \"all\"\n"),
            "6:1: a load that walks memory needs `memory`",
        ),
        (
            load("kernels = [\"march.memory\"]\ncores = \"all\"\nmemory = \"101%\"\n"),
            "9:10: `memory` is `101%`; it must be a share from 1% to 100%",
        ),
        (
            load(
                "kernels = [\"march.memory\", \"fma-f64.l1\"]\ncores = \"all\"\nmemory = \"5%\"\n",
            ),
            "7:28: `fma-f64.l1` computes by itself, but `march.memory` walks memory",
        ),
        (
            load(
                "kernels = [\"march.memory\"]\ncores = \"all\"\nmemory = \"5%\"\nflush = \"yes\"\n",
            ),
            "10:9: `flush` must be `true` or `false`",
        ),
        (
            load("kernels = [\"fma-f64.l1\"]\ncores = \"all\"\nflush = true\n"),
            "9:9: `flush` belongs to kernels that walk memory",
        ),
        (
            load("kernels = [\"atomics.shared\"]\ncores = \"all\"\nrhythm = \"sparse\"\n"),
            "9:10: rhythm `sparse` runs one core at a time",
        ),
        (
            load(&format!("{fma}{}", LOAD.replace("\"all\"", "[0]"))),
            "8:9: with several loads in a stage each needs its own list",
        ),
        (
            load(&format!(
                "{}[[stage.load]]\n{}",
                fma.replace("\"all\"", "[0, 1]"),
                fma.replace("\"all\"", "[1]")
            )),
            "11:9: cpu 1 has two loads in one stage",
        ),
        (
            format!("sample-period = \"61s\"\n{ONE_STAGE}time = \"5s\"\n"),
            "1:17: `sample-period` is `61s`; it must be from 200ms to 1min",
        ),
        (
            format!("stall-after = \"4999ms\"\n{ONE_STAGE}time = \"5s\"\n"),
            "1:15: `stall-after` is `4999ms`; it must be from 5s to 10min",
        ),
    ];
    for (text, expected) in cases {
        let said = mistakes(&text);
        let expected = format!("suites/x.toml:{expected}");
        assert!(
            said.lines().any(|line| line.starts_with(&expected)),
            "{text}\n{expected}\n{said}"
        );
        assert_eq!(
            said.lines().count(),
            1,
            "one mistake, one complaint:\n{text}\n{said}"
        );
    }
}

/// A suite that runs everything for `minutes` and claims `claim`.
fn claiming(claim: &str, minutes: u32, load: &str) -> String {
    format!(
        "about = \"x\"\nasserts = [\"answers\"]\n[claim]\nconfidence = 0.95\n{claim}\n\
         [[stage]]\nname = \"a\"\ntime = \"{minutes}min\"\n[[stage.load]]\n{load}\n\
         [[stage]]\nname = \"end\"\ntime = \"5min\"\n"
    )
}

#[test]
fn a_claim_out_of_reach_of_the_stages_is_refused_when_read() {
    // 20 min x 2.9957 (NIST/SEMATECH e-Handbook 8.4.5.1, no failure, 95 %) x 1.05 = 62.9 min.
    let even = "kernels = [\"fma-f64.l1\"]\ncores = \"all\"";
    parsed(&claiming("total = \"20min\"", 63, even));
    let said = mistakes(&claiming("total = \"20min\"", 62, even));
    let expected = "suites/x.toml:3:1: 20min in total between errors at 95.0 % needs 1h3min of \
                    load, but the stages hold 1h2min: lengthen them or claim less";
    assert_eq!(said, expected);

    let pulsed = format!("{even}\nrhythm = \"pulsed\"\nperiod = \"1s\"\nduty = \"50%\"");
    parsed(&claiming("total = \"20min\"", 126, &pulsed));
    mistakes(&claiming("total = \"20min\"", 125, &pulsed));

    let sparse = format!("{even}\nrhythm = \"sparse\"\nlongest-gap = \"1s\"");
    mistakes(&claiming("total = \"20min\"", 1000, &sparse));

    let other = mistakes(&claiming("per-class.scalar-float = \"1min\"", 63, even));
    assert!(other.contains("for scalar float"), "{other}");
    let mixed = even.replace(']', ", \"float-chains.reg\"]");
    parsed(&claiming("per-class.scalar-float = \"20min\"", 63, &mixed));
}

#[test]
fn one_core_after_another_counts_only_its_share_of_a_claim() {
    let turns = "kernels = [\"fma-f64.l1\"]\ncores = \"one-by-one\"";
    let suite = parsed(&claiming("total = \"20min\"", 126, turns));
    let two = machine(2, 2, 16 * GIB, 14 * GIB);
    let plan = resolve_suite(&suite, &two, &kernels()).unwrap();
    let lengths: Vec<Duration> = plan.stages[0].segments.iter().map(|s| s.length).collect();
    assert_eq!(lengths, [Duration::from_mins(63); 2]);
    let planned = planned_exposure(&plan, &two, &kernels());
    assert!((planned.total_s - 63.0 * 60.0).abs() < 1e-9, "{planned:?}");

    let three = machine(3, 1, 16 * GIB, 14 * GIB);
    let said = resolve_suite(&suite, &three, &kernels())
        .unwrap_err()
        .to_string();
    assert!(
        said.starts_with("suites/x.toml:3:1: on this machine, 20min in total"),
        "{said}"
    );
    assert!(said.contains("the stages hold 42min"), "{said}");
}

#[test]
fn a_core_left_out_counts_for_the_whole_machine() {
    let some = "kernels = [\"fma-f64.l1\"]\ncores = [0]";
    let suite = parsed(&claiming("total = \"20min\"", 63, some));
    resolve_suite(&suite, &machine(1, 1, 16 * GIB, 14 * GIB), &kernels()).unwrap();
    let two = machine(2, 1, 16 * GIB, 14 * GIB);
    let said = resolve_suite(&suite, &two, &kernels())
        .unwrap_err()
        .to_string();
    assert!(said.contains("the stages hold 0s"), "{said}");
}

#[test]
fn a_claim_needs_idle_at_the_end_and_walks_to_count() {
    let even = "kernels = [\"fma-f64.l1\"]\ncores = \"all\"";
    let short = claiming("total = \"1min\"", 63, even).replace("\"5min\"", "\"299s\"");
    assert!(mistakes(&short).contains("must end with an idle stage of at least 5min"));
    assert!(
        mistakes(&claiming("walks = 3", 63, even)).contains("no stage has a kernel that walks")
    );
    assert!(mistakes(&claiming("", 63, even)).contains("[claim] claims nothing"));
}

#[test]
fn the_error_free_time_that_a_claim_needs_is_the_handbooks() {
    // NIST/SEMATECH e-Handbook 8.4.5.1: with no failure the factor is chi-squared(0.95; 2) / 2; the
    // table of chi-squared critical values (1.3.6.7.4) gives 5.991 for 2 degrees of freedom.
    assert!((needed_exposure_s(1.0, 0.95) - 5.991 / 2.0).abs() < 5e-4);
    // The same table: 4.605 at 0.90, 9.210 at 0.99.
    assert!((needed_exposure_s(1.0, 0.90) - 4.605 / 2.0).abs() < 5e-4);
    assert!((needed_exposure_s(1.0, 0.99) - 9.210 / 2.0).abs() < 5e-4);
}

#[test]
fn what_a_machine_cannot_give_is_refused_as_a_whole() {
    let text = format!(
        "{ONE_STAGE}time = \"9s\"\n{}[[stage]]\nname = \"b\"\ntime = \"9s\"\n[[stage.load]]\n\
         kernels = [\"march.memory\"]\ncores = \"all\"\nmemory = \"64GiB\"\n",
        LOAD.replace("\"all\"", "[1, 99]")
    );
    let machine = machine(2, 1, 16 * GIB, 14 * GIB);
    let said = resolve_suite(&parsed(&text), &machine, &kernels())
        .unwrap_err()
        .to_string();
    // Reserve: a tenth of 16 GiB; 14 - 1.6 = 12.4 GiB, 12697 MiB rounded down.
    let expected = "suites/x.toml:8:9: stage `a` asks for cpu 99, which this machine does not have \
                    or does not let us use; usable: 0-1\n\
                    suites/x.toml:15:10: stage `b` asks for 64.0 GiB of memory, but only 12.4 GiB \
                    can be spared of 14.0 GiB available: ask for at most `12697MiB`";
    assert_eq!(said, expected);
    parsed(&text.replace("64GiB", "12697MiB"));
    let fits = text.replace("64GiB", "12697MiB").replace(", 99", "");
    resolve_suite(&parsed(&fits), &machine, &kernels()).unwrap();
    let over = text.replace("64GiB", "12698MiB").replace(", 99", "");
    resolve_suite(&parsed(&over), &machine, &kernels()).unwrap_err();

    let none = Machine {
        cpus: Vec::new(),
        ..machine
    };
    let said = resolve_suite(&shipped("smoke"), &none, &kernels())
        .unwrap_err()
        .to_string();
    assert!(said.contains("has no CPU to run on"), "{said}");
}

#[test]
fn a_share_of_memory_is_shortened_to_keep_the_reserve_and_said_so() {
    let machine = machine(3, 1, 16 * GIB, 8 * GIB);
    let plan = fitted("memory", &machine);
    let load = &plan.stages[2].segments[0].loads[0];
    let each = load.memory_bytes_per_worker;
    let spare = spare_memory(&machine);
    assert_eq!(spare, 8 * GIB - 16 * GIB / 10);
    assert_eq!(each % 4096, 0);
    assert!(each * 3 <= spare && spare - each * 3 < 3 * 4096);
    assert_eq!(plan.shortened.len(), 2, "{:?}", plan.shortened);
    assert!(
        plan.shortened[0].contains("6.4 GiB of memory instead of 6.8 GiB"),
        "{:?}",
        plan.shortened
    );

    let roomy = crate::suites::machine(4, 1, 512 * GIB, 500 * GIB);
    let plan = fitted("handover", &roomy);
    assert!(plan.shortened.is_empty(), "{:?}", plan.shortened);
    let each = plan.stages[8].segments[0].loads[0].memory_bytes_per_worker;
    assert_eq!(each, 500 * GIB * 85 / 100 / 4 / 4096 * 4096);
}

#[test]
fn placements_pick_the_cpus_that_they_name() {
    let machine = machine(2, 2, 16 * GIB, 14 * GIB);
    let cpus = |cores: &str| {
        let text = format!(
            "{ONE_STAGE}time = \"10s\"\n{}",
            LOAD.replace("\"all\"", cores)
        );
        let plan = resolve_suite(&parsed(&text), &machine, &kernels()).unwrap();
        let segments = plan.stages[0].segments.iter();
        let cpus = segments.map(|segment| segment.loads[0].cpus.iter().map(|cpu| cpu.0).collect());
        cpus.collect::<Vec<Vec<u32>>>()
    };
    assert_eq!(cpus("\"all\""), [[0, 1, 2, 3]]);
    assert_eq!(cpus("\"one-per-core\""), [[0, 1]]);
    assert_eq!(cpus("\"one-by-one\""), [[0], [1]]);
    assert_eq!(cpus("[3, 0]"), [[3, 0]]);
}

#[test]
fn turns_that_do_not_divide_keep_the_length_of_the_stage() {
    let text = format!(
        "{ONE_STAGE}time = \"10s\"\n{}",
        LOAD.replace("all", "one-by-one")
    );
    let three = machine(3, 1, 16 * GIB, 14 * GIB);
    let plan = resolve_suite(&parsed(&text), &three, &kernels()).unwrap();
    assert_eq!(plan.stages[0].segments.len(), 3);
    assert_eq!(plan.length(), Duration::from_secs(10));

    let many = machine(41, 1, 16 * GIB, 14 * GIB);
    let said = resolve_suite(&parsed(&text), &many, &kernels())
        .unwrap_err()
        .to_string();
    assert!(said.contains("make it at least 10s250ms"), "{said}");
}

#[test]
fn what_is_written_is_what_is_read() {
    let text = format!(
        "{ONE_STAGE}time = \"10s\"\n[[stage.load]]\nkernels = [\"march.memory\", \"hold.memory\"]\n\
         cores = [1]\nrhythm = \"sparse\"\nlongest-gap = \"300ms\"\nseed = 7\nmemory = \"3GiB\"\n\
         flush = true\nswitch = \"every-pass\"\n[heat]\njudged = 80\nmaker = 99.5\n"
    );
    let suite = parsed(&text);
    let load = &suite.stages[0].loads[0];
    assert_eq!(load.cores, Placement::Cpus(vec![CpuId(1)]));
    assert_eq!(
        load.rhythm,
        Rhythm::Sparse {
            seed: 7,
            longest_gap_ms: 300
        }
    );
    assert_eq!(load.memory, Some(MemoryShare::Bytes(3 * GIB)));
    assert_eq!(load.switch_ms, 0);
    assert!(load.flush);
    let plan = resolve_suite(&suite, &machine(2, 1, 16 * GIB, 14 * GIB), &kernels()).unwrap();
    assert!(plan.stages[0].segments[0].loads[0].flush);
    assert_eq!(suite.name, "x");
    // Limits not written keep the values that the head of smoke.toml states.
    let heat = suite.heat;
    assert_eq!((heat.judged_c, heat.maker_c), (80.0, Some(99.5)));
    assert_eq!((heat.below_critical_c, heat.fallback_c), (5.0, 95.0));
    assert_eq!((heat.margin_c, heat.memory_module_c), (5.0, 85.0));
    assert_eq!(heat.hottest_day_c, None);
}

proptest! {
    #[test]
    fn a_duration_survives_being_written_and_read(ms in 0_u64..=2_000_000_000) {
        let length = Duration::from_millis(ms);
        prop_assert_eq!(parse_duration(&render_duration(length)), Ok(length));
    }

    #[test]
    fn a_duration_is_the_sum_of_its_parts(h in 0_u64..200, min in 0_u64..200, s in 0_u64..200, ms in 0_u64..2000) {
        let text = format!("{h}h{min}min{s}s{ms}ms");
        let total = ((h * 60 + min) * 60 + s) * 1000 + ms;
        prop_assert_eq!(parse_duration(&text), Ok(Duration::from_millis(total)));
    }

    #[test]
    fn no_text_makes_the_parsers_panic(text in "\\PC{0,40}", cut in 0_usize..3000) {
        drop(parse_duration(&text));
        let whole = builtin("smoke").unwrap().text;
        let half: String = whole.chars().take(cut).chain(text.chars()).collect();
        drop(parse_suite("suites/x.toml", &half, &kernels()));
    }
}
