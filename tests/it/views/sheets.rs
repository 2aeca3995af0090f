//! The sheet fits the record, or is found out.

use soakproof::model::{Entry, Note};
use soakproof::report::{SheetFacts, read_sheet, sheet_page};
use soakproof::store::Store;

use super::night::{Night, moment};
use super::{Bench, short, style, text};

pub(super) fn facts() -> SheetFacts {
    SheetFacts {
        serial: Some("SN-2027-0412".to_owned()),
        rows: 5_512,
        digest: "0123456789abcdef".repeat(4),
    }
}

#[test]
fn the_sheet_says_what_was_shown_and_how_sure_it_is() {
    let record = Night::default().record();
    let page = sheet_page(&record, &facts(), &style()).unwrap();
    for part in [
        "PROVEN",
        "SN-2027-0412",
        "Had it erred once in",
        "19 times in 20",
        "core-clock 4800 MHz",
        "levelled off at",
        "on every core with every answer checked",
        "of a simulated machine",
    ] {
        assert!(page.contains(part), "{part} in\n{page}");
    }
    assert!(
        !page.to_lowercase().contains("certif"),
        "a sheet is no certificate"
    );
    assert!(!page.contains("run 7"), "a number belongs to a store");
    let claim = read_sheet(&page).unwrap();
    assert_eq!((claim.id, claim.serial), (record.header.id, facts().serial));
    assert!(read_sheet("<meta name=\"soakproof-sheet\" content=\"e30=\">").is_none());
}

/// A store with a run, and its sheet.
fn sheet() -> (Bench, String) {
    let bench = Bench::new();
    bench.put("home", &short().entries());
    let path = bench.path("sheet.html");
    let arguments = [
        "report",
        "--sheet",
        text(&path),
        "--serial",
        "<7>&\u{1b}[1m",
    ];
    bench.told("home", &arguments);
    let page = std::fs::read_to_string(&path).unwrap();
    (bench, page)
}

fn verify(bench: &Bench, page: &str) -> (bool, String) {
    let path = bench.path("given.html");
    std::fs::write(&path, page).unwrap();
    let output = bench.ask("home", &["report", "--verify", text(&path)]);
    let said = String::from_utf8(output.stdout).unwrap() + &String::from_utf8_lossy(&output.stderr);
    (output.status.success(), said)
}

#[test]
fn a_sheet_fits_its_record_also_after_a_journey() {
    let (bench, page) = sheet();
    let (fits, said) = verify(&bench, &page);
    assert!(
        fits && said.contains("the sheet fits the record of run 1"),
        "{said}"
    );
    let file = bench.path("run.jsonl");
    bench.told("home", &["export", "--to", text(&file)]);
    bench.told("away", &["import", text(&file)]);
    let given = bench.path("given.html");
    bench.told("away", &["report", "--verify", text(&given)]);
    let said = bench.refused("elsewhere", &["report", "--verify", text(&given)], 2);
    assert!(said.contains("is not here"), "{said}");
}

#[test]
fn an_altered_sheet_is_found_out() {
    let (bench, page) = sheet();
    let better = page
        .replace("PROVISIONAL", "PROVEN")
        .replace("FAILED", "PROVEN");
    assert_ne!(page, better, "the sheet has another grade");
    let (fits, said) = verify(&bench, &better);
    assert!(
        !fits && said.contains("of the sheet is not what the record says"),
        "{said}"
    );
    let (fits, said) = verify(&bench, &page.replacen("mV", "V", 1));
    assert!(!fits, "{said}");
    let (fits, _) = verify(&bench, &page.replace("core-offset", "core-offsex"));
    assert!(!fits);
    let (fits, said) = verify(&bench, "<html>nothing</html>");
    assert!(!fits && said.contains("no sheet of this program"), "{said}");
}

#[test]
fn an_altered_record_does_not_fit_its_sheet() {
    let (bench, page) = sheet();
    let path = bench.path("home").join(soakproof::store::FILE_NAME);
    let connection = rusqlite::Connection::open(path).unwrap();
    let body: String = connection
        .query_row("SELECT body FROM entries WHERE seq = 9", [], |row| {
            row.get(0)
        })
        .unwrap();
    // As by somebody who knows of checksums.
    let altered = body.replacen("\"value\":", "\"value\":1", 1);
    assert_ne!(body, altered);
    connection
        .execute(
            "UPDATE entries SET body = ?1, crc = ?2 WHERE seq = 9",
            (&altered, soakproof::store::crc32c(altered.as_bytes())),
        )
        .unwrap();
    let (fits, said) = verify(&bench, &page);
    assert!(
        !fits && said.contains("the digest on the sheet is not that of the record"),
        "{said}"
    );
    connection
        .execute("UPDATE entries SET body = 'x' WHERE seq = 9", [])
        .unwrap();
    let (fits, said) = verify(&bench, &page);
    assert!(!fits && said.contains("row 9 of run 1"), "{said}");
}

#[test]
fn a_note_that_came_later_changes_nothing_and_a_worse_verdict_is_told() {
    let (bench, page) = sheet();
    let mut store = Store::open(&bench.path("home")).unwrap();
    let note = Note {
        at: moment(9_000),
        cause: None,
        text: "sold".to_owned(),
    };
    store.append(1, &[Entry::Note(note)]).unwrap();
    let (fits, said) = verify(&bench, &page);
    assert!(fits, "{said}");
    let mut worse = store.record(1).unwrap().verdict().unwrap().clone();
    worse.grade = soakproof::model::Grade::Failed;
    store.append(1, &[Entry::Verdict(Box::new(worse))]).unwrap();
    let (fits, said) = verify(&bench, &page);
    assert!(
        !fits && said.contains("judged again since then, and is failed now"),
        "{said}"
    );
}
