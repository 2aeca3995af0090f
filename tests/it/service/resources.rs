//! What the document promises, and what the resources give of a real run.

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;

use serde_json::Value;

use super::{PATIENCE, Site, post, raw, suite};

fn get(site: &Site, path: &str) -> String {
    let head = format!("GET {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n");
    raw(site, head.as_bytes())
}

fn body(answer: &str) -> &str {
    answer.split_once("\r\n\r\n").expect("a body").1
}

/// What must be answered with JSON.
fn json(site: &Site, path: &str) -> Value {
    let answer = get(site, path);
    assert!(answer.starts_with("HTTP/1.1 200"), "{path}: {answer}");
    serde_json::from_str(body(&answer)).expect("JSON")
}

#[test]
fn the_document_is_the_one_on_file() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/openapi.json");
    let document =
        serde_json::to_string_pretty(&soakproof::service::openapi()).expect("JSON") + "\n";
    if std::env::var("SOAKPROOF_GOLDEN").as_deref() == Ok("write") {
        fs::write(&path, &document).expect("written");
    }
    let known = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        known == document,
        "`SOAKPROOF_GOLDEN=write` rewrites it; now it is\n{document}"
    );
    let document: Value = serde_json::from_str(&document).expect("JSON");
    assert_eq!(document["openapi"], "3.1.0");
    let mut names = BTreeSet::new();
    for (path, operations) in document["paths"].as_object().expect("paths") {
        for (method, operation) in operations.as_object().expect("operations") {
            let name = operation["operationId"].to_string();
            assert!(names.insert(name.clone()), "{name} twice");
            for (status, response) in operation["responses"].as_object().expect("responses") {
                let about = response["description"].as_str().unwrap_or_default();
                assert!(
                    !about.is_empty(),
                    "{method} {path} {status} has no description"
                );
            }
            let about = operation["summary"].as_str().unwrap_or_default();
            assert!(!about.is_empty(), "{method} {path} says nothing of itself");
            let problem = &operation["responses"]["default"]["content"]["application/problem+json"];
            assert!(problem.is_object(), "{method} {path} names no problem");
        }
    }
}

/// Report, findings and samples of the only run on record tell the same story.
fn check_samples(site: &Site) {
    let report = json(site, "/v1/runs/1");
    assert_eq!(report["run"]["declared"]["note"], "for looks");
    let findings = json(site, "/v1/runs/1/findings");
    assert_eq!(findings["findings"], report["run"]["findings"]);
    let samples = json(site, "/v1/runs/last/samples?spans=2");
    let spans = samples["spans"].as_array().expect("spans");
    let count: u64 = spans
        .iter()
        .filter_map(|span| span["samples"].as_u64())
        .sum();
    assert_eq!(
        count,
        report["run"]["sample_count"].as_u64().expect("a count")
    );
    assert!(spans.len() <= 2);
    assert_eq!(samples["channels"], report["run"]["channels"]);
    // The invented machine reads the same all the time: least and greatest are what its files say.
    let temperature = samples["channels"]
        .as_array()
        .expect("channels")
        .iter()
        .find(|channel| {
            channel["quantity"] == "temperature" && channel["source"].as_str().is_some()
        });
    let temperature = temperature.expect("a thermometer");
    let source = temperature["source"].as_str().expect("a path");
    let file = fs::read_to_string(site.path("machine").join(source)).expect("there");
    let celsius = file.trim().parse::<f64>().expect("a number") / 1000.0;
    for span in spans {
        let read = span["readings"].as_array().expect("readings").iter();
        let read = read.filter(|read| read["channel"] == temperature["id"]);
        for read in read.clone() {
            assert_eq!(
                (&read["min"], &read["max"]),
                (&celsius.into(), &celsius.into())
            );
        }
        assert_eq!(read.count(), 1);
    }
}

#[test]
fn every_resource_of_the_document_is_there_after_a_run() {
    let site = Site::new();
    let _service = site.serve();
    let id = site.add(&site.suite(4), &["--note", "for looks"]);
    site.wait_for_state(id, "done");
    let document = json(&site, "/openapi.json");
    let mut asked = 0;
    for (path, operations) in document["paths"].as_object().expect("paths") {
        if operations["get"].is_null() || path == "/v1/live" {
            continue;
        }
        let path = path.replace("{run}", "last").replace("{name}", "recheck");
        let answer = get(&site, &path);
        assert!(answer.starts_with("HTTP/1.1 200"), "{path}: {answer}");
        asked += 1;
    }
    assert!(asked >= 18, "only {asked} resources");

    check_samples(&site);
    assert_eq!(
        json(&site, "/v1/runs/1/damage")["damaged"],
        Value::Array(Vec::new())
    );
    assert_eq!(json(&site, "/healthz")["status"], "well");
    let metrics = get(&site, "/metrics");
    assert!(
        metrics
            .contains("content-type: application/openmetrics-text; version=1.0.0; charset=utf-8"),
        "{metrics}"
    );
    assert!(
        metrics.contains("soakproof_last_run_info{grade=\"provisional\""),
        "{metrics}"
    );
    for (path, status, word) in [
        ("/v1/runs/9", "404", "9"),
        ("/v1/runs/1/samples?spans=1", "422", "from 2 to 2000"),
        ("/v1/runs/1/samples?spans=x", "400", "spans"),
        ("/v1/runs/1/samples?span=5", "400", "span"),
        ("/v1/suites/none", "404", "recheck"),
    ] {
        let answer = get(&site, path);
        assert!(
            answer.starts_with(&format!("HTTP/1.1 {status}")),
            "{path}: {answer}"
        );
        assert!(body(&answer).contains(word), "{path}: {answer}");
    }
}

#[test]
fn a_run_under_way_is_seen_live_and_in_figures() {
    let site = Site::new();
    let _service = site.serve();
    fs::write(site.path("work.toml"), suite(12)).expect("written");
    let id = site.add(&site.text("work.toml"), &[]);
    site.wait_for_state(id, "running");
    let figures = site.wait("figures of a sample", || {
        let text = get(&site, "/metrics");
        text.contains("soakproof_worker_passes_total")
            .then_some(text)
    });
    assert!(figures.contains("soakproof_run_active 1.0"), "{figures}");
    assert!(
        figures.contains("soakproof_sensor_temperature_celsius{"),
        "{figures}"
    );

    let mut stream = UnixStream::connect(site.path("socket")).expect("connects");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    let head = "GET /v1/runs/1/live HTTP/1.1\r\nhost: localhost\r\nlast-event-id: 3\r\n\r\n";
    stream.write_all(head.as_bytes()).expect("sent");
    let lines = BufReader::new(stream).lines().map_while(Result::ok);
    let ids = lines.filter_map(|line| line.strip_prefix("id: ").map(str::to_owned));
    let ids: Vec<i64> = ids
        .take(3)
        .map(|id| id.parse().expect("a number"))
        .collect();
    assert_eq!(ids, [4, 5, 6], "from where the reader was");
    site.wait_for_state(id, "done");
}

#[test]
fn what_is_done_with_runs_on_record_goes_through_the_service() {
    let site = Site::new();
    let _service = site.serve();
    let id = site.add(&site.suite(2), &[]);
    site.wait_for_state(id, "done");
    let own = site.path("own");
    // Nothing names the store, so whatever does not go through the service lands in a folder of ours.
    let ask = |arguments: &[&str]| {
        let mut command = site.command(arguments);
        command
            .env_remove("SOAKPROOF_STORE")
            .env("XDG_STATE_HOME", &own);
        let output = command.output().expect("starts");
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), errors, output.stdout)
    };
    let (code, errors, _) = ask(&[
        "runs", "note", "1", "--cause", "button", "--text", "the cat",
    ]);
    assert_eq!(code, Some(0), "{errors}");
    let (code, errors, checked) = ask(&["runs", "check", "--json"]);
    assert_eq!(code, Some(0), "{errors}");
    let checked: Value = serde_json::from_slice(&checked).expect("JSON");
    assert_eq!(checked["runs"], serde_json::json!([1]));
    let machine = site.text("machine");
    let (code, errors, closed) = ask(&["runs", "close", "--machine", &machine, "--json"]);
    assert_eq!(code, Some(0), "{errors}");
    let closed: Value = serde_json::from_slice(&closed).expect("JSON");
    assert_eq!(closed["closed"], Value::Array(Vec::new()));
    let (code, errors, _) = ask(&["runs", "note", "7", "--text", "nobody"]);
    assert_eq!(code, Some(2), "{errors}");
    assert!(!own.exists(), "the record lies with the service");
    let report = site.json(&["report", "1", "--json"]);
    let note = &report["run"]["notes"][0];
    assert_eq!(
        (&note["cause"], &note["text"]),
        (&"button".into(), &"the cat".into())
    );
    let long = format!("{{\"text\": \"{}\"}}", "x".repeat(9000));
    assert!(post(&site, "/v1/runs/1/notes", &long).starts_with("HTTP/1.1 422"));
}
