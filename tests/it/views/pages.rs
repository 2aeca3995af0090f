//! The report page and the comparison, as their readers get them.

use soakproof::model::{Grade, Record};
use soakproof::report::{ComparedRun, compare_json, compare_page, compare_text, report_page};

use super::night::Night;
use super::{Bench, golden, short, style, text};

fn failed() -> Record {
    Night {
        wrong_at: Some(310),
        blind: Some((200, 230)),
        id: "0198a000-0000-7000-8000-0000000000a2",
        ..short()
    }
    .record()
}

#[test]
fn the_page_needs_nothing_but_itself() {
    let page = report_page(&failed(), &style()).unwrap();
    for outside in [
        "<script", "<link", "@import", "url(", "src=", "<iframe", "<object",
    ] {
        assert!(!page.contains(outside), "{outside}");
    }
    // The only addresses are names of vocabularies, which nobody fetches.
    let rest = page.replace("http://www.w3.org/2000/svg", "");
    assert!(!rest.contains("http:") && !rest.contains("https:"));
}

#[test]
fn the_page_holds_what_the_verdict_was_made_from() {
    let record = failed();
    let page = report_page(&record, &style()).unwrap();
    let verdict = record.verdict().unwrap();
    assert_eq!(verdict.grade, Grade::Failed);
    for part in [
        "FAILED",
        "simulated machine",
        "run 7",
        "core-offset -30 mV",
        "number 4, judged by this run",
        "2 x 16 GiB INV-16-56 at 6000 MT",
        "wrong answer (pass 1201",
        "no source of memory errors",
        "fma-f64.l1",
        "0x192345678",
        "id=\"heat-t\"",
        "id=\"memory-t\"",
        "limits of the",
    ] {
        assert!(page.contains(part), "{part}");
    }
    for rule in &verdict.rules {
        assert!(page.contains(&rule.name.replace('-', " ")), "{}", rule.name);
    }
    for line in &verdict.next {
        let line = line.split(['`', '\'', '<', '&', '/']).next().unwrap();
        assert!(page.contains(line), "{line}");
    }
    assert_eq!(
        page.matches("<figure").count(),
        page.matches("</figure>").count()
    );
}

#[test]
fn bounds_of_single_cores_are_those_of_the_handbook() {
    // NIST/SEMATECH e-Handbook 8.4.5.1: without an error the bound at 95 % is T / 2.995732.
    let record = short().record();
    let page = report_page(&record, &style()).unwrap();
    let checked: f64 = record
        .workers
        .iter()
        .filter(|done| done.what.cpu.0 == 3)
        .map(|done| done.what.checked_s[0])
        .sum();
    let minutes = (checked / 2.995_732 / 60.0).floor();
    let seconds = (checked / 2.995_732 - minutes * 60.0).round();
    let words = format!("{minutes} min {seconds:02.0} s");
    assert!(page.contains(&words), "{words}");
}

#[test]
fn a_night_of_two_hundred_sensors_fits_into_two_megabytes() {
    let night = Night {
        cores: 16,
        others: 180,
        ..Night::default()
    };
    let mut record = night.record();
    // 36,000 samples: the long stage seen again and again, at later times.
    let start = record.samples.last().unwrap().at;
    let long: Vec<_> = record
        .samples
        .iter()
        .filter(|s| s.stage == 5)
        .cloned()
        .collect();
    let mut second = 0;
    while record.samples.len() < 36_000 {
        let mut sample = long[usize::try_from(second).unwrap() % long.len()].clone();
        second += 1;
        sample.at.mono = start.mono.plus(std::time::Duration::from_secs(second));
        record.samples.push(sample);
    }
    record.end.as_mut().unwrap().at.mono = record.samples.last().unwrap().at.mono;
    assert_eq!(record.header.channels.len(), 200);
    // The spike of one second must be on the page.
    record.samples[30_001].readings[3].value = 119.0;
    let page = report_page(&record, &style()).unwrap();
    assert!(page.len() < 2_000_000, "{} bytes", page.len());
    assert!(page.contains("119"));
}

#[test]
fn a_run_of_many_cores_or_none_is_told_too() {
    let many = Night {
        cores: 128,
        shorter: 60,
        ..Night::default()
    }
    .record();
    let page = report_page(&many, &style()).unwrap();
    assert!(page.contains("128 logical CPUs") && !page.contains("<details open>"));
    let mut open = short().record();
    open.end = None;
    open.verdicts.clear();
    open.header.machine.cpus.clear();
    open.workers.clear();
    let page = report_page(&open, &style()).unwrap();
    assert!(page.contains("not judged yet") && page.contains("no end on record"));
}

fn two() -> (Record, Record) {
    let one = short().record();
    let mut other = Night {
        cooler: 0.30,
        id: "0198a000-0000-7000-8000-0000000000a3",
        ..short()
    }
    .record();
    other.header.declared.ambient_c = Some(24.5);
    (one, other)
}

#[test]
fn two_runs_are_compared_figure_by_figure() {
    let (one, other) = two();
    let runs = [(7, &one), (9, &other)].map(|(number, record)| ComparedRun { number, record });
    let table = compare_text(&runs, &style());
    golden("compare.txt", &table);
    assert!(table.contains("the air differs"), "{table}");
    let form = compare_json(&runs);
    let lines = form["lines"].as_array().unwrap();
    let hottest = lines
        .iter()
        .find(|line| line["label"] == "hottest")
        .unwrap();
    let values: Vec<f64> = [0, 1]
        .map(|i| hottest["values"][i].as_f64().unwrap())
        .to_vec();
    let told: f64 = hottest["difference"]
        .as_str()
        .unwrap()
        .trim_end_matches(" C")
        .parse()
        .unwrap();
    assert!((values[1] - values[0] - told).abs() < 0.051, "{hottest}");
    assert!(told < -4.0, "the better cooler is cooler");
    let page = compare_page(&runs, &style()).unwrap();
    assert!(page.contains("run 9") && page.contains("apart a1"));
}

#[test]
fn the_program_writes_the_pages_where_they_are_wanted() {
    let bench = Bench::new();
    bench.put("home", &short().entries());
    bench.put(
        "home",
        &Night {
            id: "0198a000-0000-7000-8000-0000000000a3",
            ..short()
        }
        .entries(),
    );
    let page = bench.path("page.html");
    bench.told("home", &["report", "1", "--html", text(&page)]);
    let first = std::fs::read_to_string(&page).unwrap();
    assert!(first.starts_with("<!DOCTYPE html>") && first.contains("run 1"));
    let both = bench.path("both.html");
    let table = bench.told("home", &["compare", "1", "2", "--html", text(&both)]);
    assert!(
        table.contains("A (run 1)") && table.contains("B (run 2)"),
        "{table}"
    );
    assert!(
        std::fs::read_to_string(&both)
            .unwrap()
            .contains("side by side")
    );
    let said = bench.refused("home", &["report", "1", "--html", "/nowhere/at/all"], 1);
    assert!(said.contains("cannot write `/nowhere/at/all`"), "{said}");
    assert_eq!(std::fs::read_dir(bench.folder.path()).unwrap().count(), 3);
}

/// Writes the pages that `.ci/outside/pages` looks at, where it asks for them.
#[test]
fn the_pages_for_the_checkers_from_outside() {
    let Some(folder) = std::env::var_os("SOAKPROOF_PAGES").map(std::path::PathBuf::from) else {
        return;
    };
    let write = |name: &str, page: String| std::fs::write(folder.join(name), page).unwrap();
    let proven = Night::default();
    let failed = Night {
        wrong_at: Some(3100),
        blind: Some((2400, 2520)),
        id: "0198a000-0000-7000-8000-0000000000a2",
        cooler: 0.40,
        ambient_c: 25.0,
        ..Night::default()
    };
    let (one, other) = (proven.record(), failed.record());
    write("proven.html", report_page(&one, &style()).unwrap());
    write("failed.html", report_page(&other, &style()).unwrap());
    let many = Night {
        cores: 128,
        shorter: 10,
        ..failed
    };
    write("many.html", report_page(&many.record(), &style()).unwrap());
    let runs = [(7, &one), (8, &other)].map(|(number, record)| ComparedRun { number, record });
    write("compare.html", compare_page(&runs, &style()).unwrap());
    for (name, record) in [("sheet.html", &one), ("sheet-failed.html", &other)] {
        let facts = super::sheets::facts();
        let page = soakproof::report::sheet_page(record, &facts, &style()).unwrap();
        write(name, page);
    }
    let hostile = super::hostile::record("<b onmouseover=alert(1)>\"'&\u{202e}");
    write("hostile.html", report_page(&hostile, &style()).unwrap());
}
