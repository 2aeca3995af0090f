//! The verdict on one screen: what came out, by which rules, with what figures, and what to do next.

use super::aftermath::say_notes;
use super::diagnosis::{say_attribution, say_diagnoses};
use super::page::{Page, Style};
use super::program::program_words;
use super::standing::say_standing;
use super::units::{count, counted, figure, instant, per_cent, span, time_of_day};
use crate::model::{
    Cause, ClockSummary, Cooling, CrashManner, End, Finding, FindingKind, HeatSummary,
    MemoryFaultClass, Plateau, Record, Rule, RuleEffect, Severity, Verdict, VoltageSummary,
};

/// Most lines of a kind on the one-screen verdict; the report has them all.
const RULES: usize = 5;
const HELD: usize = 2;
const FINDINGS: usize = 6;
const GAPS: usize = 3;
const POINTS_AT: usize = 1;
const NEXT: usize = 3;
const VOLTAGES: usize = 2;

/// One screen (24 lines of 80 columns) for an ordinary verdict; longer only with findings.
pub fn verdict_text(record: &Record, verdict: &Verdict, style: Style) -> String {
    let mut page = Page::new(&style);
    page.grade(verdict.grade, &headline(verdict));
    page.say("run", &run_words(record, &style));
    say_standing(&mut page, record);
    say_rules(&mut page, verdict, Some(RULES));
    say_findings(&mut page, verdict, &style, Some(FINDINGS));
    say_exposure(&mut page, verdict, true);
    say_figures(&mut page, verdict, Some(VOLTAGES));
    say_gaps(&mut page, verdict, Some(GAPS));
    say_diagnoses(&mut page, verdict, Some(POINTS_AT));
    say_attribution(&mut page, record, verdict);
    say_next(&mut page, verdict, Some(NEXT));
    say_notes(&mut page, record, &style);
    page.say("more", &more_words(record, &style));
    page.finish()
}

/// What was concluded, all of it, for the longer report.
pub(super) fn say_all(page: &mut Page, record: &Record, verdict: &Verdict, style: &Style) {
    say_rules(page, verdict, None);
    say_findings(page, verdict, style, None);
    say_exposure(page, verdict, false);
    say_figures(page, verdict, None);
    say_gaps(page, verdict, None);
    say_diagnoses(page, verdict, None);
    say_attribution(page, record, verdict);
    say_next(page, verdict, None);
}

pub(super) fn headline(verdict: &Verdict) -> String {
    if verdict.causes.is_empty() {
        return verdict.headline.clone();
    }
    let causes: Vec<&str> = verdict.causes.iter().map(|c| cause_words(*c)).collect();
    format!("{}: {}", causes.join(", "), verdict.headline)
}

fn cause_words(cause: Cause) -> &'static str {
    match cause {
        Cause::Computation => "computation",
        Cause::Memory => "memory",
        Cause::Contention => "contention",
        Cause::Crash => "crash",
        Cause::Reset => "reset",
        Cause::HardwareError => "hardware error",
        Cause::Heat => "heat",
        Cause::OwnProgram => "own program",
    }
}

/// Number, suite, times, host and how it ended, in one sentence.
pub(super) fn run_words(record: &Record, style: &Style) -> String {
    let header = &record.header;
    let number = style.run.map_or_else(String::new, |run| format!("{run}, "));
    let until = record.last_known().seconds_since(header.started.mono);
    let end = record.end.as_ref().map_or_else(
        || "no end on record".to_owned(),
        |end| end_words(&end.what).to_owned(),
    );
    let simulated = if header.machine.simulated {
        " (simulated machine)"
    } else {
        ""
    };
    format!(
        "{number}suite `{}` on {}{simulated}, {}, {}; {end}",
        header.plan.suite,
        header.machine.host,
        instant(header.started.wall, &style.zone),
        span(until),
    )
}

pub(super) fn end_words(end: &End) -> String {
    match end {
        End::Complete => "all stages run".to_owned(),
        End::Finding => "ended by a finding".to_owned(),
        End::Stopped => "stopped by a person or a shutdown".to_owned(),
        End::Interrupted { reason } => format!("interrupted: {reason}"),
        End::Guard { reason } => format!("stopped by the guard: {reason}"),
        End::Reset => "cut short by a reset of the machine".to_owned(),
    }
}

fn more_words(record: &Record, style: &Style) -> String {
    style.run.map_or_else(
        || format!("`soakproof report {}`", record.header.id),
        |run| format!("`soakproof report {run}`, and with `--json` for programs"),
    )
}

pub(super) fn effect_words(effect: RuleEffect) -> &'static str {
    match effect {
        RuleEffect::Met => "held",
        RuleEffect::Caps => "caps at provisional",
        RuleEffect::Marginal => "makes it marginal",
        RuleEffect::Fails => "fails it",
        RuleEffect::Inconclusive => "leaves it inconclusive",
        RuleEffect::Told => "told only",
    }
}

pub(super) fn rule_words(rule: &Rule) -> String {
    let threshold = if rule.threshold.is_empty() {
        String::new()
    } else {
        format!(" against {}", rule.threshold)
    };
    format!(
        "{} {}: {}{threshold}",
        rule.name,
        effect_words(rule.effect),
        rule.figure
    )
}

/// The rules that decided; where every rule held, the first ones that did.
fn say_rules(page: &mut Page, verdict: &Verdict, most: Option<usize>) {
    let decides = |rule: &&Rule| !matches!(rule.effect, RuleEffect::Met | RuleEffect::Told);
    let deciding: Vec<&Rule> = verdict.rules.iter().filter(decides).collect();
    let decides_any = !deciding.is_empty();
    let shown: Vec<&Rule> = if most.is_none() || !decides_any {
        verdict.rules.iter().collect()
    } else {
        deciding
    };
    let most = if decides_any {
        most
    } else {
        most.map(|_| HELD)
    };
    let lines: Vec<String> = shown.iter().map(|rule| rule_words(rule)).collect();
    say_list(page, "decided by", &lines, most);
}

/// Lines under one label, the rest of them counted.
fn say_list(page: &mut Page, label: &str, lines: &[String], most: Option<usize>) {
    let most = most.unwrap_or(lines.len());
    for (index, line) in lines.iter().take(most).enumerate() {
        page.say(if index == 0 { label } else { "" }, line);
    }
    if lines.len() > most {
        page.say(
            "",
            &format!("and {} more in the report", lines.len() - most),
        );
    }
}

fn say_findings(page: &mut Page, verdict: &Verdict, style: &Style, most: Option<usize>) {
    let lines: Vec<String> = verdict
        .findings
        .iter()
        .map(|finding| finding_words(finding, style))
        .collect();
    say_list(page, "findings", &lines, most);
}

/// One finding with its circumstances.
pub fn finding_words(finding: &Finding, style: &Style) -> String {
    let mut words = vec![format!(
        "{} {}",
        time_of_day(finding.at.wall, &style.zone),
        kind_words(&finding.kind)
    )];
    words.extend(finding.cpu.map(|cpu| format!("on {cpu}")));
    words.extend(finding.kernel.as_ref().map(|name| format!("under {name}")));
    words.push(format!("in stage `{}`", finding.stage));
    let mut text = words.join(" ");
    if let Some(celsius) = finding.temperature_c {
        text.push_str(&format!(", {} C", figure(celsius, 1)));
    }
    if let Some(mhz) = finding.clock_mhz {
        text.push_str(&format!(", {} MHz", figure(mhz, 0)));
    }
    if finding.events > 1 {
        text.push_str(&format!(", {} times", count(finding.events)));
    }
    text
}

pub(super) fn kind_words(kind: &FindingKind) -> String {
    match kind {
        FindingKind::WrongAnswer(wrong) => format!(
            "wrong answer (pass {}, step {}, {} wrong: expected {:016x}, got {:016x})",
            wrong.pass,
            wrong.step,
            counted(u64::from(wrong.xor().count_ones()), "bit", "bits"),
            wrong.expected,
            wrong.got
        ),
        FindingKind::WrongMemory(fault) => format!(
            "{} at {:#x}{} (pass {}, step {}, rose {:016x}, fell {:016x})",
            fault_words(fault.class),
            fault.address,
            fault
                .physical
                .map_or_else(String::new, |at| format!(", physical {at:#x}")),
            fault.pass,
            fault.step,
            fault.rose(),
            fault.fell()
        ),
        FindingKind::Trap {
            signal,
            code,
            address,
            instruction,
        } => trap_words(*signal, *code, *address, *instruction),
        FindingKind::Stall { silent_s } => {
            format!("stall: {} without progress", span(*silent_s))
        }
        FindingKind::HardwareError {
            severity,
            source,
            text,
            count: errors,
        } => format!(
            "{} from {source}: {text}, {}",
            severity_words(*severity),
            counted(*errors, "error", "errors")
        ),
        FindingKind::OverHot {
            label,
            reading_c,
            ceiling_c,
        } => format!(
            "over-hot: {label} {} C, ceiling {} C",
            figure(*reading_c, 1),
            figure(*ceiling_c, 1)
        ),
        FindingKind::Throttled { source, events } => {
            format!(
                "throttled: {} by {source}",
                counted(*events, "event", "events")
            )
        }
        FindingKind::OwnProgram {
            program,
            number,
            failure,
            words,
        } => program_words((program, *number), failure, words),
        FindingKind::CoolingStopped { label } => format!("cooling stopped: {label} stands still"),
        FindingKind::Reset { manner, evidence } => {
            format!("reset, {}: {evidence}", manner_words(*manner))
        }
    }
}

fn trap_words(
    signal: i32,
    code: Option<i32>,
    address: Option<u64>,
    instruction: Option<u64>,
) -> String {
    let mut text = format!("trap: signal {signal}");
    if let Some(code) = code {
        text.push_str(&format!(" code {code}"));
    }
    if let Some(address) = address {
        text.push_str(&format!(" at address {address:#x}"));
    }
    if let Some(instruction) = instruction {
        text.push_str(&format!(", instruction {instruction:#x}"));
    }
    text
}

pub(super) fn fault_words(class: MemoryFaultClass) -> &'static str {
    match class {
        MemoryFaultClass::WrongRead => "memory read wrongly once",
        MemoryFaultClass::WrongStore => "memory kept a wrong word",
        MemoryFaultClass::StuckBit => "memory has a stuck bit",
    }
}

fn severity_words(severity: Severity) -> &'static str {
    match severity {
        Severity::Corrected => "corrected hardware error",
        Severity::Uncorrected => "uncorrected hardware error",
        Severity::Fatal => "fatal hardware error",
    }
}

fn manner_words(manner: CrashManner) -> &'static str {
    match manner {
        CrashManner::Hang => "it hung",
        CrashManner::Panic => "the kernel panicked",
        CrashManner::Sudden => "without a word",
        CrashManner::Unknown => "manner unknown",
    }
}

/// Bound of the mean time between errors, and the claim beside it.
fn bound_words(bound_s: Option<f64>, confidence: f64, claim_s: Option<f64>) -> String {
    let bound = bound_s.map_or_else(
        || "shows nothing".to_owned(),
        |bound| {
            format!(
                "mean time between errors over {} at {}",
                span(bound),
                per_cent(confidence)
            )
        },
    );
    let claim = claim_s.map_or_else(String::new, |claim| format!(", claim {}", span(claim)));
    format!("{bound}{claim}")
}

fn say_exposure(page: &mut Page, verdict: &Verdict, short: bool) {
    let total = &verdict.total;
    let cores = if short {
        String::new()
    } else {
        format!(" (core time {})", span(total.exposure.cores_s))
    };
    page.say(
        "exposure",
        &format!(
            "{}{cores}, {}, {}, {}",
            span(total.exposure.machine_s),
            counted(total.exposure.passes, "pass", "passes"),
            counted(total.faults, "fault", "faults"),
            counted(total.load_steps, "load step", "load steps"),
        ),
    );
    page.say(
        "",
        &bound_words(total.bound_s, total.confidence, total.claim_s),
    );
    for class in &verdict.classes {
        let faults = if class.faults > 0 {
            format!(" {},", counted(class.faults, "fault", "faults"))
        } else {
            String::new()
        };
        let bound = class.bound_s.map_or_else(
            || "shows nothing".to_owned(),
            |bound| format!("over {} at {}", span(bound), per_cent(class.confidence)),
        );
        let claim = class
            .claim_s
            .map_or_else(String::new, |claim| format!(", claim {}", span(claim)));
        page.say(
            "",
            &format!(
                "{}: {},{faults} {bound}{claim}",
                class.class,
                span(class.exposure.machine_s)
            ),
        );
    }
}

fn say_figures(page: &mut Page, verdict: &Verdict, most: Option<usize>) {
    if let Some(heat) = &verdict.heat {
        page.say("heat", &heat_words(heat));
        if let Some(cooling) = &heat.cooling {
            page.say("", &cooling_words(cooling));
        }
    }
    if most.is_some() {
        // On one screen the class with the lowest clock stands for all.
        let lowest = verdict
            .clocks
            .iter()
            .min_by(|one, other| one.slowest_core_mhz.total_cmp(&other.slowest_core_mhz));
        say_list(
            page,
            "clock",
            &lowest.map(clock_words).into_iter().collect::<Vec<_>>(),
            None,
        );
    } else {
        let clocks: Vec<String> = verdict.clocks.iter().map(clock_words).collect();
        say_list(page, "clock", &clocks, None);
    }
    let voltages: Vec<String> = verdict.voltages.iter().map(voltage_words).collect();
    say_list(page, "voltage", &voltages, most);
}

pub(super) fn heat_words(heat: &HeatSummary) -> String {
    let mut words = Vec::new();
    words.extend(heat.idle_c.map(|idle| format!("idle {}", figure(idle, 1))));
    words.extend(
        heat.settled_c
            .map(|end| format!("settled {}", figure(end, 1))),
    );
    words.push(format!("peak {}", figure(heat.peak_c, 1)));
    words.push(format!("limit {}", figure(heat.limit_c, 1)));
    words.push(format!("headroom {} C", figure(heat.headroom_c, 1)));
    let plateau = match heat.plateau {
        Plateau::TooShortToSay => "too short to say whether it levelled off",
        Plateau::NotReached => "no plateau yet",
        Plateau::Reached => "plateau reached",
        Plateau::Settled => "settled",
    };
    let slope = heat.slope_c_per_10min.map_or_else(String::new, |slope| {
        format!(" ({} C in 10 min)", figure(slope, 2))
    });
    let constant = heat.time_constant_s.map_or_else(String::new, |seconds| {
        format!(", time constant {}", span(seconds))
    });
    format!(
        "{}: {}; {plateau}{slope}{constant}",
        heat.label,
        words.join(", ")
    )
}

/// Air, resistance with its two sources, and the hottest day.
pub(super) fn cooling_words(cooling: &Cooling) -> String {
    let by = cooling.air_sensor.as_ref();
    let by = by.map_or_else(|| "declared".to_owned(), |label| format!("by {label}"));
    let mut text = format!("air {} ({by})", figure(cooling.air_c, 1));
    if let Some(power) = &cooling.power {
        text.push_str(&format!(
            ", {} W by {}",
            figure(power.watts, 1),
            power.source
        ));
    }
    if let Some(resistance) = cooling.resistance_k_per_w {
        text.push_str(&format!(", {} K/W over the air", figure(resistance, 3)));
    }
    if let Some(day) = &cooling.hottest_day {
        text.push_str(&format!(
            "; headroom {} C on a day of {} C",
            figure(day.headroom_c, 1),
            figure(day.air_c, 0)
        ));
    }
    text
}

pub(super) fn clock_words(clock: &ClockSummary) -> String {
    let declared = clock.declared_mhz.map_or_else(
        || "nothing declared".to_owned(),
        |mhz| format!("declared {}", figure(mhz, 0)),
    );
    let kind = clock.kind.as_ref();
    let kind = kind.map_or_else(String::new, |kind| format!(", {kind} cores"));
    format!(
        "{}{kind}: {} to {}, median {} MHz; {declared}",
        clock.class,
        figure(clock.slowest_core_mhz, 0),
        figure(clock.fastest_core_mhz, 0),
        figure(clock.median_mhz, 0)
    )
}

pub(super) fn voltage_words(voltage: &VoltageSummary) -> String {
    let mut words = Vec::new();
    words.extend(voltage.idle_mv.map(|mv| format!("idle {}", figure(mv, 0))));
    let one_core = voltage.one_core_mv;
    words.extend(one_core.map(|mv| format!("one core {}", figure(mv, 0))));
    words.extend(voltage.load_mv.map(|mv| format!("load {}", figure(mv, 0))));
    words.push(format!("lowest {}", figure(voltage.lowest_mv, 0)));
    words.extend(
        voltage
            .droop_mv
            .map(|mv| format!("droop {}", figure(mv, 0))),
    );
    let step = voltage
        .step_mv
        .map_or_else(String::new, |mv| format!("; step {}", figure(mv, 1)));
    let slope = voltage
        .slope
        .as_ref()
        .map_or_else(String::new, |slope| format!(", {slope}"));
    format!("{}: {} mV{step}{slope}", voltage.label, words.join(", "))
}

fn say_gaps(page: &mut Page, verdict: &Verdict, most: Option<usize>) {
    let lines: Vec<String> = verdict.gaps.iter().map(gap_words).collect();
    say_list(page, "not seen", &lines, most);
}

pub(super) fn gap_words(gap: &crate::model::Gap) -> String {
    if gap.remedy.is_empty() {
        gap.about.clone()
    } else {
        format!("{}: {}", gap.about, gap.remedy)
    }
}

fn say_next(page: &mut Page, verdict: &Verdict, most: Option<usize>) {
    let lines: Vec<String> = verdict
        .next
        .iter()
        .enumerate()
        .map(|(index, line)| format!("{}. {line}", index + 1))
        .collect();
    say_list(page, "try next", &lines, most);
}
