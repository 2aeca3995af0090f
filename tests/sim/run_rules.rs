//! Each rule of the run by itself: its course, findings, workers, store and end.

use soakproof::model::{
    CpuId, End, Entry, Finding, FindingKind, Gap, GapKind, Mono, Role, Severity, StageGate,
    WorkerProgress,
};
use soakproof::run::core::{Action, Event, Exit, Limits, Report, Silence, WorkerId};

use crate::bench::{
    Bench, kills_first, loaded, progress, reading, starts, thermometer, wrong_answer, wrong_memory,
};

#[test]
fn a_segment_counts_from_its_last_worker_ready() {
    let mut bench = Bench::new(&loaded(), Limits::default());
    bench.tell(Event::Begin);
    bench.warm(50.0);
    bench.tell(Event::Worker(WorkerId(0), Report::Ready));
    for _ in 0..60 {
        let actions = bench.after(1000).warm(50.0);
        assert!(
            !actions
                .iter()
                .any(|action| matches!(action, Action::Stop(_)))
        );
    }
    bench.tell(Event::Worker(WorkerId(1), Report::Ready));
    bench.after(4900).warm(50.0);
    assert!(!bench.said.contains(&Action::Stop(WorkerId(0))));
    bench.after(100).warm(50.0);
    assert!(bench.said.contains(&Action::Stop(WorkerId(0))));
    assert!(bench.said.contains(&Action::Stop(WorkerId(1))));
}

#[test]
fn a_worker_that_is_never_ready_ends_the_run_without_a_finding() {
    let mut bench = Bench::new(&loaded(), Limits::default());
    bench.tell(Event::Begin);
    // A worker begins half a second after it was ordered, and has five minutes from then.
    bench.warm(50.0);
    bench.after(500);
    for second in 0..=301 {
        bench.tell(Event::Stored(Mono(bench.ms * 1_000_000)));
        bench.warm(50.0);
        bench.tell(Event::Tick);
        let asked = bench.said.contains(&Action::Stop(WorkerId(0)));
        assert_eq!(asked, second > 300, "{second}");
        bench.after(1000);
    }
    bench.leave_both();
    assert!(
        bench.interruption().contains("not ready"),
        "{:?}",
        bench.end()
    );
    assert!(bench.findings().is_empty());
}

#[test]
fn a_failing_finding_stops_in_order_and_a_corrected_error_does_not() {
    let mut header = loaded();
    header.plan.on_finding = soakproof::model::OnFinding::Stop;
    let error = |severity| {
        Event::Hardware(FindingKind::HardwareError {
            severity,
            source: "kernel log".to_owned(),
            text: "invented".to_owned(),
            count: 2,
        })
    };
    let mut bench = Bench::running(&header);
    let actions = bench.tell(error(Severity::Corrected));
    assert_eq!(actions.len(), 1, "{actions:?}");
    let actions = bench.tell(error(Severity::Uncorrected));
    assert!(actions.contains(&Action::Stop(WorkerId(0))));
    assert!(actions.contains(&Action::Stop(WorkerId(1))));
    bench.leave_both();
    assert_eq!(*bench.end(), End::Finding);
    assert_eq!(bench.findings().len(), 2);
}

#[test]
fn a_finding_carries_its_circumstances() {
    let mut header = loaded();
    let mut own = thermometer(1, "core 0");
    (own.role, own.core) = (Role::Core, Some(0));
    header.channels.push(own);
    let mut bench = Bench::running(&header);
    bench.tell(Event::Sampled {
        readings: vec![reading(0, 80.0), reading(1, 71.0)],
        lost: vec![],
        workers: vec![(WorkerId(0), progress(0, 0))],
    });
    bench.tell(wrong_answer(0));
    bench.tell(wrong_answer(1));
    let findings = bench.findings();
    assert_eq!(findings[0].stage, "all");
    assert_eq!(findings[0].cpu, Some(CpuId(0)));
    assert_eq!(findings[0].kernel.as_deref(), Some("sums"));
    assert_eq!(findings[0].temperature_c, Some(71.0), "the core's own");
    assert_eq!(findings[0].clock_mhz, Some(4000.0));
    assert_eq!(findings[1].temperature_c, Some(80.0), "the hottest");
    assert_eq!(findings[1].clock_mhz, None, "not yet measured");
}

#[test]
fn one_fault_is_one_finding_by_core_and_kernel_or_by_address() {
    let mut bench = Bench::running(&loaded());
    for number in [0, 0, 1, 0] {
        bench.tell(wrong_answer(number));
    }
    // The same physical word, whoever walks it; without one, the same address of the same worker.
    bench.tell(wrong_memory(0, 0x1000, Some(0x77000)));
    bench.tell(wrong_memory(1, 0x2000, Some(0x77000)));
    bench.tell(wrong_memory(0, 0x3000, None));
    bench.tell(wrong_memory(1, 0x3000, None));
    let events: Vec<u64> = bench
        .core
        .findings()
        .iter()
        .map(|known| known.events)
        .collect();
    assert_eq!(events, [3, 1, 2, 1, 1]);
    assert_eq!(bench.last_repeat(), Some((2, 2)));
}

#[test]
fn throttling_is_counted_as_its_reader_counts_it() {
    let mut bench = Bench::running(&loaded());
    for events in [1, 4, 9] {
        let source = "core_throttle_count".to_owned();
        bench.tell(Event::Hardware(FindingKind::Throttled { source, events }));
    }
    assert_eq!(bench.core.findings().len(), 1);
    assert_eq!(
        bench.core.findings()[0].events,
        9,
        "events since the run began"
    );
}

#[test]
fn past_the_limit_no_kind_of_evidence_hides_behind_another() {
    for findings in [0, 1, 3] {
        let limits = Limits {
            findings,
            ..Limits::default()
        };
        let mut bench = Bench::new(&loaded(), limits);
        bench.tell(Event::Begin);
        bench.warm(50.0);
        for unit in 0..9_u32 {
            bench.tell(Event::Hardware(FindingKind::HardwareError {
                severity: Severity::Corrected,
                source: format!("counter {unit}"),
                text: "invented".to_owned(),
                count: 1,
            }));
        }
        for step in 0..9 {
            bench.tell(wrong_memory(0, 0x1000 + 8 * step, None));
        }
        bench.tell(wrong_answer(1));
        let kept = bench.core.findings();
        let events: u64 = kept.iter().map(|known| known.events).sum();
        assert_eq!(events, 19, "limit {findings}");
        assert!(
            kept.len() <= findings.max(1) + 2,
            "limit {findings}: {}",
            kept.len()
        );
        let wrong = |known: &&Finding| matches!(known.kind, FindingKind::WrongAnswer(_));
        assert_eq!(kept.iter().filter(wrong).count(), 1, "limit {findings}");
        let memory = kept
            .iter()
            .find(|known| matches!(known.kind, FindingKind::WrongMemory(_)));
        assert!(memory.is_some(), "limit {findings}");
    }
}

#[test]
fn how_a_worker_ends_unasked_decides_what_it_means() {
    let killed = Exit::Killed {
        signal: 9,
        reason: "out of memory".to_owned(),
    };
    for (exit, word) in [
        (killed, "out of memory"),
        (Exit::Status(101), "status 101"),
        (Exit::Clean, "without being asked"),
    ] {
        let mut bench = Bench::running(&loaded());
        let actions = bench.leave(0, exit);
        assert!(actions.contains(&Action::Stop(WorkerId(1))));
        bench.leave(1, Exit::Clean);
        assert!(bench.interruption().contains(word), "{:?}", bench.end());
        assert!(bench.findings().is_empty());
    }
}

#[test]
fn a_trap_is_a_finding_even_of_a_worker_that_was_asked_to_end() {
    let mut bench = Bench::running(&loaded());
    bench.tell(Event::StopAsked);
    bench.leave(
        0,
        Exit::Trap {
            signal: 4,
            code: None,
            address: None,
            instruction: None,
        },
    );
    let nine = Exit::Killed {
        signal: 9,
        reason: "grace is over".to_owned(),
    };
    bench.leave(1, nine);
    assert_eq!(*bench.end(), End::Stopped);
    assert_eq!(bench.findings().len(), 1);
    assert_eq!(bench.findings()[0].cpu, Some(CpuId(0)));
}

#[test]
fn a_trap_names_the_kernel_that_ran_and_before_any_word_the_first() {
    let mut header = loaded();
    header.plan.stages[0].segments[0].loads[0].kernels = vec!["sums".to_owned(), "walk".to_owned()];
    let mut bench = Bench::running(&header);
    let mut seen = progress(0, 0);
    (seen.kernel, seen.passes) = (1, vec![10, 10]);
    // Of the second kernel the clock was not measured yet.
    seen.clock_mhz = vec![4000.0, 0.0];
    bench.tell(Event::Sampled {
        readings: vec![reading(0, 50.0)],
        lost: vec![],
        workers: vec![(WorkerId(0), seen)],
    });
    for worker in [0, 1] {
        let trap = Exit::Trap {
            signal: 11,
            code: None,
            address: None,
            instruction: None,
        };
        bench.leave(worker, trap);
    }
    let findings = bench.findings().into_iter();
    let kernels: Vec<_> = findings.map(|finding| finding.kernel.as_deref()).collect();
    assert_eq!(kernels, [Some("walk"), Some("sums")]);
    assert_eq!(bench.findings()[0].clock_mhz, None);
}

#[test]
fn a_worker_that_panics_while_it_ends_is_named() {
    let mut bench = Bench::running(&loaded());
    bench.tell(Event::StopAsked);
    bench.leave(0, Exit::Status(101));
    bench.leave(1, Exit::Clean);
    assert_eq!(*bench.end(), End::Stopped);
    assert_eq!(bench.gaps(), [GapKind::Environment]);
}

#[test]
fn a_worker_that_cannot_work_ends_the_run_with_its_cpu_and_reason() {
    let mut bench = Bench::running(&loaded());
    let unable = Report::Unable("no memory".to_owned());
    let actions = bench.tell(Event::Worker(WorkerId(1), unable));
    assert!(actions.contains(&Action::Stop(WorkerId(0))));
    bench.leave(1, Exit::Status(1));
    bench.leave(0, Exit::Clean);
    assert!(bench.interruption().contains("cpu 1") && bench.interruption().contains("no memory"));

    let mut bench = Bench::new(&loaded(), Limits::default());
    bench.tell(Event::Begin);
    bench.warm(50.0);
    bench.tell(Event::NotStarted(WorkerId(1), "too many".to_owned()));
    bench.leave(0, Exit::Clean);
    assert!(bench.interruption().contains("cpu 1") && bench.interruption().contains("too many"));
}

#[test]
fn silence_is_looked_into_once_and_judged_by_what_was_seen() {
    let examine = Action::Examine(WorkerId(0));
    let mut bench = Bench::running(&loaded());
    assert!(!bench.silent(5).contains(&examine), "at the bound");
    assert!(bench.silent(6).contains(&examine));
    assert!(!bench.silent(7).contains(&examine), "asked already");
    bench.tell(Event::Examined(WorkerId(0), Silence::Starved));
    assert!(bench.silent(8).contains(&examine));
    bench.tell(Event::Examined(WorkerId(0), Silence::Starved));
    assert_eq!(bench.gaps(), [GapKind::Busy], "told once");
    bench.silent(9);
    let actions = bench.tell(Event::Examined(WorkerId(0), Silence::Running));
    let stops = actions
        .iter()
        .filter(|action| **action == Action::Stop(WorkerId(0)));
    assert_eq!(stops.count(), 1);
    assert!(
        !actions.contains(&Action::Stop(WorkerId(1))),
        "the run goes on"
    );
    let FindingKind::Stall { silent_s } = bench.findings()[0].kind else {
        panic!("{:?}", bench.findings());
    };
    assert!((silent_s - 9.0).abs() < 1e-9);

    let mut bench = Bench::running(&loaded());
    bench.silent(6);
    bench.tell(Event::Examined(WorkerId(0), Silence::StoppedFromOutside));
    bench.leave_both();
    assert!(bench.interruption().contains("stopped from outside"));
    assert!(bench.findings().is_empty());
}

/// Otherwise a processor that hangs would be taken for one that other programs use.
#[test]
fn a_processor_that_stands_still_is_a_stall() {
    let mut bench = Bench::running(&loaded());
    bench.silent(6);
    let actions = bench.tell(Event::Examined(WorkerId(0), Silence::ProcessorStill));
    assert!(actions.contains(&Action::Stop(WorkerId(0))));
    assert!(matches!(
        bench.findings()[0].kind,
        FindingKind::Stall { .. }
    ));
    assert!(bench.gaps().is_empty());
}

/// It can hold up the reader of the sensors as well, so that the guard is faster than the search for stalls.
#[test]
fn a_processor_that_stands_still_is_a_stall_also_where_the_guard_was_faster() {
    let mut bench = Bench::running(&loaded());
    bench.after(4000).tell(Event::Tick);
    bench.leave(0, Exit::Clean);
    let (mut looks, mut silences) = (0, [Silence::Starved, Silence::Running].into_iter());
    while !bench.core.is_over() {
        if bench
            .after(1000)
            .tell(Event::Tick)
            .contains(&Action::Examine(WorkerId(1)))
        {
            looks += 1;
            let silence = silences.next().unwrap_or(Silence::ProcessorStill);
            bench.tell(Event::Examined(WorkerId(1), silence));
        }
    }
    assert_eq!(looks, 3, "a final answer is not asked for again");
    assert!(matches!(bench.end(), End::Guard { .. }));
    assert_eq!(bench.gaps(), [GapKind::SamplerLate, GapKind::Environment]);
    let findings = bench.findings();
    let [stall] = findings[..] else {
        panic!("{:?}", bench.findings());
    };
    assert!(stall.cpu == Some(CpuId(1)), "{stall:?}");
    let FindingKind::Stall { silent_s } = stall.kind else {
        panic!("{stall:?}");
    };
    assert!(silent_s > 10.0, "counted from the last beat: {silent_s}");
}

#[test]
fn a_worker_that_pauses_or_still_gets_its_memory_is_not_silent() {
    let mut bench = Bench::running(&loaded());
    let mut pausing = progress(0, 60);
    pausing.pausing = true;
    let event = |worker: WorkerProgress| Event::Sampled {
        readings: vec![reading(0, 50.0)],
        lost: vec![],
        workers: vec![(WorkerId(0), worker)],
    };
    let examine = Action::Examine(WorkerId(0));
    assert!(!bench.tell(event(pausing)).contains(&examine));

    let mut bench = Bench::new(&loaded(), Limits::default());
    bench.tell(Event::Begin);
    bench.warm(50.0);
    assert!(!bench.tell(event(progress(0, 60))).contains(&examine));
}

#[test]
fn the_second_wish_kills_at_once() {
    let mut bench = Bench::running(&loaded());
    bench.tell(Event::StopAsked);
    assert!(kills_first(&bench.tell(Event::KillAsked)));
    bench.leave_both();
    assert_eq!(*bench.end(), End::Stopped);
    assert!(bench.core.is_over());
    for event in [
        Event::KillAsked,
        wrong_answer(0),
        Event::StopAsked,
        Event::Tick,
    ] {
        assert!(bench.tell(event).is_empty());
    }
}

#[test]
fn a_slow_store_is_a_gap_and_then_an_end() {
    let mut bench = Bench::running(&loaded());
    bench.tell(Event::Stored(Mono(bench.ms * 1_000_000)));
    for second in 1..=31 {
        bench.after(1000).warm(50.0);
        bench.tell(Event::Tick);
        assert_eq!(bench.gaps().len(), usize::from(second >= 5), "{second} s");
    }
    assert_eq!(bench.gaps(), [GapKind::StoreSlow]);
    bench.leave_both();
    assert!(bench.interruption().contains("not confirmed on disk"));
}

#[test]
fn sleep_ends_the_run_and_a_jump_of_the_wall_clock_does_not() {
    let mut bench = Bench::running(&loaded());
    bench.wall_ms = -86_400_000;
    assert!(bench.tell(Event::Tick).is_empty());
    assert!(bench.tell(Event::Slept(900)).is_empty());
    bench.tell(Event::Slept(1500));
    bench.leave_both();
    assert!(bench.interruption().contains("sleep"));
    assert_eq!(bench.gaps(), [GapKind::Suspended]);
}

#[test]
fn a_closed_gate_keeps_the_longer_stage_from_starting() {
    let mut header = loaded();
    header.plan.stages[0].gate = StageGate::NoFinding;
    let mut bench = Bench::running(&header);
    bench.tell(wrong_answer(0));
    bench.after(5000).warm(50.0);
    assert_eq!(starts(&bench.leave_both()), 0);
    assert_eq!(*bench.end(), End::Finding);

    // Judged limit 90 C, margin 5: over 85 C the next stage does not start, up to it it does.
    header.plan.stages[0].gate = StageGate::Cool;
    for (value, next) in [(85.5, 0), (85.0, 1)] {
        let mut bench = Bench::running(&header);
        bench.after(5000).warm(value);
        assert_eq!(starts(&bench.leave_both()), next, "{value} C");
    }
}

#[test]
fn an_idle_segment_lasts_its_whole_length() {
    let mut header = loaded();
    header.plan.stages[0].segments[0].loads.clear();
    let mut bench = Bench::new(&header, Limits::default());
    bench.tell(Event::Begin);
    let mut seconds = 0;
    while starts(&bench.warm(50.0)) == 0 {
        assert!(seconds < 20, "it never ends");
        bench.after(1000);
        seconds += 1;
    }
    assert_eq!(seconds, 5);
}

#[test]
fn an_empty_stage_does_not_end_the_run_early() {
    let mut header = loaded();
    header.plan.stages[1].segments.clear();
    let mut bench = Bench::running(&header);
    bench.after(5000).warm(50.0);
    let actions = bench.leave_both();
    assert_eq!(starts(&actions), 2, "{actions:?}");
    let marks = actions
        .iter()
        .filter(|action| matches!(action, Action::Record(Entry::Stage(_))));
    assert_eq!(marks.count(), 4);
}

#[test]
fn what_a_worker_says_of_its_surroundings_is_a_gap_told_once() {
    let mut bench = Bench::running(&loaded());
    for number in [0, 1, 0] {
        let gap = Gap {
            kind: GapKind::Environment,
            about: "memory is not locked".to_owned(),
            remedy: String::new(),
        };
        bench.tell(Event::Worker(WorkerId(number), Report::Environment(gap)));
    }
    assert_eq!(bench.gaps(), [GapKind::Environment]);
}

#[test]
fn a_wall_clock_that_is_set_is_told_and_the_run_goes_on() {
    let mut bench = Bench::running(&loaded());
    bench.after(1000).warm(50.0);
    assert!(bench.gaps().is_empty());
    bench.wall_ms = -3_600_000;
    let said = bench.after(1000).warm(50.0);
    assert_eq!(bench.gaps(), [GapKind::Environment]);
    let told = format!("{said:?}");
    assert!(told.contains("set back by 3600 s"), "{told}");
    bench.tell(Event::ZoneChanged(
        "UTC".to_owned(),
        "Europe/Oslo".to_owned(),
    ));
    assert_eq!(bench.gaps().len(), 2);
    // What a time service slews is not told, a step of two seconds is, in either direction.
    for (step_ms, told) in [
        (1_999, false),
        (2_000, true),
        (-1_999, false),
        (-2_000, true),
    ] {
        let before = bench.gaps().len();
        bench.wall_ms += step_ms;
        bench.after(100).warm(50.0);
        assert_eq!(bench.gaps().len() > before, told, "{step_ms}");
    }
    // It comes to its planned end all the same: two loaded stages.
    bench.after(3000).warm(50.0);
    assert!(bench.said.contains(&Action::Stop(WorkerId(0))));
}

#[test]
fn clocks_that_run_apart_are_a_gap_told_once() {
    let mut bench = Bench::running(&loaded());
    let said = bench.tell(Event::ClocksApart(-1_500));
    bench.tell(Event::ClocksApart(-1_600));
    assert_eq!(bench.gaps(), [GapKind::TimeBase]);
    let told = format!("{said:?}");
    assert!(told.contains("run -0.15 % apart"), "{told}");
}

#[test]
fn samples_and_marks_carry_the_stage_and_the_segment_where_they_were_made() {
    let mut bench = Bench::running(&loaded());
    for _ in 0..5 {
        bench.after(1000).warm(50.0);
    }
    // The second stage has two segments of one worker each.
    bench.leave_both();
    for worker in [2, 3] {
        bench.tell(Event::Worker(WorkerId(worker), Report::Ready));
        for _ in 0..4 {
            bench.after(1000).warm(50.0);
        }
        bench.leave(worker, Exit::Clean);
    }
    let (mut samples, mut marks) = (vec![], vec![]);
    for action in &bench.said {
        if let Action::Record(Entry::Sample(sample)) = action {
            samples.push((sample.stage, sample.segment));
        } else if let Action::Record(Entry::Stage(mark)) = action {
            marks.push((mark.stage, mark.finished));
        }
    }
    samples.dedup();
    assert_eq!(samples, [(0, 0), (1, 0), (1, 1)]);
    assert_eq!(
        marks,
        [(0, false), (0, true), (1, false), (1, true), (2, false)]
    );
}

#[test]
fn a_worker_that_cannot_be_killed_does_not_keep_the_run_from_its_end() {
    let mut bench = Bench::running(&loaded());
    bench.tell(Event::StopAsked);
    bench.leave(0, Exit::Clean);
    let ms = bench.ms;
    while !bench.core.is_over() {
        assert!(bench.ms < ms + 60_000, "it waits for ever");
        bench.after(1000).warm(50.0);
        bench.tell(Event::Tick);
    }
    assert_eq!(bench.ms - ms, 31_000, "30 s from the first look on");
    assert_eq!(bench.end(), &End::Stopped, "the first reason holds");
    assert_eq!(bench.gaps(), [GapKind::Environment]);
    let said = format!("{:?}", bench.said);
    assert!(said.contains("cpu 1 could not be ended"), "{said}");
}

#[test]
fn no_segment_starts_beside_a_worker_that_cannot_be_killed() {
    let mut bench = Bench::running(&loaded());
    bench.after(5000).warm(50.0);
    bench.leave(0, Exit::Clean);
    for _ in 0..60 {
        let actions = bench.after(1000).warm(50.0);
        assert_eq!(starts(&actions), 0);
        bench.tell(Event::Stored(Mono(bench.ms * 1_000_000)));
        bench.tell(Event::Tick);
    }
    assert!(bench.interruption().contains("could not be ended"));
}

#[test]
fn a_wish_to_end_is_on_record_before_the_end() {
    let mut bench = Bench::running(&loaded());
    let said = bench.tell(Event::StopAsked);
    let mark = |shutdown: bool| move |action: &Action| matches!(action, Action::Record(Entry::StopMark(mark)) if mark.shutdown == shutdown);
    assert!(said.iter().any(mark(false)), "{said:?}");
    let said = bench.tell(Event::ShutdownBegun);
    assert!(said.iter().any(mark(true)), "{said:?}");
    bench.leave_both();
    assert_eq!(bench.end(), &End::Stopped);
}
