//! A run goes to another machine and is graded there as at home; a spreadsheet gets its readings.

use soakproof::model::{Entry, Record};
use soakproof::store::Store;

use super::night::Night;
use super::{Bench, short, text};

fn exported(bench: &Bench, night: &Night) -> String {
    bench.put("home", &night.entries());
    bench.told("home", &["export", "last", "--jsonl"])
}

fn record(bench: &Bench, store: &str) -> Record {
    Store::open(&bench.path(store)).unwrap().record(1).unwrap()
}

#[test]
fn a_run_is_graded_elsewhere_as_it_was_at_home() {
    for (wrong_at, grade) in [(None, "proven"), (Some(310), "failed")] {
        let bench = Bench::new();
        let night = Night {
            wrong_at,
            shorter: if wrong_at.is_some() { 10 } else { 1 },
            ..Night::default()
        };
        let file = bench.path("run.jsonl");
        std::fs::write(&file, exported(&bench, &night)).unwrap();
        let told = bench.told("away", &["import", text(&file)]);
        assert!(
            told.contains(&format!("graded again: {grade}, as there")),
            "{told}"
        );
        assert_eq!(record(&bench, "home"), record(&bench, "away"));
        // What it came from comes out of it again, byte by byte.
        let again = bench.told("away", &["export"]);
        assert_eq!(std::fs::read_to_string(&file).unwrap(), again);
    }
}

#[test]
fn the_digest_is_that_of_the_lines_between_the_first_and_the_last() {
    use sha2::{Digest, Sha256};
    let bench = Bench::new();
    let file = exported(&bench, &short());
    let lines: Vec<&str> = file.split_inclusive('\n').collect();
    let rows = lines[1..lines.len() - 1].concat();
    let digest = Sha256::digest(rows.as_bytes());
    let digest: String = digest.iter().map(|byte| format!("{byte:02x}")).collect();
    let end: serde_json::Value = serde_json::from_str(lines.last().unwrap()).unwrap();
    assert_eq!(end["sha256"], digest);
    let shown = bench.told("home", &["report", "--verify", "last"]);
    assert!(shown.contains(&digest), "{shown}");
}

#[test]
fn the_first_line_tells_the_unit_of_every_channel() {
    let bench = Bench::new();
    let file = exported(&bench, &short());
    let head: serde_json::Value = serde_json::from_str(file.lines().next().unwrap()).unwrap();
    assert_eq!(head["channels"][0]["unit"], "C");
    assert_eq!(head["channels"][9]["unit"], "mV");
    assert_eq!(head["units"]["checked_s"], "s");
    assert_eq!(head["simulated"], true);
}

/// Changes one line of an export and says what the import says.
fn tampered(number: usize, change: impl Fn(&str) -> String) -> String {
    let bench = Bench::new();
    let file = exported(&bench, &short());
    let mut lines: Vec<String> = file.lines().map(str::to_owned).collect();
    let place = lines.len().min(number) - 1;
    lines[place] = change(&lines[place]);
    let path = bench.path("run.jsonl");
    std::fs::write(&path, lines.join("\n") + "\n").unwrap();
    let said = bench.refused("away", &["import", text(&path)], 2);
    let kept = Store::open(&bench.path("away")).unwrap().runs().unwrap();
    assert!(kept.is_empty(), "{said}");
    said
}

#[test]
fn a_damaged_or_altered_file_is_refused_with_its_line() {
    let wrong_digit = |line: &str| line.replace("\"value\":", "\"value\":1");
    // The row's own checksum is not looked at before the digest of all; that stands in the last line.
    assert!(tampered(40, wrong_digit).contains("the digest does not fit"));
    assert!(tampered(40, |line| line[..line.len() / 2].to_owned()).contains(":40: "));
    assert!(tampered(40, |_| String::new()).contains(":40: "));
    let renumbered = |line: &str| line.replacen("\"seq\":38", "\"seq\":37", 1);
    assert!(tampered(40, renumbered).contains(":40: row 37 cannot come after row 37"));
    let head = tampered(1, |_| {
        "{\"export\":\"\\u001b[2J/9\",\"program\":\"x\"}".to_owned()
    });
    assert!(head.contains(":1: it is of the form"), "{head}");
    assert!(!head.contains('\u{1b}'));
    assert!(tampered(1, |_| "time;value".to_owned()).contains(":1: no export"));
    assert!(tampered(2, |line| line.replace("header", "sample")).contains(":2: the header"));
    let last = tampered(usize::MAX, |_| String::new());
    assert!(last.contains("no row of a record"), "{last}");
    assert!(
        tampered(usize::MAX, |line| line.replace("\"rows\":", "\"rows\":1"))
            .contains("rows were written")
    );
}

/// An export whose rows are altered as by somebody who knows how: checksums and digest fit again.
fn forged(change: impl Fn(&str) -> String) -> (Bench, String) {
    use sha2::{Digest, Sha256};
    let bench = Bench::new();
    let file = exported(&bench, &short());
    let lines: Vec<&str> = file.lines().collect();
    let mut rows = String::new();
    for line in &lines[1..lines.len() - 1] {
        let row: serde_json::Value = serde_json::from_str(line).unwrap();
        let (head, body) = line.split_once("\"body\":").unwrap();
        let body = change(&body[..body.len() - 1]);
        let crc = format!("\"crc\":{}", row["crc"]);
        let right = format!("\"crc\":{}", soakproof::store::crc32c(body.as_bytes()));
        rows.push_str(&format!(
            "{}\"body\":{body}}}\n",
            head.replace(&crc, &right)
        ));
    }
    let digest = Sha256::digest(rows.as_bytes());
    let digest: String = digest.iter().map(|byte| format!("{byte:02x}")).collect();
    let mut end: serde_json::Value = serde_json::from_str(lines.last().unwrap()).unwrap();
    end["sha256"] = digest.into();
    (bench, format!("{}\n{rows}{end}\n", lines[0]))
}

#[test]
fn figures_that_no_run_has_are_refused_before_they_are_reckoned_with() {
    for (from, to, told) in [
        (
            "{\"secs\":60,",
            "{\"secs\":18446744073709551615,",
            "longer than a year",
        ),
        ("\"format\":1", "\"format\":2", "has format 2"),
        (
            "0198a000-0000-7000-8000-0000000000a1",
            "x'); DROP TABLE runs;--",
            "no UUID",
        ),
        (
            "\"sample_period\":{\"secs\":1,",
            "\"sample_period\":{\"secs\":-1,",
            ":2: ",
        ),
    ] {
        let (bench, file) = forged(|body| body.replace(from, to));
        let path = bench.path("run.jsonl");
        std::fs::write(&path, file).unwrap();
        let said = bench.refused("away", &["import", text(&path)], 2);
        assert!(said.contains(told), "{from}: {said}");
    }
}

#[test]
fn a_row_whose_checksum_does_not_fit_is_refused_with_its_line() {
    let (bench, file) = forged(str::to_owned);
    // Both the digest and the form are right; the checksum of row 38 is not.
    use sha2::{Digest, Sha256};
    let mut lines: Vec<String> = file.lines().map(str::to_owned).collect();
    let crc = lines[39]
        .split_once("\"crc\":")
        .unwrap()
        .1
        .split(',')
        .next()
        .unwrap()
        .to_owned();
    lines[39] = lines[39].replacen(&crc, "1", 1);
    let last = lines.len() - 1;
    let rows: String = lines[1..last]
        .iter()
        .map(|line| format!("{line}\n"))
        .collect();
    let digest: String = Sha256::digest(rows.as_bytes())
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    let mut end: serde_json::Value = serde_json::from_str(&lines[last]).unwrap();
    end["sha256"] = digest.into();
    lines[last] = end.to_string();
    let path = bench.path("run.jsonl");
    std::fs::write(&path, lines.join("\n") + "\n").unwrap();
    let said = bench.refused("away", &["import", text(&path)], 2);
    assert!(
        said.contains(":40: row 38 is not what its checksum says"),
        "{said}"
    );
}

#[test]
fn a_run_that_is_here_already_is_not_taken_in_twice() {
    let bench = Bench::new();
    let file = bench.path("run.jsonl");
    std::fs::write(&file, exported(&bench, &short())).unwrap();
    let said = bench.refused("home", &["import", text(&file)], 2);
    assert!(said.contains("on record here as run 1"), "{said}");
}

#[test]
fn a_run_without_a_verdict_is_left_to_its_own_machine() {
    let bench = Bench::new();
    let (header, mut entries) = short().entries();
    entries.retain(|entry| !matches!(entry, Entry::Verdict(_) | Entry::End(_)));
    bench.put("home", &(header, entries));
    let file = bench.path("run.jsonl");
    std::fs::write(&file, bench.told("home", &["export"])).unwrap();
    let said = bench.refused("away", &["import", text(&file)], 2);
    assert!(said.contains("not judged yet"), "{said}");
}

#[test]
fn a_damaged_row_is_left_out_of_the_export_and_missed_after_the_import() {
    let bench = Bench::new();
    bench.put("home", &short().entries());
    let path = bench.path("home").join(soakproof::store::FILE_NAME);
    let connection = rusqlite::Connection::open(path).unwrap();
    connection
        .execute(
            "UPDATE entries SET body = replace(body, 'value', 'valve') WHERE seq = 9",
            [],
        )
        .unwrap();
    let file = bench.path("run.jsonl");
    std::fs::write(&file, bench.told("home", &["export"])).unwrap();
    let told = bench.told("away", &["import", text(&file)]);
    assert!(told.contains("graded again"), "{told}");
    let shown = bench.told("away", &["report"]);
    assert!(
        shown.contains("1 rows of the record are damaged"),
        "{shown}"
    );
}

#[test]
fn the_table_has_units_in_its_head_and_a_row_a_sample() {
    let bench = Bench::new();
    bench.put("home", &short().entries());
    let table = bench.told("home", &["export", "--csv"]);
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let head = reader.headers().unwrap().clone();
    assert_eq!(&head[0], "since start [s] (simulated machine)");
    assert_eq!(&head[4], "package [C]");
    assert!(head.iter().any(|cell| cell == "core supply [mV]"));
    assert!(head.iter().any(|cell| cell == "cpu 7 clock [MHz]"));
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let record = record(&bench, "home");
    assert_eq!(rows.len(), record.samples.len());
    for (row, sample) in rows.iter().zip(&record.samples) {
        let celsius: f64 = row[4].parse().unwrap();
        assert_eq!(
            Some(celsius),
            sample.reading(soakproof::model::ChannelId(0))
        );
    }
    assert!(table.contains("\r\n") && rows[0][1].ends_with('Z'));
}
