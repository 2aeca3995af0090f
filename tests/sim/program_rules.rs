//! The person's own programs: when they start, what is said of each run, and how they end.

use std::time::Duration;

use soakproof::model::{
    End, Entry, FindingKind, OnFinding, PlannedProgram, ProgramFault, RunHeader,
};
use soakproof::run::core::{
    Action, Event, Exit, Limits, ProgramEnd, ProgramId, ProgramWord, WorkerId,
};

use crate::bench::{Bench, kills_first, loaded};

const FIRST: ProgramId = ProgramId(0);

fn program(times: Option<u32>) -> PlannedProgram {
    PlannedProgram {
        name: "render".to_owned(),
        command: vec!["/invented/render".to_owned()],
        user: None,
        folder: None,
        times,
        limit: Duration::from_secs(60),
        output: Some("frame".to_owned()),
        sha256: None,
    }
}

/// One stage of five seconds with this program alone.
fn alone(times: Option<u32>) -> RunHeader {
    let mut header = loaded();
    header.plan.stages.truncate(1);
    let segments = &mut header.plan.stages[0].segments;
    segments.truncate(1);
    segments[0].loads.clear();
    segments[0].length = Duration::from_secs(5);
    segments[0].programs = vec![program(times)];
    header
}

fn begun(header: &RunHeader) -> Bench {
    let mut bench = Bench::new(header, Limits::default());
    bench.tell(Event::Begin);
    bench.warm(50.0);
    bench
}

fn ended(end: ProgramEnd, output: &str) -> Event {
    Event::Program(
        FIRST,
        ProgramWord::Ended {
            end,
            output: Some(Ok(output.to_owned())),
            words: "last words".to_owned(),
        },
    )
}

fn good(bench: &mut Bench, output: &str) -> Vec<Action> {
    bench.tell(ended(ProgramEnd::Status(0), output))
}

fn started(bench: &Bench) -> usize {
    let start = |action: &&Action| matches!(action, Action::StartProgram(..));
    bench.said.iter().filter(start).count()
}

fn runs(bench: &Bench) -> usize {
    let run = |action: &&Action| matches!(action, Action::Record(Entry::ProgramRun(_)));
    bench.said.iter().filter(run).count()
}

fn failures(bench: &Bench) -> Vec<ProgramFault> {
    let findings = bench.findings();
    let failure = |kind: &FindingKind| {
        if let FindingKind::OwnProgram { failure, .. } = kind {
            Some(failure.clone())
        } else {
            None
        }
    };
    findings
        .iter()
        .filter_map(|found| failure(&found.kind))
        .collect()
}

#[test]
fn a_counted_program_runs_so_often_one_second_apart_and_then_the_stage_ends() {
    let mut bench = begun(&alone(Some(3)));
    assert_eq!(started(&bench), 1);
    for run in 1..=3 {
        bench.after(300);
        good(&mut bench, "aa");
        assert_eq!(runs(&bench), run);
        if run < 3 {
            bench.after(300).warm(50.0);
            bench.tell(Event::Tick);
            assert_eq!(started(&bench), run, "starts are a second apart");
            bench.after(500).warm(50.0);
            bench.tell(Event::Tick);
            assert_eq!(started(&bench), run + 1);
        }
    }
    assert_eq!(
        bench.end(),
        &End::Complete,
        "it does not wait for the rest of its time"
    );
}

#[test]
fn a_stage_waits_for_the_runs_that_were_asked_for() {
    let mut bench = begun(&alone(Some(1)));
    for _ in 0..20 {
        bench.after(1000).warm(50.0);
        bench.tell(Event::Tick);
    }
    assert!(
        !bench.said.contains(&Action::StopProgram(FIRST)),
        "its time is over, its run is not"
    );
    good(&mut bench, "aa");
    assert_eq!(bench.end(), &End::Complete);
}

#[test]
fn an_uncounted_program_runs_while_the_stage_lasts_and_is_then_ended_without_a_finding() {
    let mut bench = begun(&alone(None));
    for _ in 0..3 {
        bench.after(1100);
        good(&mut bench, "aa");
        bench.warm(50.0);
        bench.tell(Event::Tick);
    }
    assert_eq!((started(&bench), runs(&bench)), (4, 3));
    bench.after(3000).warm(50.0);
    let actions = bench.tell(Event::Tick);
    assert!(
        bench.said.contains(&Action::StopProgram(FIRST)),
        "{actions:?}"
    );
    assert!(!bench.core.is_over(), "it has not ended yet");
    bench.tell(ended(ProgramEnd::Signal(15), "half"));
    assert_eq!(bench.end(), &End::Complete);
    assert_eq!(failures(&bench), []);
}

#[test]
fn status_signal_time_and_output_each_fail() {
    let cases = [
        (ProgramEnd::Status(3), ProgramFault::Status { status: 3 }),
        (ProgramEnd::Signal(11), ProgramFault::Signal { signal: 11 }),
        (ProgramEnd::Late, ProgramFault::Late { limit_s: 60.0 }),
    ];
    for (end, failure) in cases {
        let mut header = alone(Some(2));
        header.plan.on_finding = OnFinding::Stop;
        let mut bench = begun(&header);
        bench.after(300);
        bench.tell(ended(end, "aa"));
        assert_eq!(failures(&bench), [failure]);
        assert_eq!(bench.end(), &End::Finding);
        assert_eq!(runs(&bench), 0);
    }
    let mut bench = begun(&alone(Some(2)));
    bench.after(300);
    let word = ProgramWord::Ended {
        end: ProgramEnd::Status(0),
        output: Some(Err("no such file".to_owned())),
        words: String::new(),
    };
    bench.tell(Event::Program(FIRST, word));
    let reason = "no such file".to_owned();
    assert_eq!(failures(&bench), [ProgramFault::NoOutput { reason }]);
}

#[test]
fn an_output_that_differs_from_the_first_or_the_given_one_fails() {
    let other = |expected: &str, got: &str| ProgramFault::OtherOutput {
        expected: expected.to_owned(),
        got: got.to_owned(),
    };
    let mut bench = begun(&alone(Some(3)));
    for output in ["aa", "aa", "ab"] {
        bench.after(1100).warm(50.0);
        bench.tell(Event::Tick);
        good(&mut bench, output);
    }
    assert_eq!(
        (runs(&bench), failures(&bench)),
        (2, vec![other("aa", "ab")])
    );
    let mut header = alone(Some(1));
    header.plan.stages[0].segments[0].programs[0].sha256 = Some("ff".to_owned());
    let mut bench = begun(&header);
    bench.after(300);
    good(&mut bench, "aa");
    assert_eq!(
        failures(&bench),
        [other("ff", "aa")],
        "the first is no better than the given one"
    );
}

#[test]
fn what_cannot_be_started_interrupts_and_accuses_nobody() {
    let mut bench = begun(&alone(Some(1)));
    let word = ProgramWord::NotStarted("no such user".to_owned());
    bench.tell(Event::Program(FIRST, word));
    assert!(
        bench.interruption().contains("`render`"),
        "{:?}",
        bench.end()
    );
    assert!(bench.findings().is_empty());
}

#[test]
fn a_fault_of_one_program_is_one_fault_however_often() {
    let mut bench = begun(&alone(Some(3)));
    for _ in 0..3 {
        bench.after(1100).warm(50.0);
        bench.tell(Event::Tick);
        bench.tell(ended(ProgramEnd::Status(1), "aa"));
    }
    assert_eq!(failures(&bench).len(), 1);
    assert_eq!(bench.last_repeat(), Some((0, 3)));
}

#[test]
fn beside_kernels_a_program_ends_with_them_and_the_guard_kills_both() {
    let mut header = loaded();
    header.plan.stages[0].segments[0].programs = vec![program(None)];
    let mut bench = Bench::running(&header);
    assert_eq!(started(&bench), 1);
    bench.warm(99.0);
    let actions = bench.after(20).warm(99.0);
    assert!(kills_first(&actions), "{actions:?}");
    bench.leave(0, Exit::Clean);
    bench.leave(1, Exit::Clean);
    assert!(!bench.core.is_over(), "the program is there still");
    bench.tell(ended(ProgramEnd::Signal(9), "half"));
    assert!(matches!(bench.end(), End::Guard { .. }));
    assert_eq!(failures(&bench), [], "it was killed by us");
    assert!(!bench.said.contains(&Action::Stop(WorkerId(7))));
}

#[test]
fn a_program_that_cannot_be_killed_does_not_keep_the_run_from_its_end() {
    let mut bench = begun(&alone(None));
    bench.tell(Event::StopAsked);
    for _ in 0..40 {
        bench.after(1000).warm(50.0);
        bench.tell(Event::Stored(soakproof::model::Mono(bench.ms * 1_000_000)));
        bench.tell(Event::Tick);
    }
    assert_eq!(bench.end(), &End::Stopped);
}

#[test]
fn each_run_of_several_programs_has_a_number_of_its_own() {
    let mut header = alone(Some(1));
    let programs = &mut header.plan.stages[0].segments[0].programs;
    programs.extend([program(Some(1)), program(Some(1))]);
    let mut bench = begun(&header);
    bench.after(1000).tell(Event::Tick);
    let numbers = bench.said.iter().filter_map(|action| {
        if let Action::StartProgram(number, _) = action {
            Some(number.0)
        } else {
            None
        }
    });
    assert_eq!(numbers.collect::<Vec<_>>(), [0, 1, 2]);
}
