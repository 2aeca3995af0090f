//! The table itself, best row first. What the trade does without a published source is marked; none of
//! these rows has one.

use super::figures::{
    at_limit_too, below_clock, dies_apart, disagreeing, is_hot, soaking, unlike_declared,
};
use super::memory::{memory_only, one_place};
use super::signs::{Fault, In, Signs, Under, is_corrected, is_in_shared_cache, without_a_word};
use crate::model::{Evidence, FindingKind, LoadClass, Pattern, Rhythm};
use crate::verdict::words::counted;

/// One pattern.
#[derive(Debug)]
pub(super) struct Row {
    pub(super) pattern: Pattern,
    pub(super) points_at: &'static str,
    pub(super) try_next: &'static str,
    pub(super) mind: &'static str,
    pub(super) common_practice: bool,
    /// It lays the blame on a setting.
    pub(super) blames_setting: bool,
    /// While it holds, no setting can be blamed.
    pub(super) forbids_blame: bool,
    /// Why it holds; empty where it does not.
    pub(super) evidence: fn(&Signs<'_>) -> Vec<Evidence>,
}

const fn blames(
    pattern: Pattern,
    points_at: &'static str,
    try_next: &'static str,
    evidence: fn(&Signs<'_>) -> Vec<Evidence>,
) -> Row {
    Row {
        pattern,
        points_at,
        try_next,
        mind: "",
        common_practice: true,
        blames_setting: true,
        forbids_blame: false,
        evidence,
    }
}

const fn names(
    pattern: Pattern,
    points_at: &'static str,
    try_next: &'static str,
    evidence: fn(&Signs<'_>) -> Vec<Evidence>,
) -> Row {
    Row {
        blames_setting: false,
        ..blames(pattern, points_at, try_next, evidence)
    }
}

/// All rows; those that forbid blame stand before those that lay it.
pub(super) const TABLE: &[Row] = &[
    Row {
        common_practice: false,
        ..names(
            Pattern::CoolingStopped,
            "a fan or pump that had turned and stands still",
            "look at its plug, cable and blades before the next run",
            |signs| signs.findings(|kind| matches!(kind, FindingKind::CoolingStopped { .. })),
        )
    },
    Row {
        common_practice: false,
        ..names(
            Pattern::NamedPart,
            "the part that the hardware itself names",
            "look at that part before anything else",
            named_part,
        )
    },
    names(
        Pattern::OneModule,
        "one memory module, or one place of it",
        "test that module alone, then in another slot",
        one_place,
    ),
    Row {
        forbids_blame: true,
        ..names(
            Pattern::ErrorsWhileHot,
            "heat first: at its limit a processor errs at settings that hold when it is cooler, so \
             nothing can be said of voltage or clock yet",
            "cool it and run the same suite again: mount, paste, air flow, or one step less core clock",
            while_hot,
        )
    },
    Row {
        forbids_blame: true,
        common_practice: false,
        ..names(
            Pattern::Confounded,
            "more than one thing was altered, so the failure can be put down to none of them",
            "go back to what held and alter one thing at a time",
            unlike_declared,
        )
    },
    blames(
        Pattern::ResetAlone,
        "the power supply or a regulator that switched off to protect itself, or a core voltage far too \
         low",
        "one step more core voltage; if it goes down again, the supply and its cables",
        reset_alone,
    ),
    blames(
        Pattern::LowLoad,
        "the voltage at low load, where clocks step up from rest",
        "one step more core voltage, at low load alone where the firmware can",
        low_load,
    ),
    Row {
        mind: "a load line that droops less lets the voltage overshoot as load goes away: one level at a \
               time, and never past the maker's highest voltage",
        ..blames(
            Pattern::LoadSteps,
            "the dip of the supply as load sets in",
            "one step more core voltage; only if that does not help, one level of a load line that \
             droops less",
            load_steps,
        )
    },
    blames(
        Pattern::MemoryOnly,
        "the memory: modules, controller, or their rate and timings",
        "one step more memory voltage within the modules' rating; then the controller's voltage, then a \
         lower rate or looser timings",
        memory_only,
    ),
    blames(
        Pattern::CacheOnly,
        "the clock of cache and ring",
        "one step less cache clock",
        cache_only,
    ),
    blames(
        Pattern::WideOnly,
        "the clock under wide vectors",
        "a clock offset for wide vectors one step larger, or one step more core voltage",
        wide_only,
    ),
    blames(
        Pattern::Computation,
        "a core voltage too low for this clock",
        "one step more core voltage, or one step less core clock",
        computation,
    ),
    blames(
        Pattern::OneCore,
        "the margin of that one core",
        "that core's own voltage or clock, where it can be set by itself",
        one_core,
    ),
    names(
        Pattern::OwnProgram,
        "the program itself, or a load that no kernel here makes",
        "run the same suite at the last settings that held: a program that fails there too is broken by \
         itself",
        |signs| match signs.erred() {
            true => Vec::new(),
            false => signs.findings(|kind| matches!(kind, FindingKind::OwnProgram { .. })),
        },
    ),
    blames(
        Pattern::CorrectedOnly,
        "a margin that is nearly gone",
        "one step back, at the part that the hardware names",
        |signs| match signs.erred() {
            true => Vec::new(),
            false => signs.findings(is_corrected),
        },
    ),
    names(
        Pattern::Hot,
        "more heat than the cooling carries away at this voltage and clock",
        "one step less core voltage while every answer stays right; then less clock, a larger offset for \
         wide vectors, or a better mount and air flow",
        |signs| match signs.erred() {
            true => Vec::new(),
            false => is_hot(signs),
        },
    ),
    names(
        Pattern::BelowDeclaredClock,
        "thermal throttling: the clock falls where the heat is at its limit",
        "cool it, then hold the clock against the declared one again",
        |signs| below_clock(signs, true, false),
    ),
    names(
        Pattern::BelowDeclaredClock,
        "an offset for wide vectors that is larger than intended",
        "look what the offset is set to in the firmware",
        |signs| below_clock(signs, false, true),
    ),
    names(
        Pattern::BelowDeclaredClock,
        "a limit of power or current, or an offset that is larger than intended",
        "look at the power and current limits in the firmware, and keep them within what board and cooler \
         are made for",
        |signs| below_clock(signs, false, false),
    ),
    names(
        Pattern::UnevenMount,
        "a cooler that does not sit evenly on all dies",
        "mount the cooler anew, with fresh paste and evenly tightened",
        dies_apart,
    ),
    names(
        Pattern::HeatSoak,
        "heat-soak: air in the case, a liquid that is still getting warmer, a pump, or too little air flow",
        "better air flow through case and radiator; look whether the pump turns at full speed",
        soaking,
    ),
    names(
        Pattern::SensorsDisagree,
        "one of two sensors of the same voltage is wrong",
        "do not set anything by them; a meter at the board's measuring points decides",
        disagreeing,
    ),
];

fn named_part(signs: &Signs<'_>) -> Vec<Evidence> {
    signs.findings(|kind| matches!(kind, FindingKind::HardwareError { .. }) && !is_corrected(kind))
}

/// Errors together with heat at its limit.
fn while_hot(signs: &Signs<'_>) -> Vec<Evidence> {
    if !signs.erred() {
        return Vec::new();
    }
    let mut hot = at_limit_too(signs);
    if !hot.is_empty() {
        hot.extend(signs.told(|_| true));
    }
    hot
}

/// Nothing but the machine going down, and not at rest.
fn reset_alone(signs: &Signs<'_>) -> Vec<Evidence> {
    let alone = |fault: &Fault<'_>| without_a_word(fault.finding) && fault.under != Under::LowLoad;
    if signs.all(alone) && signs.findings(is_corrected).is_empty() {
        return signs.told(|_| true);
    }
    let untold = signs
        .untold_reset
        .is_some_and(|under| under != Under::LowLoad);
    if untold && signs.record.findings.is_empty() {
        let what = "the machine went down in mid-run".to_owned();
        return vec![Evidence::Declared { what }];
    }
    Vec::new()
}

fn low_load(signs: &Signs<'_>) -> Vec<Evidence> {
    if signs.untold_reset == Some(Under::LowLoad) && signs.faults.is_empty() {
        let what = "the machine went down while it idled".to_owned();
        return vec![Evidence::Declared { what }];
    }
    let idle = |fault: &Fault<'_>| fault.under == Under::LowLoad && fault.what != In::Memory;
    if !signs.all(idle) {
        return Vec::new();
    }
    let mut because = signs.told(|_| true);
    let even_s = signs.seconds(|class, _, rhythm| is_computing(class) && rhythm == Rhythm::Even);
    because.extend((even_s > 0.0).then(|| Evidence::Clean {
        what: "even load".to_owned(),
        checked_s: even_s,
        // A burst is no length of time, so there are no rates to compare.
        chance: None,
    }));
    because
}

fn load_steps(signs: &Signs<'_>) -> Vec<Evidence> {
    if !signs.all(|fault| fault.under == Under::Steps && fault.what == In::Core) {
        return Vec::new();
    }
    let erred = |class| signs.faults.iter().any(|fault| fault.class == Some(class));
    let stepped = |rhythm| matches!(rhythm, Rhythm::Pulsed { .. });
    let stepped_s = signs.seconds(|class, _, rhythm| erred(class) && stepped(rhythm));
    let even_s = signs.seconds(|class, _, rhythm| erred(class) && rhythm == Rhythm::Even);
    let clean = signs.clean(
        "the same classes of load without steps",
        (stepped_s, even_s),
    );
    with(signs, clean)
}

fn cache_only(signs: &Signs<'_>) -> Vec<Evidence> {
    if !signs.all(|fault| fault.what == In::SharedCache) {
        return Vec::new();
    }
    let shared = |class, name: &str| class == LoadClass::Contention || is_in_shared_cache(name);
    let shared_s = signs.seconds(|class, name, _| shared(class, name));
    let own_s = signs.seconds(|class, name, _| is_computing(class) && !shared(class, name));
    let clean = signs.clean("computing in the cores' own caches", (shared_s, own_s));
    with(signs, clean)
}

/// How long wide vectors and narrow loads ran.
fn widths(signs: &Signs<'_>) -> (f64, f64) {
    let narrow = |class| matches!(class, LoadClass::ScalarInteger | LoadClass::ScalarFloat);
    let wide_s = signs.seconds(|class, _, _| class == LoadClass::WideVector);
    (wide_s, signs.seconds(|class, _, _| narrow(class)))
}

fn wide_only(signs: &Signs<'_>) -> Vec<Evidence> {
    let wide =
        |fault: &Fault<'_>| fault.class == Some(LoadClass::WideVector) && fault.what == In::Core;
    if !signs.all(wide) || !load_steps(signs).is_empty() || !low_load(signs).is_empty() {
        return Vec::new();
    }
    with(signs, signs.clean("narrow loads", widths(signs)))
}

/// The general case: what no narrower row explains beyond chance.
fn computation(signs: &Signs<'_>) -> Vec<Evidence> {
    let in_core = |fault: &Fault<'_>| match fault.what {
        In::Core | In::SharedCache => true,
        In::Machine => !without_a_word(fault.finding),
        In::Memory => false,
    };
    let mut because = signs.told(in_core);
    let narrower = [cache_only, load_steps, low_load, wide_only];
    let explained = narrower.iter().any(|row| is_beyond_chance(&row(signs)));
    if because.is_empty() || explained {
        return Vec::new();
    }
    if signs.faults.iter().any(|fault| fault.what == In::Memory) {
        let what =
            "memory went wrong too, which a core that computes wrongly brings about by itself";
        because.push(Evidence::Declared {
            what: what.to_owned(),
        });
    }
    let (wide_s, narrow_s) = widths(signs);
    for (class, seconds) in [
        (LoadClass::WideVector, wide_s),
        (LoadClass::ScalarInteger, narrow_s),
    ] {
        because.extend((seconds <= 0.0).then_some(Evidence::NotRun { class }));
    }
    because
}

/// Fewer than 1 case in 20 by chance; where no chance can be given, the pattern is taken for what it is.
fn is_beyond_chance(because: &[Evidence]) -> bool {
    let weak = |evidence: &Evidence| matches!(evidence, Evidence::Clean { chance: Some(chance), .. } if *chance > 0.05);
    !because.is_empty() && !because.iter().any(weak)
}

/// One core that erred more than once while others ran beside it.
fn one_core(signs: &Signs<'_>) -> Vec<Evidence> {
    let cores: std::collections::BTreeSet<Option<u32>> =
        signs.cores().map(|fault| fault.core).collect();
    let events: u64 = signs.cores().map(|fault| fault.finding.events).sum();
    let others = signs.record.header.machine.core_count().saturating_sub(1);
    let mut cores = cores.into_iter();
    let (Some(Some(core)), None) = (cores.next(), cores.next()) else {
        return Vec::new();
    };
    if events < 2 || others == 0 || signs.untold_reset.is_some() {
        return Vec::new();
    }
    let mut because = signs.told(|fault| fault.what != In::Memory);
    because.push(Evidence::Declared {
        what: format!(
            "all on core {core}, none on {}",
            counted(u64::try_from(others).unwrap_or(u64::MAX), "other core")
        ),
    });
    because
}

/// All faults, and beside them the load that held; nothing where no load did.
fn with(signs: &Signs<'_>, clean: Option<Evidence>) -> Vec<Evidence> {
    let Some(clean) = clean else {
        return Vec::new();
    };
    let mut because = signs.told(|_| true);
    because.push(clean);
    because
}

pub(super) fn is_computing(class: LoadClass) -> bool {
    match class {
        LoadClass::ScalarInteger | LoadClass::ScalarFloat | LoadClass::WideVector => true,
        LoadClass::Memory | LoadClass::Contention => false,
    }
}
