//! Texts that want to be more than texts: markup, escape sequences, formulas.

use proptest::prelude::*;
use soakproof::model::Record;
use soakproof::report::chart::{as_document, memory_map, overlays, panels, stage_bar};
use soakproof::report::{
    ComparedRun, SheetFacts, compare_page, compare_text, report_page, sheet_page, write_table,
};

use super::night::Night;
use super::{short, style};

/// A run in which every foreign text is `text`.
pub(super) fn record(text: &str) -> Record {
    let mut record = Night {
        wrong_at: Some(310),
        shorter: 30,
        ..short()
    }
    .record();
    let header = &mut record.header;
    for place in [
        &mut header.id,
        &mut header.program,
        &mut header.plan.suite,
        &mut header.plan.about,
        &mut header.machine.host,
        &mut header.machine.processor,
        &mut header.machine.board,
        &mut header.declared.note,
    ] {
        text.clone_into(place);
    }
    for stage in &mut header.plan.stages {
        text.clone_into(&mut stage.name);
        for load in &mut stage.segments[0].loads {
            text.clone_into(&mut load.kernels[0]);
        }
    }
    for (name, ..) in &mut header.kernels {
        text.clone_into(name);
    }
    for channel in &mut header.channels {
        text.clone_into(&mut channel.label);
        text.clone_into(&mut channel.chip);
    }
    let standing = header.declared.standing.as_mut().unwrap();
    text.clone_into(&mut standing.settings[0].name);
    standing.unexplained = vec![text.to_owned()];
    standing.fingerprint.modules.as_mut().unwrap()[0].part = text.to_owned();
    for finding in &mut record.findings {
        text.clone_into(&mut finding.stage);
        finding.kernel = Some(text.to_owned());
    }
    let findings = record.findings.clone();
    let verdict = record.verdicts.last_mut().unwrap();
    verdict.findings = findings;
    text.clone_into(&mut verdict.headline);
    verdict.next = vec![text.to_owned()];
    text.clone_into(&mut verdict.rules[0].figure);
    text.clone_into(&mut verdict.heat.as_mut().unwrap().label);
    verdict.gaps[0].about = text.to_owned();
    record
}

/// Every page and picture of such a run.
fn markup(text: &str) -> Vec<String> {
    let record = record(text);
    let facts = SheetFacts {
        serial: Some(text.to_owned()),
        rows: 3,
        digest: "ab".repeat(32),
    };
    let run = ComparedRun {
        number: 1,
        record: &record,
    };
    let mut all = vec![
        report_page(&record, &style()).unwrap(),
        sheet_page(&record, &facts, &style()).unwrap(),
        compare_page(&[run, run], &style()).unwrap(),
        stage_bar(&record),
        memory_map(&record).unwrap(),
    ];
    all.extend(panels(&record).into_iter().map(|panel| panel.picture));
    let both = [(text.to_owned(), &record), ("B".to_owned(), &record)];
    all.extend(
        overlays(&both)
            .into_iter()
            .map(|panel| as_document(&panel.picture)),
    );
    all
}

/// Names of elements and attributes of a page; text and values are left out.
fn skeleton(page: &str) -> Vec<String> {
    let mut names = Vec::new();
    let mut rest = page;
    while let Some((_, tag)) = rest.split_once('<') {
        let (tag, after) = tag.split_once('>').unwrap();
        let mut outside = String::new();
        for (index, part) in tag.split('"').enumerate() {
            if index % 2 == 0 {
                outside.push_str(part);
            }
        }
        names.push(outside.split_whitespace().collect::<Vec<_>>().join(" "));
        rest = after;
    }
    names
}

#[test]
fn markup_in_a_foreign_text_stays_text() {
    let attack = "</title></style></text><script>alert(1)</script><img src=x onerror=alert(1)>\"' onload='x'&amp;";
    let harmless: Vec<Vec<String>> = markup("plain").iter().map(|page| skeleton(page)).collect();
    let hostile: Vec<Vec<String>> = markup(attack).iter().map(|page| skeleton(page)).collect();
    for (one, other) in harmless.iter().zip(&hostile) {
        // A long name does not fit into a bar; apart from such words the pages are built alike.
        let of = |names: &[String]| -> Vec<String> {
            let names = names.iter().filter(|name| !name.contains("text"));
            names.cloned().collect()
        };
        assert_eq!(of(one), of(other));
    }
    for page in markup(attack) {
        assert!(
            !page.contains("<script") && !page.contains("<img"),
            "{page}"
        );
    }
}

#[test]
fn characters_that_reorder_or_hide_text_are_shown() {
    for page in markup("a\u{202e}b\u{1b}[2Jc\u{0}\u{200b}") {
        let bad = page
            .chars()
            .find(|c| "\u{202e}\u{1b}\u{0}\u{200b}".contains(*c));
        assert_eq!(bad, None);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]
    #[test]
    fn no_text_breaks_a_page(text in any::<String>()) {
        let record = record(&text);
        let page = report_page(&record, &style()).unwrap();
        prop_assert!(!page.chars().any(|c| c.is_control() && c != '\n'));
        prop_assert!(page.trim_end().ends_with("</html>"));
        let run = ComparedRun { number: 1, record: &record };
        let table = compare_text(&[run, run], &style());
        prop_assert!(!table.chars().any(|c| c.is_control() && c != '\n'));
    }

    #[test]
    fn no_cell_of_a_table_is_a_formula(text in "[=+@|%\\-\t\r\n \u{ff1d}]{0,3}.{0,12}") {
        let record = record(&text);
        let mut table = Vec::new();
        write_table(&record, &mut table).unwrap();
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(table.as_slice());
        for row in reader.records() {
            for cell in &row.unwrap() {
                let formula = cell.starts_with(|c: char| "=+-@|%\t\r\n\u{ff1d}".contains(c));
                prop_assert!(!formula || cell.parse::<f64>().is_ok(), "{cell:?}");
                prop_assert!(!cell.chars().any(char::is_control), "{cell:?}");
            }
        }
    }
}
