//! The longer report: machine, plan with what became of each stage, work of every core and kernel,
//! and the whole verdict.

use super::aftermath::{say_aftermath, say_notes};
use super::cores::sum_work;
use super::page::{Flush, Page, Style};
use super::standing::say_standing;
use super::units::{bytes, count, counted, figure, instant, span};
use super::verdict::{finding_words, gap_words, headline, run_words, say_all};
use crate::model::{Cache, Grade, Machine, Record, StageMark};

/// Everything about a run except its samples.
pub fn record_text(record: &Record, style: Style) -> String {
    let mut page = Page::new(&style);
    if let Some(verdict) = record.verdict() {
        page.grade(verdict.grade, &headline(verdict));
    } else {
        page.say("no verdict", "the run was not judged yet");
    }
    page.say("run", &run_words(record, &style));
    say_standing(&mut page, record);
    say_header(&mut page, record, &style);
    say_machine(&mut page, &record.header.machine);
    say_stages(&mut page, record, &style);
    say_work(&mut page, record);
    page.heading("Conclusion");
    if let Some(verdict) = record.verdict() {
        say_all(&mut page, record, verdict, &style);
    } else {
        for finding in &record.findings {
            page.say("finding", &finding_words(finding, &style));
        }
        for gap in &record.gaps {
            page.say("not seen", &gap_words(gap));
        }
    }
    say_earlier(&mut page, record);
    say_aftermath(&mut page, record, &style);
    say_notes(&mut page, record, &style);
    page.finish()
}

fn say_header(page: &mut Page, record: &Record, style: &Style) {
    let header = &record.header;
    page.say(
        "id",
        &format!("{}, written by version {}", header.id, header.program),
    );
    if let Some(end) = &record.end {
        page.say("ended", &instant(end.at.wall, &style.zone));
    }
    let declared = &header.declared;
    let mut words: Vec<String> = declared
        .clock_mhz
        .iter()
        .map(|(class, mhz)| format!("{class} {} MHz", figure(*mhz, 0)))
        .collect();
    words.extend(
        declared
            .ambient_c
            .map(|celsius| format!("air {} C", figure(celsius, 1))),
    );
    if !declared.note.is_empty() {
        words.push(format!("note `{}`", declared.note));
    }
    if !words.is_empty() {
        page.say("declared", &words.join(", "));
    }
    page.say(
        "samples",
        &counted(
            u64::try_from(record.samples.len()).unwrap_or(u64::MAX),
            "sample",
            "samples",
        ),
    );
}

/// What the machine said of itself; lines without content are left out.
pub(super) fn say_machine(page: &mut Page, machine: &Machine) {
    page.heading(if machine.simulated {
        "Machine (simulated)"
    } else {
        "Machine"
    });
    for (label, text) in [
        ("host", &machine.host),
        ("processor", &machine.processor),
        ("microcode", &machine.microcode),
        ("board", &machine.board),
        ("firmware", &machine.firmware),
        ("kernel", &machine.kernel),
    ] {
        if !text.is_empty() {
            page.say(label, text);
        }
    }
    let cores = u64::try_from(machine.core_count()).unwrap_or(u64::MAX);
    let cpus = u64::try_from(machine.cpus.len()).unwrap_or(u64::MAX);
    page.say(
        "cores",
        &format!(
            "{}, {}",
            counted(cores, "core", "cores"),
            counted(cpus, "logical cpu", "logical cpus")
        ),
    );
    let caches: Vec<String> = machine.caches.iter().map(cache_words).collect();
    if !caches.is_empty() {
        page.say("caches", &caches.join(", "));
    }
    page.say(
        "memory",
        &format!(
            "{}, {} of it free at the start",
            bytes(machine.memory_bytes),
            bytes(machine.memory_available_bytes)
        ),
    );
    let sets: Vec<&str> = machine.instruction_sets.iter().map(|s| s.words()).collect();
    if !sets.is_empty() {
        page.say("code for", &sets.join(", "));
    }
}

fn cache_words(cache: &Cache) -> String {
    let shared = if cache.shared_by > 1 {
        format!(" for {} cpus", cache.shared_by)
    } else {
        String::new()
    };
    format!("level {} {}{shared}", cache.level, bytes(cache.bytes))
}

fn say_stages(page: &mut Page, record: &Record, style: &Style) {
    page.heading("Stages");
    let rows: Vec<Vec<String>> = record
        .header
        .plan
        .stages
        .iter()
        .enumerate()
        .map(|(index, stage)| {
            let marks = record
                .stages
                .iter()
                .filter(|mark| usize::from(mark.stage) == index);
            vec![
                (index + 1).to_string(),
                stage.name.clone(),
                span(stage.length().as_secs_f64()),
                marks_words(marks, style),
            ]
        })
        .collect();
    page.table(
        &[
            ("no", Flush::Right),
            ("stage", Flush::Left),
            ("planned", Flush::Right),
            ("what became of it", Flush::Left),
        ],
        &rows,
    );
}

fn marks_words<'a>(marks: impl Iterator<Item = &'a StageMark>, style: &Style) -> String {
    let mut begun = None;
    let mut text = "not begun".to_owned();
    for mark in marks {
        if mark.finished {
            let took = begun.map_or_else(String::new, |start| {
                format!(", took {}", span(mark.at.mono.seconds_since(start)))
            });
            text = format!("whole at {}{took}", instant(mark.at.wall, &style.zone));
        } else {
            begun = Some(mark.at.mono);
            text = format!("begun {}, not finished", instant(mark.at.wall, &style.zone));
        }
    }
    text
}

fn say_work(page: &mut Page, record: &Record) {
    let work = sum_work(record);
    page.heading("Work of each cpu");
    let rows: Vec<Vec<String>> = work
        .cpus
        .iter()
        .map(|(cpu, done)| {
            vec![
                cpu.0.to_string(),
                record
                    .core_of(*cpu)
                    .map_or_else(String::new, |core| core.to_string()),
                count(done.passes),
                span(done.checked_s),
                count(done.errors),
                count(done.load_steps),
                range(done.clock_mhz, 0),
            ]
        })
        .collect();
    page.table(
        &[
            ("cpu", Flush::Right),
            ("core", Flush::Right),
            ("passes", Flush::Right),
            ("checked", Flush::Right),
            ("wrong", Flush::Right),
            ("load steps", Flush::Right),
            ("clock, MHz", Flush::Left),
        ],
        &rows,
    );
    page.heading("Work of each kernel");
    let rows: Vec<Vec<String>> = work
        .kernels
        .iter()
        .map(|(name, done)| {
            let (class, set) = chosen(record, name);
            vec![
                name.clone(),
                class,
                count(done.passes),
                span(done.checked_s),
                range(done.rates(), 2),
                set,
            ]
        })
        .collect();
    page.table(
        &[
            ("kernel", Flush::Left),
            ("class", Flush::Left),
            ("passes", Flush::Right),
            ("core time", Flush::Right),
            ("per second", Flush::Left),
            ("code", Flush::Left),
        ],
        &rows,
    );
}

/// Class and instruction set of a kernel, in words.
pub(super) fn chosen(record: &Record, name: &str) -> (String, String) {
    let kernels = &record.header.kernels;
    kernels
        .iter()
        .find(|(known, ..)| known == name)
        .map_or_else(
            || ("unknown".to_owned(), String::new()),
            |(_, class, set)| (class.to_string(), set.words().to_owned()),
        )
}

/// Lowest to highest; one figure where they look the same.
pub(super) fn range(span: Option<(f64, f64)>, decimals: usize) -> String {
    span.map_or_else(
        || "not measured".to_owned(),
        |(low, high)| {
            let (low, high) = (figure(low, decimals), figure(high, decimals));
            if low == high {
                low
            } else {
                format!("{low} to {high}")
            }
        },
    )
}

fn say_earlier(page: &mut Page, record: &Record) {
    let earlier = record.verdicts.len().saturating_sub(1);
    for verdict in record.verdicts.iter().take(earlier) {
        let grade: Grade = verdict.grade;
        page.say("revised", &format!("was {grade}: {}", verdict.headline));
    }
}
