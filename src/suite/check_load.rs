//! One load of a stage: its kernels, cores, rhythm and memory.

use std::ops::Range;
use std::time::Duration;

use toml::de::{DeTable, DeValue};

use crate::form::{Draft, Keys, hint, read_whole};
use crate::model::{CpuId, MemoryShare, Rhythm};

use super::kernel_fact::{KernelBody, KernelFact, find};
use super::written::{LoadSpec, Place, Placement};

const LOAD_KEYS: [&str; 10] = [
    "kernels",
    "cores",
    "rhythm",
    "period",
    "duty",
    "longest-gap",
    "seed",
    "switch",
    "memory",
    "flush",
];
/// Shortest and longest period of a pulsed load.
const PERIOD: (Duration, Duration) = (Duration::from_millis(20), Duration::from_mins(10));
/// Shortest and longest of the longest gaps of a sparse load.
const LONGEST_GAP: (Duration, Duration) = (Duration::from_millis(10), Duration::from_secs(10));
/// Shortest and longest time until the next kernel.
const SWITCH: (Duration, Duration) = (Duration::from_millis(20), Duration::from_hours(1));
/// Until the next kernel where the suite says nothing.
const DEFAULT_SWITCH_MS: u32 = 2000;
/// Where the suite does not name a longest gap.
const DEFAULT_LONGEST_GAP: Duration = Duration::from_secs(1);
/// Least amount of memory worth a walk.
const LEAST_MEMORY: u64 = 1 << 20;
/// Highest CPU number that can be meant.
const HIGHEST_CPU: u64 = 65_535;
/// Units of an amount of memory.
const MEMORY_UNITS: [(&str, u64); 3] = [("MiB", 1 << 20), ("GiB", 1 << 30), ("TiB", 1 << 40)];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum RhythmWord {
    Even,
    Pulsed,
    Sparse,
}

const RHYTHM_WORDS: [(&str, RhythmWord); 3] = [
    ("even", RhythmWord::Even),
    ("pulsed", RhythmWord::Pulsed),
    ("sparse", RhythmWord::Sparse),
];

/// Checks one load; gives it with the place of its cores.
pub(super) fn check_load(
    draft: &mut Draft<'_>,
    table: &DeTable<'_>,
    span: &Range<usize>,
    kernels: &[KernelFact],
) -> Option<(LoadSpec, Range<usize>)> {
    let keys = Keys::open(draft, table, "[[stage.load]]", &LOAD_KEYS);
    let names = check_kernels(draft, &keys, span, kernels);
    let body = names
        .as_deref()
        .and_then(|names| find(kernels, names.first()?));
    let body = body.map(|kernel| kernel.body);
    let cores = check_cores(draft, &keys, span);
    let rhythm = check_rhythm(draft, &keys, body);
    let several = names.as_ref().is_some_and(|names| names.len() > 1);
    let switch_ms = check_switch(draft, &keys, several);
    let memory = check_memory(draft, &keys, span, body);
    let flush = check_flush(draft, &keys, body);
    let span_of = |key: &str| {
        keys.get(key)
            .map_or_else(|| span.clone(), toml::Spanned::span)
    };
    let place = |draft: &Draft<'_>, key: &str| {
        let (line, column) = draft.place(span_of(key).start);
        Place { line, column }
    };
    let load = LoadSpec {
        kernels: names?,
        cores: cores?,
        rhythm: rhythm?,
        switch_ms,
        memory,
        flush,
        cores_place: place(draft, "cores"),
        memory_place: place(draft, "memory"),
    };
    Some((load, span_of("cores")))
}

fn check_kernels(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    span: &Range<usize>,
    kernels: &[KernelFact],
) -> Option<Vec<String>> {
    let names = keys.texts(draft, "kernels");
    if keys.lacks("kernels") || names.as_ref().is_some_and(Vec::is_empty) {
        draft.report(span, "the load has no `kernels`: name at least one");
    }
    let names = names?;
    let known: Vec<&str> = kernels.iter().map(|kernel| kernel.name.as_str()).collect();
    let mut first: Option<&KernelFact> = None;
    for (index, name) in names.iter().enumerate() {
        let Some(fact) = find(kernels, name.value) else {
            let hint = hint(name.value, &known);
            draft.report(
                &name.span,
                format!("unknown kernel `{}`; {hint}", name.value),
            );
            continue;
        };
        if names[..index].iter().any(|other| other.value == name.value) {
            draft.report(
                &name.span,
                format!("`{}` is named twice in one load", name.value),
            );
        }
        let leader = *first.get_or_insert(fact);
        if fact.body != leader.body {
            let message = format!(
                "`{}` {}, but `{}` {}: put them in stages of their own",
                fact.name,
                fact.body.words(),
                leader.name,
                leader.body.words()
            );
            draft.report(&name.span, message);
        }
    }
    Some(names.iter().map(|name| name.value.to_string()).collect())
}

fn check_cores(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    span: &Range<usize>,
) -> Option<Placement> {
    /// What `cores` may be, for messages.
    const FORM: &str = "`\"all\"`, `\"one-per-core\"`, `\"one-by-one\"` or a list like `[0, 2]`";
    let Some(value) = keys.get("cores") else {
        if keys.lacks("cores") {
            draft.report(span, format!("the load has no `cores`: give {FORM}"));
        }
        return None;
    };
    match value.get_ref() {
        DeValue::String(word) => match word.as_ref() {
            "all" => Some(Placement::All),
            "one-per-core" => Some(Placement::OnePerCore),
            "one-by-one" => Some(Placement::OneByOne),
            other => {
                draft.report(
                    &value.span(),
                    format!("unknown cores `{other}`; give {FORM}"),
                );
                None
            }
        },
        DeValue::Array(items) => {
            let mut cpus = Vec::new();
            for item in items.iter() {
                let number = read_whole(item.get_ref()).filter(|number| *number <= HIGHEST_CPU);
                let Some(cpu) = number.and_then(|number| u32::try_from(number).ok()) else {
                    let message = format!("`cores` must hold numbers from 0 to {HIGHEST_CPU}");
                    draft.report(&item.span(), message);
                    continue;
                };
                if cpus.contains(&CpuId(cpu)) {
                    draft.report(
                        &item.span(),
                        format!("cpu {cpu} is named twice in one load"),
                    );
                }
                cpus.push(CpuId(cpu));
            }
            if items.is_empty() {
                draft.report(&value.span(), format!("`cores` is empty: give {FORM}"));
            }
            Some(Placement::Cpus(cpus))
        }
        DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_)
        | DeValue::Table(_) => {
            draft.report(&value.span(), format!("`cores` must be {FORM}"));
            None
        }
    }
}

fn check_rhythm(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    body: Option<KernelBody>,
) -> Option<Rhythm> {
    let word = keys.word(draft, "rhythm", &RHYTHM_WORDS);
    if word.is_none() && keys.get("rhythm").is_some() {
        return None;
    }
    let rhythm = word.as_ref().map_or(RhythmWord::Even, |word| word.value);
    let own = [
        ("period", RhythmWord::Pulsed, "pulsed"),
        ("duty", RhythmWord::Pulsed, "pulsed"),
        ("longest-gap", RhythmWord::Sparse, "sparse"),
        ("seed", RhythmWord::Sparse, "sparse"),
    ];
    for (key, owner, owner_word) in own {
        if let Some(value) = keys.get(key).filter(|_| rhythm != owner) {
            let message = format!("`{key}` belongs to rhythm `{owner_word}`: take it out");
            draft.report(&value.span(), message);
        }
    }
    match rhythm {
        RhythmWord::Even => Some(Rhythm::Even),
        RhythmWord::Pulsed => check_pulse(draft, keys, &word?.span),
        RhythmWord::Sparse => {
            let span = word?.span;
            if body == Some(KernelBody::Group) {
                let message = "rhythm `sparse` runs one core at a time, and these kernels exchange \
                               data between cores: use `even` or `pulsed`";
                draft.report(&span, message);
            }
            let gap = keys.time(draft, "longest-gap", LONGEST_GAP);
            let gap = gap.map_or(DEFAULT_LONGEST_GAP, |gap| gap.value);
            let seed = keys.whole(draft, "seed", (0, u64::MAX));
            Some(Rhythm::Sparse {
                seed: seed.map_or(1, |seed| seed.value),
                longest_gap_ms: milliseconds(gap),
            })
        }
    }
}

fn check_pulse(draft: &mut Draft<'_>, keys: &Keys<'_, '_>, at: &Range<usize>) -> Option<Rhythm> {
    let period = keys.time(draft, "period", PERIOD);
    let duty = keys.text(draft, "duty", "like `\"50%\"`");
    for (key, form) in [("period", "\"1s\""), ("duty", "\"50%\"")] {
        if keys.lacks(key) {
            let message = format!("rhythm `pulsed` needs a `{key}`, like `{key} = {form}`");
            draft.report(at, message);
        }
    }
    let duty = duty.and_then(|duty| {
        let percent = parse_percent(duty.value).filter(|percent| (1..=99).contains(percent));
        if percent.is_none() {
            let message = format!("`duty` is `{}`; it must be from 1% to 99%", duty.value);
            draft.report(&duty.span, message);
        }
        percent
    });
    let (period, duty) = (period?, duty?);
    let period_ms = milliseconds(period.value);
    let on_ms = u32::try_from(u64::from(period_ms) * u64::from(duty) / 100).unwrap_or(period_ms);
    let off_ms = period_ms - on_ms;
    if on_ms == 0 || off_ms == 0 {
        let message = "the pulse has no whole millisecond of load or of rest: lengthen `period`";
        draft.report(&period.span, message);
    }
    Some(Rhythm::Pulsed { on_ms, off_ms })
}

fn check_switch(draft: &mut Draft<'_>, keys: &Keys<'_, '_>, several: bool) -> u32 {
    let default = if several { DEFAULT_SWITCH_MS } else { 0 };
    let Some(value) = keys.get("switch") else {
        return default;
    };
    if !several {
        let message =
            "`switch` says when the next kernel comes, but there is only one: take it out";
        draft.report(&value.span(), message);
        return default;
    }
    if value.get_ref().as_str() == Some("every-pass") {
        return 0;
    }
    keys.time(draft, "switch", SWITCH)
        .map_or(default, |time| milliseconds(time.value))
}

fn check_memory(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    span: &Range<usize>,
    body: Option<KernelBody>,
) -> Option<MemoryShare> {
    let walks = body == Some(KernelBody::Walk);
    let Some(value) = keys.get("memory") else {
        if walks && keys.lacks("memory") {
            let message = "a load that walks memory needs `memory`, like `\"85%\"` or `\"512MiB\"`";
            draft.report(span, message);
        }
        return None;
    };
    if !walks && body.is_some() {
        let message = "`memory` belongs to kernels that walk memory: take it out";
        draft.report(&value.span(), message);
        return None;
    }
    let written = keys.text(draft, "memory", "like `\"85%\"` or `\"512MiB\"`")?;
    let memory = parse_memory(written.value);
    if memory.is_none() {
        let message = format!(
            "`memory` is `{}`; it must be a share from 1% to 100% or an amount of at least 1MiB \
             like `512MiB` or `4GiB`",
            written.value
        );
        draft.report(&written.span, message);
    }
    memory
}

fn check_flush(draft: &mut Draft<'_>, keys: &Keys<'_, '_>, body: Option<KernelBody>) -> bool {
    let Some(flush) = keys.flag(draft, "flush") else {
        return false;
    };
    if body.is_some_and(|body| body != KernelBody::Walk) {
        let message = "`flush` belongs to kernels that walk memory: take it out";
        draft.report(&flush.span, message);
    }
    flush.value
}

/// A share like `85%` or an amount like `512MiB`.
fn parse_memory(text: &str) -> Option<MemoryShare> {
    if let Some(percent) = parse_percent(text) {
        let fits = (1..=100).contains(&percent);
        return fits.then(|| MemoryShare::Share(f64::from(percent) / 100.0));
    }
    let (unit, bytes) = MEMORY_UNITS.iter().find(|(unit, _)| text.ends_with(unit))?;
    let count: u64 = parse_digits(text.strip_suffix(unit)?)?;
    let bytes = count.checked_mul(*bytes)?;
    (bytes >= LEAST_MEMORY).then_some(MemoryShare::Bytes(bytes))
}

fn parse_percent(text: &str) -> Option<u32> {
    u32::try_from(parse_digits(text.strip_suffix('%')?)?).ok()
}

/// Plain digits; Rust's own parser would take a plus sign too.
fn parse_digits(text: &str) -> Option<u64> {
    let plain = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    plain.then(|| text.parse().ok()).flatten()
}

/// Whole milliseconds of a length that was checked against a limit far below `u32::MAX`.
fn milliseconds(length: Duration) -> u32 {
    u32::try_from(length.as_millis()).unwrap_or(u32::MAX)
}
