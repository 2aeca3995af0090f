//! Where a limit lies exactly, and what loads that pause show of a machine.

use std::time::Duration;

use soakproof::model::{LoadClass, Plan};
use soakproof::suite::{cool_down_at_least, planned_exposure, resolve_suite};

use super::{GIB, LOAD, ONE_STAGE, kernels, machine, mistakes, parsed};

fn resolved(text: &str, cores: u32) -> Plan {
    resolve_suite(
        &parsed(text),
        &machine(cores, 1, 16 * GIB, 14 * GIB),
        &kernels(),
    )
    .unwrap_or_else(|error| panic!("{error}"))
}

fn refused(text: &str, cores: u32) -> String {
    let machine = machine(cores, 1, 16 * GIB, 14 * GIB);
    resolve_suite(&parsed(text), &machine, &kernels())
        .expect_err("more than the machine has")
        .to_string()
}

/// One stage that walks so much memory on all processors.
fn walk(memory: &str) -> String {
    format!(
        "{ONE_STAGE}time = \"9s\"\n[[stage.load]]\nkernels = [\"march.memory\"]\ncores = \"all\"\n\
         memory = \"{memory}\"\n"
    )
}

#[test]
fn each_assertion_is_one_by_itself_and_there_is_at_least_one() {
    let stage = format!("[[stage]]\nname = \"a\"\ntime = \"9s\"\n{LOAD}");
    let asserting = |words: &str| format!("about = \"x\"\nasserts = [{words}]\n{stage}");
    for (index, word) in ["answers", "heat", "clock", "memory"]
        .into_iter()
        .enumerate()
    {
        let asserts = parsed(&asserting(&format!("\"{word}\""))).asserts;
        let said = [asserts.answers, asserts.heat, asserts.clock, asserts.memory];
        let mut expected = [false; 4];
        expected[index] = true;
        assert_eq!(said, expected, "{word}");
    }
    for text in [asserting(""), format!("about = \"x\"\n{stage}")] {
        let said = mistakes(&text);
        assert!(said.contains("`asserts` is missing or empty"), "{said}");
    }
}

#[test]
fn amounts_have_no_sign() {
    for memory in ["64MiB", "50%"] {
        parsed(&walk(memory));
        let said = mistakes(&walk(&format!("+{memory}")));
        assert!(said.contains(&format!("+{memory}")), "{said}");
    }
}

#[test]
fn a_digest_has_digits_of_base_sixteen() {
    let program = |digest: &str| {
        format!(
            "{ONE_STAGE}time = \"9s\"\n[[stage.program]]\nname = \"p\"\ncommand = [\"/bin/true\"]\nlimit = \"9s\"\n\
             output = \"out\"\nsha256 = \"{digest}\"\n"
        )
    };
    let right = "0123456789abcdefABCDEF0123456789".repeat(2);
    assert_eq!(
        parsed(&program(&right)).stages[0].programs[0]
            .sha256
            .as_ref(),
        Some(&right.to_lowercase())
    );
    for wrong in [
        right.replace('a', "g"),
        right[1..].to_owned(),
        format!("{right}0"),
    ] {
        let said = mistakes(&program(&wrong));
        assert!(
            said.contains("`sha256` has 64 hexadecimal digits"),
            "{said}"
        );
    }
}

#[test]
fn a_claim_is_watched_over_for_the_whole_of_a_check_interval() {
    let span = Duration::from_secs(400);
    let watched = |text: &str| {
        let mut plan = resolved(text, 2);
        cool_down_at_least(&mut plan, span);
        let lengths = plan.stages.iter().map(|stage| stage.length().as_secs());
        lengths.collect::<Vec<u64>>()
    };
    let claim = "[claim]\nconfidence = 0.95\ntotal = \"1min\"\n";
    let idle = |time: &str| format!("[[stage]]\nname = \"after\"\ntime = \"{time}\"\n");
    let head = ONE_STAGE.replace("[[stage]]", &format!("{claim}[[stage]]"));
    let load = format!("time = \"5min\"\n{LOAD}");
    assert_eq!(
        watched(&format!("{head}{load}{}", idle("301s"))),
        [300, 400]
    );
    assert_eq!(
        watched(&format!("{head}{load}{}", idle("500s"))),
        [300, 500]
    );
    assert_eq!(
        watched(&format!("{ONE_STAGE}{load}{}", idle("301s"))),
        [300, 301]
    );
    // A suite with a claim ends idle; a plan may come from elsewhere.
    let mut plan = resolved(&format!("{head}{load}{}", idle("301s")), 2);
    plan.stages.pop();
    cool_down_at_least(&mut plan, span);
    let last = plan.stages.last().expect("a stage");
    assert!(
        plan.stages.len() == 2 && last.is_idle() && last.length() == span,
        "{last:?}"
    );
    // A stage of nothing at all is no idle time.
    plan.stages[1].segments.clear();
    cool_down_at_least(&mut plan, span);
    assert_eq!(plan.stages.len(), 3);
    assert_eq!(plan.length(), Duration::from_secs(700));
}

/// Seconds of load that two cores see at the least: the share that a load computes, by hand.
#[test]
fn a_load_that_pauses_shows_only_the_time_that_it_computes() {
    let shown = |load: &str| {
        let two = machine(2, 1, 16 * GIB, 14 * GIB);
        let text = format!("{ONE_STAGE}time = \"100s\"\n{load}");
        let plan = resolve_suite(&parsed(&text), &two, &kernels()).expect("a plan");
        let planned = planned_exposure(&plan, &two, &kernels());
        let classes: Vec<LoadClass> = planned.per_class_s.keys().copied().collect();
        (
            planned.total_s,
            classes,
            planned.class_s(LoadClass::WideVector),
        )
    };
    let near = |one: f64, other: f64| (one - other).abs() < 1e-9 * other;
    let (total_s, classes, vector_s) = shown(LOAD);
    assert!(near(total_s, 100.0) && near(vector_s, 100.0));
    assert_eq!(classes, [LoadClass::WideVector]);
    let pulsed = format!("{LOAD}rhythm = \"pulsed\"\nperiod = \"4s\"\nduty = \"25%\"\n");
    let (total_s, classes, vector_s) = shown(&pulsed);
    assert!(near(total_s, 25.0) && near(vector_s, 25.0), "{total_s}");
    assert_eq!(classes, [LoadClass::WideVector]);
    // Bursts of 1 to 50 ms, gaps of up to 149 ms, one core at a time.
    let sparse = format!("{LOAD}rhythm = \"sparse\"\nlongest-gap = \"149ms\"\n");
    let (total_s, _, vector_s) = shown(&sparse);
    let expected = 100.0 * 25.5 / (25.5 + 149.0 / 2.0) / 2.0;
    assert!(
        near(total_s, expected) && near(vector_s, expected),
        "{total_s}"
    );
}

#[test]
fn a_turn_of_a_quarter_of_a_second_is_long_enough() {
    let turns = |time: &str| {
        format!(
            "{ONE_STAGE}time = \"{time}\"\n{}",
            LOAD.replace("all", "one-by-one")
        )
    };
    assert_eq!(resolved(&turns("1s"), 4).stages[0].segments.len(), 4);
    let said = refused(&turns("1s"), 5);
    assert!(said.contains("make it at least 1s250ms"), "{said}");
}

#[test]
fn a_worker_gets_its_least_memory_or_the_stage_is_refused() {
    // 64 KiB a worker: 16 of them share a mebibyte.
    let load = &resolved(&walk("1MiB"), 16).stages[0].segments[0].loads[0];
    assert_eq!(load.memory_bytes_per_worker, 64 << 10);
    let said = refused(&walk("1MiB"), 17);
    assert!(
        said.contains("less than 64 KiB for each of 17 workers: give it at least 1.1 MiB"),
        "{said}"
    );
}

#[test]
fn all_that_can_be_spared_may_be_asked_for() {
    // A gibibyte stays free.
    for (available, memory) in [(3 * GIB, "2GiB"), (2 * GIB, "50%")] {
        let machine = machine(1, 1, 4 * GIB, available);
        let plan = resolve_suite(&parsed(&walk(memory)), &machine, &kernels()).expect("a plan");
        let load = &plan.stages[0].segments[0].loads[0];
        assert_eq!(load.memory_bytes_per_worker, available - GIB);
        assert!(plan.shortened.is_empty(), "{:?}", plan.shortened);
    }
}

#[test]
fn usable_processors_are_named_as_ranges() {
    let mut gappy = machine(6, 1, 16 * GIB, 14 * GIB);
    gappy.cpus.retain(|cpu| ![2, 3].contains(&cpu.id.0));
    let text = format!(
        "{ONE_STAGE}time = \"9s\"\n{}",
        LOAD.replace("\"all\"", "[2]")
    );
    let said = resolve_suite(&parsed(&text), &gappy, &kernels())
        .expect_err("no cpu 2")
        .to_string();
    assert!(said.ends_with("usable: 0-1, 4-5"), "{said}");
}
