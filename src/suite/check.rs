//! A suite file is checked whole: every mistake with its place and what would be right.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::form::{At, CheckFormError, Draft, Keys, check_form, hint, quoted, render_duration};
use crate::model::{Asserts, Claim, HeatLimits, LoadClass, OnFinding, StageGate};

use super::check_load::check_load;
use super::check_program::check_programs;
use super::exposure::{best_exposure, check_reach};
use super::kernel_fact::{KernelBody, KernelFact, find};
use super::written::{LoadSpec, Place, Placement, StageSpec, Suite};

/// Shortest and longest stage.
const STAGE_TIME: (Duration, Duration) = (Duration::from_secs(1), Duration::from_hours(168));
/// Shortest and longest sampling period.
const SAMPLE_PERIOD: (Duration, Duration) = (Duration::from_millis(200), Duration::from_secs(60));
/// Shortest and longest time until a silent worker is looked at; shorter would call a busy machine
/// broken.
const STALL_AFTER: (Duration, Duration) = (Duration::from_secs(5), Duration::from_mins(10));
/// Shortest and longest claimed mean time between errors.
const CLAIM_TIME: (Duration, Duration) = (Duration::from_mins(1), Duration::from_hours(100));
/// Weakest and strongest confidence.
const CONFIDENCE: (f64, f64) = (0.5, 0.999);
/// Temperatures that can be meant, degrees Celsius.
const CELSIUS: (f64, f64) = (30.0, 120.0);
/// Air temperatures that can be meant, degrees Celsius.
const AIR_CELSIUS: (f64, f64) = (-40.0, 70.0);
/// Margins that can be meant, degrees.
const MARGIN_CELSIUS: (f64, f64) = (0.0, 40.0);
/// Most stages, so that a slip of the keyboard does not become a plan of a year.
const MOST_STAGES: usize = 1000;
/// Most walks that a claim may ask for.
const MOST_WALKS: u64 = 100_000;
/// A suite with a claim ends idle for this long: corrected hardware errors are polled this seldom
/// (`check_interval` of the Linux machine-check driver, 300 s).
const COOL_DOWN: Duration = Duration::from_mins(5);

const SUITE_KEYS: [&str; 8] = [
    "about",
    "asserts",
    "on-finding",
    "sample-period",
    "stall-after",
    "claim",
    "heat",
    "stage",
];
const CLAIM_KEYS: [&str; 4] = ["confidence", "total", "per-class", "walks"];
const HEAT_KEYS: [&str; 7] = [
    "judged",
    "maker",
    "below-critical",
    "fallback",
    "margin",
    "memory-module",
    "hottest-day",
];
const STAGE_KEYS: [&str; 5] = ["name", "time", "gate", "load", "program"];
const ASSERT_WORDS: [&str; 4] = ["answers", "heat", "clock", "memory"];
const CLASS_WORDS: [(&str, LoadClass); 5] = [
    ("scalar-integer", LoadClass::ScalarInteger),
    ("scalar-float", LoadClass::ScalarFloat),
    ("wide-vector", LoadClass::WideVector),
    ("memory", LoadClass::Memory),
    ("contention", LoadClass::Contention),
];
const GATE_WORDS: [(&str, StageGate); 3] = [
    ("open", StageGate::Open),
    ("no-finding", StageGate::NoFinding),
    ("cool", StageGate::Cool),
];
const ON_FINDING_WORDS: [(&str, OnFinding); 2] =
    [("stop", OnFinding::Stop), ("continue", OnFinding::Continue)];

/// Reads and checks a suite. `origin` is the file as people know it; its stem names the suite.
///
/// # Errors
/// All mistakes of the file, in its order.
pub fn parse_suite(
    origin: &str,
    text: &str,
    kernels: &[KernelFact],
) -> Result<Suite, CheckFormError> {
    check_form(origin, text, |draft, root| {
        check_suite(draft, origin, root, kernels)
    })
}

fn check_suite(
    draft: &mut Draft<'_>,
    origin: &str,
    root: &DeTable<'_>,
    kernels: &[KernelFact],
) -> Option<Suite> {
    let start = 0..0;
    let keys = Keys::open(draft, root, "the suite", &SUITE_KEYS);
    let about = keys.text(draft, "about", "of one line");
    if keys.lacks("about") {
        draft.report(
            &start,
            "`about` is missing: say in one line what the suite is for",
        );
    }
    let asserts = check_asserts(draft, &keys);
    let on_finding = keys.word(draft, "on-finding", &ON_FINDING_WORDS);
    let sample_period = keys.time(draft, "sample-period", SAMPLE_PERIOD);
    let stall_after = keys.time(draft, "stall-after", STALL_AFTER);
    let heat = check_heat(draft, &keys);
    let claim = check_claim(draft, &keys);
    let stages = check_stages(draft, &keys, kernels);
    let (claim, claim_span) = claim.map_or((None, start), |(claim, span)| (Some(claim), span));
    let place = |draft: &Draft<'_>, span: &Range<usize>| {
        let (line, column) = draft.place(span.start);
        Place { line, column }
    };
    // Sums over stages mean something only when every stage could be read.
    if let (Some(claim), true) = (&claim, draft.is_sound()) {
        check_claim_fits(draft, (claim, &claim_span), &stages, kernels);
    }
    Some(Suite {
        name: suite_name(origin),
        origin: origin.to_string(),
        about: about?.value.to_string(),
        asserts,
        claim,
        claim_place: place(draft, &claim_span),
        on_finding: on_finding.map_or(OnFinding::Stop, |word| word.value),
        sample_period: sample_period.map_or(Duration::from_secs(1), |time| time.value),
        stall_after: stall_after.map_or(Duration::from_secs(30), |time| time.value),
        heat,
        stages,
    })
}

/// The file's name without folder and ending.
fn suite_name(origin: &str) -> String {
    let file = origin.rsplit('/').next().unwrap_or(origin);
    file.strip_suffix(".toml").unwrap_or(file).to_string()
}

fn check_asserts(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Asserts {
    let words = keys.texts(draft, "asserts");
    if keys.lacks("asserts") || words.as_ref().is_some_and(Vec::is_empty) {
        let known = quoted(&ASSERT_WORDS);
        draft.report(
            &(0..0),
            format!("`asserts` is missing or empty: name some of {known}"),
        );
    }
    let words = words.unwrap_or_default();
    for word in &words {
        if !ASSERT_WORDS.contains(&word.value) {
            let hint = hint(word.value, &ASSERT_WORDS);
            draft.report(
                &word.span,
                format!("unknown assertion `{}`; {hint}", word.value),
            );
        }
    }
    let has = |name: &str| words.iter().any(|word| word.value == name);
    Asserts {
        answers: has("answers"),
        heat: has("heat"),
        clock: has("clock"),
        memory: has("memory"),
    }
}

fn check_heat(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> HeatLimits {
    let mut heat = HeatLimits::default();
    let Some((table, _)) = keys.table(draft, "heat") else {
        return heat;
    };
    let keys = Keys::open(draft, table, "[heat]", &HEAT_KEYS);
    let plain: [(&str, (f64, f64), &mut f64); 5] = [
        ("judged", CELSIUS, &mut heat.judged_c),
        ("below-critical", MARGIN_CELSIUS, &mut heat.below_critical_c),
        ("fallback", CELSIUS, &mut heat.fallback_c),
        ("margin", MARGIN_CELSIUS, &mut heat.margin_c),
        ("memory-module", CELSIUS, &mut heat.memory_module_c),
    ];
    for (key, range, field) in plain {
        if let Some(number) = keys.number(draft, key, range) {
            *field = number.value;
        }
    }
    let maker = keys.number(draft, "maker", CELSIUS);
    heat.maker_c = maker.map(|number| number.value);
    let hottest = keys.number(draft, "hottest-day", AIR_CELSIUS);
    heat.hottest_day_c = hottest.map(|number| number.value);
    heat
}

fn check_claim(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<(Claim, Range<usize>)> {
    let (table, span) = keys.table(draft, "claim")?;
    let keys = Keys::open(draft, table, "[claim]", &CLAIM_KEYS);
    let confidence = keys.number(draft, "confidence", CONFIDENCE);
    if keys.lacks("confidence") {
        draft.report(&span, "`confidence` is missing from [claim]: 0.95 is usual");
    }
    let total = keys.time(draft, "total", CLAIM_TIME);
    let walks = keys.whole(draft, "walks", (1, MOST_WALKS));
    let mut per_class_s = Vec::new();
    let mut asks = keys.get("total").is_some() || keys.get("walks").is_some();
    if let Some((table, _)) = keys.table(draft, "per-class") {
        let names = CLASS_WORDS.map(|(name, _)| name);
        let classes = Keys::open(draft, table, "[claim.per-class]", &names);
        asks |= !table.is_empty();
        for (name, class) in CLASS_WORDS {
            if let Some(time) = classes.time(draft, name, CLAIM_TIME) {
                per_class_s.push((class, time.value.as_secs_f64()));
            }
        }
    }
    if !asks {
        let message =
            "[claim] claims nothing: give `total`, `per-class` or `walks`, or leave it out";
        draft.report(&span, message);
    }
    let claim = Claim {
        confidence: confidence?.value,
        total_s: total.map(|time| time.value.as_secs_f64()),
        per_class_s,
        walks: walks.and_then(|walks| u32::try_from(walks.value).ok()),
    };
    Some((claim, span))
}

fn check_stages(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    kernels: &[KernelFact],
) -> Vec<StageSpec> {
    let tables = keys.tables(draft, "stage", "[[stage]]");
    let none =
        |value: &Spanned<DeValue<'_>>| value.get_ref().as_array().is_some_and(|all| all.is_empty());
    if keys.lacks("stage") || keys.get("stage").is_some_and(none) {
        draft.report(
            &(0..0),
            "the suite has no stage: add at least one `[[stage]]`",
        );
    }
    if let Some((_, span)) = tables.get(MOST_STAGES) {
        draft.report(
            span,
            format!("more than {MOST_STAGES} stages: make fewer, longer ones"),
        );
    }
    let mut names = BTreeSet::new();
    let mut stages: Vec<StageSpec> = Vec::new();
    for (table, span) in tables {
        let (name, stage) = check_stage(draft, table, &span, kernels);
        if let Some(again) = name.filter(|name| !names.insert(name.value)) {
            let message = format!(
                "a second stage is called `{}`: give it another name",
                again.value
            );
            draft.report(&again.span, message);
        }
        stages.extend(stage);
    }
    stages
}

fn check_stage<'a>(
    draft: &mut Draft<'_>,
    table: &'a DeTable<'_>,
    span: &Range<usize>,
    kernels: &[KernelFact],
) -> (Option<At<&'a str>>, Option<StageSpec>) {
    let keys = Keys::open(draft, table, "[[stage]]", &STAGE_KEYS);
    let name = keys.text(draft, "name", "like `\"all cores\"`");
    let time = keys.time(draft, "time", STAGE_TIME);
    for (key, what) in [("name", "a short name"), ("time", "a time like `\"20s\"`")] {
        if keys.lacks(key) {
            draft.report(span, format!("the stage has no `{key}`: give it {what}"));
        }
    }
    if let Some(empty) = name.as_ref().filter(|name| name.value.trim().is_empty()) {
        draft.report(
            &empty.span,
            "the stage's name is empty: give it a short name",
        );
    }
    let gate = keys.word(draft, "gate", &GATE_WORDS);
    let tables = keys.tables(draft, "load", "[[stage.load]]");
    let loads = check_loads(draft, &tables, kernels);
    let tables = keys.tables(draft, "program", "[[stage.program]]");
    let programs = check_programs(draft, &tables, &loads);
    let (Some(title), Some(time)) = (&name, time) else {
        return (name, None);
    };
    let (line, column) = draft.place(time.span.start);
    let stage = StageSpec {
        name: title.value.to_string(),
        time: time.value,
        gate: gate.map_or(StageGate::NoFinding, |word| word.value),
        loads,
        programs,
        time_place: Place { line, column },
    };
    (name, Some(stage))
}

fn check_loads(
    draft: &mut Draft<'_>,
    tables: &[(&DeTable<'_>, Range<usize>)],
    kernels: &[KernelFact],
) -> Vec<LoadSpec> {
    let mut loads = Vec::new();
    let mut taken = Vec::new();
    for (table, span) in tables {
        let Some((load, cores_span)) = check_load(draft, table, span, kernels) else {
            continue;
        };
        if let Placement::Cpus(cpus) = &load.cores {
            for cpu in cpus.iter().filter(|cpu| taken.contains(*cpu)) {
                let message = format!("{cpu} has two loads in one stage: name it in one of them");
                draft.report(&cores_span, message);
            }
            taken.extend(cpus.iter().copied());
        } else if tables.len() > 1 {
            let message =
                "with several loads in a stage each needs its own list of cores, `[0, 1]`";
            draft.report(&cores_span, message);
        }
        loads.push(load);
    }
    loads
}

/// A claim must be within reach of the planned stages, on the most favourable machine.
fn check_claim_fits(
    draft: &mut Draft<'_>,
    (claim, span): (&Claim, &Range<usize>),
    stages: &[StageSpec],
    kernels: &[KernelFact],
) {
    let planned = best_exposure(stages, kernels);
    for missed in check_reach(claim, &planned) {
        draft.report(span, missed.words(claim.confidence));
    }
    let mut names = stages
        .iter()
        .flat_map(|stage| &stage.loads)
        .flat_map(|load| &load.kernels);
    let walks = names.any(|name| find(kernels, name).is_some_and(|k| k.body == KernelBody::Walk));
    if claim.walks.is_some() && !walks {
        draft.report(
            span,
            "`walks` are claimed, but no stage has a kernel that walks memory",
        );
    }
    let last = stages.last();
    let cooled = last.is_some_and(|stage| {
        stage.loads.is_empty() && stage.programs.is_empty() && stage.time >= COOL_DOWN
    });
    if !cooled {
        let least = render_duration(COOL_DOWN);
        let message = format!(
            "a suite with a claim must end with an idle stage of at least {least}: late hardware \
             errors are reported this seldom"
        );
        draft.report(span, message);
    }
}
