//! Counting of checked time per core and class, and the statements made of it.

use soakproof::model::{CpuId, End, FindingKind, LoadClass, Record, Severity};
use soakproof::verdict::{count_exposure, judge};

use super::build::{end, finding, load, mixed, run, sound, stage, wrong};

fn close(got: f64, known: f64) {
    assert!((got - known).abs() < 1e-6, "{got} instead of {known}");
}

fn machine_s(record: &Record, class: LoadClass) -> f64 {
    count_exposure(record).classes[&class].machine_s
}

#[test]
fn mixed_loads_count_in_full_for_each_class_and_once_in_total() {
    let exposures = count_exposure(&sound());
    close(
        exposures.classes[&LoadClass::ScalarInteger].machine_s,
        1_800.0,
    );
    close(exposures.classes[&LoadClass::WideVector].machine_s, 1_800.0);
    close(exposures.total.machine_s, 3_600.0);
    close(exposures.total.cores_s, 7_200.0);
    assert_eq!(exposures.total.passes, 4 * 2 * 10);
    assert_eq!(exposures.load_steps, 4);
}

#[test]
fn hardware_threads_of_a_core_count_as_one() {
    let one_each = run(
        vec![stage(
            "one thread",
            100,
            vec![load(&["int-streams.reg"], &[0, 1])],
        )],
        &|_, _| 50.0,
    );
    let two_each = run(
        vec![stage(
            "two threads",
            100,
            vec![load(&["int-streams.reg"], &[0, 1, 2, 3])],
        )],
        &|_, _| 50.0,
    );
    close(machine_s(&one_each, LoadClass::ScalarInteger), 100.0);
    close(machine_s(&two_each, LoadClass::ScalarInteger), 100.0);
}

/// Two loads side by side on the threads of a core are one stretch of time, not two.
#[test]
fn loads_side_by_side_do_not_make_time_longer() {
    let loads = vec![
        load(&["int-streams.reg"], &[0, 1]),
        load(&["fma-f64.l1"], &[2, 3]),
    ];
    let record = run(vec![stage("side by side", 100, loads)], &|_, _| 50.0);
    let exposures = count_exposure(&record);
    close(exposures.total.machine_s, 100.0);
    close(
        exposures.classes[&LoadClass::ScalarInteger].machine_s,
        100.0,
    );
    close(exposures.classes[&LoadClass::WideVector].machine_s, 100.0);
}

#[test]
fn a_core_without_load_leaves_the_machine_with_nothing_shown() {
    let record = run(
        vec![stage(
            "one core",
            100,
            vec![load(&["int-streams.reg"], &[0, 2])],
        )],
        &|_, _| 50.0,
    );
    close(machine_s(&record, LoadClass::ScalarInteger), 0.0);
    let verdict = judge(&record);
    let words = &verdict.classes[0].words;
    assert_eq!(verdict.classes[0].bound_s, None);
    assert!(
        words.starts_with("No checked time on every core"),
        "{words}"
    );
}

#[test]
fn the_slowest_core_is_the_machine() {
    let mut record = sound();
    let slow = record
        .workers
        .iter_mut()
        .filter(|done| done.what.cpu.0 % 2 == 1);
    slow.for_each(|done| done.what.checked_s = vec![100.0, 200.0]);
    close(machine_s(&record, LoadClass::ScalarInteger), 100.0);
    close(machine_s(&record, LoadClass::WideVector), 200.0);
    close(count_exposure(&record).total.machine_s, 300.0);
}

#[test]
fn final_counts_replace_the_last_sample_and_stages_add_up() {
    let stages = vec![
        stage("one", 100, vec![mixed()]),
        stage("two", 50, vec![mixed()]),
    ];
    let mut record = run(stages, &|_, _| 50.0);
    close(count_exposure(&record).total.machine_s, 150.0);
    for done in &mut record.workers {
        done.what
            .checked_s
            .iter_mut()
            .for_each(|seconds| *seconds += 0.5);
    }
    close(count_exposure(&record).total.machine_s, 152.0);
    // A worker that was killed leaves its last sample.
    record.workers.clear();
    close(count_exposure(&record).total.machine_s, 150.0);
}

#[test]
fn idle_time_and_nonsense_count_for_nothing() {
    let record = run(vec![stage("idle", 600, Vec::new())], &|_, _| 40.0);
    close(count_exposure(&record).total.machine_s, 0.0);
    let mut record = sound();
    for done in &mut record.workers {
        done.what.checked_s = vec![f64::NAN, -5.0];
        done.what.cpu = CpuId(done.what.cpu.0);
    }
    close(count_exposure(&record).total.machine_s, 0.0);
}

/// NIST/SEMATECH e-Handbook 8.4.5.1 with no failure: 3,600 s / 2.995732 = 1,201.7 s = 20 min.
#[test]
fn the_statement_in_words_is_plain_and_right() {
    let total = judge(&sound()).total;
    close(total.bound_s.unwrap(), 3_600.0 / 2.995_732_273_553_991);
    assert_eq!(
        total.words,
        "Had it erred once in 20 min or oftener under this load, heat and settings, such a run would \
         have shown it 19 times in 20."
    );
}

#[test]
fn lengths_of_two_hours_on_are_told_in_hours() {
    for (minutes, words) in [(90, "90 min"), (120, "2 h"), (138, "2.3 h"), (600, "10 h")] {
        let record = run(vec![stage("even", minutes * 60, vec![mixed()])], &|_, _| {
            60.0
        });
        let headline = judge(&record).headline;
        let wanted = format!("in {words} of checked load on 2 cores");
        assert!(headline.contains(&wanted), "{headline}");
    }
}

/// 8.3.1.1 at 80 and 60 %: odds in whole numbers only where they are whole.
#[test]
fn odds_are_not_rounded_up() {
    let words = |confidence: f64| {
        let mut record = sound();
        record.header.plan.claim.as_mut().unwrap().confidence = confidence;
        judge(&record).total.words
    };
    assert!(words(0.80).ends_with("4 times in 5."), "{}", words(0.80));
    assert!(words(0.99).ends_with("99 times in 100."), "{}", words(0.99));
    assert!(
        words(0.60).ends_with("in 60 of 100 cases."),
        "{}",
        words(0.60)
    );
}

/// The rule of three: N steps without an error are fewer than 2.9957 / N wrong ones at 95 %.
#[test]
fn load_steps_are_told_where_they_show_something() {
    let mut record = sound();
    for done in &mut record.workers {
        done.what.load_steps = 75;
    }
    let total = judge(&record).total;
    assert_eq!(total.load_steps, 300);
    assert!(
        total.words.ends_with(
            "In 300 steps from idle to load none went wrong: fewer than 1 in 100 at 95 %."
        ),
        "{}",
        total.words
    );
}

#[test]
fn faults_count_and_events_do_not() {
    let mut record = sound();
    let mut repeated = finding(wrong(), Some("fma-f64.l1"));
    repeated.events = 40;
    record.findings.push(repeated);
    let verdict = judge(&record);
    assert_eq!(verdict.total.faults, 1);
    let of = |class| {
        verdict
            .classes
            .iter()
            .find(|known| known.class == class)
            .unwrap()
    };
    assert_eq!(of(LoadClass::WideVector).faults, 1);
    assert_eq!(of(LoadClass::ScalarInteger).faults, 0);
    // Time-censored, as the run went on to its end: 2 T / chi-square(0.95; 4).
    close(verdict.total.bound_s.unwrap(), 3_600.0 / 4.743_864_518);
}

#[test]
fn a_run_that_ended_at_an_error_is_failure_censored_for_that_class_only() {
    let mut record = sound();
    record
        .findings
        .push(finding(wrong(), Some("int-streams.reg")));
    record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    end(&mut record, End::Finding);
    let verdict = judge(&record);
    let of = |class| {
        verdict
            .classes
            .iter()
            .find(|known| known.class == class)
            .unwrap()
    };
    close(
        of(LoadClass::WideVector).bound_s.unwrap(),
        1_800.0 / 2.995_732_273_553_991,
    );
    close(
        of(LoadClass::ScalarInteger).bound_s.unwrap(),
        1_800.0 / 4.743_864_518,
    );
    // Two errors, failure-censored: four degrees of freedom.
    close(verdict.total.bound_s.unwrap(), 3_600.0 / 4.743_864_518);
}

/// A machine that went down erred; nothing may then say that no error was seen.
#[test]
fn a_reset_counts_as_an_error_of_every_class() {
    let mut record = sound();
    end(&mut record, End::Reset);
    let verdict = judge(&record);
    assert_eq!(verdict.total.faults, 1);
    assert!(
        verdict
            .classes
            .iter()
            .all(|statement| statement.faults == 1)
    );
    assert!(
        verdict.total.words.contains("1 fault seen"),
        "{}",
        verdict.total.words
    );
}

#[test]
fn heat_and_corrected_errors_are_no_errors_of_the_answers() {
    let mut record = sound();
    let hot = FindingKind::OverHot {
        label: "Package".to_owned(),
        reading_c: 96.0,
        ceiling_c: 95.0,
    };
    record.findings.push(finding(hot, None));
    let corrected = FindingKind::HardwareError {
        severity: Severity::Corrected,
        source: "kernel log".to_owned(),
        text: "invented".to_owned(),
        count: 1,
    };
    record.findings.push(finding(corrected, None));
    end(
        &mut record,
        End::Guard {
            reason: "too hot".to_owned(),
        },
    );
    assert_eq!(judge(&record).total.faults, 0);
}
