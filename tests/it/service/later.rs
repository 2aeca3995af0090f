//! What the service does beside its runs: errors that show after them, loads of others, what is read live.

use std::fs;

use serde_json::Value;
use soakproof::os::LoadLock;
use soakproof::store::Store;

use super::{Site, post};
use crate::program::workers_of;

#[test]
fn an_error_that_shows_after_a_run_is_found_without_anybody_asking() {
    let site = Site::new();
    let check = site.path("machine/sys/devices/system/machinecheck/machinecheck0");
    fs::create_dir_all(&check).expect("made");
    fs::write(check.join("check_interval"), "1\n").expect("written");
    let _service = site.serve();
    let id = site.add(&site.suite(2), &[]);
    site.wait_for_state(id, "done");
    let record = || {
        let store = Store::open(&site.path("store")).expect("opens");
        store.record(1).expect("read")
    };
    let before = record();
    assert_eq!(before.verdicts.len(), 1);
    let at_us = before.last_known().0 / 1000 + 500_000;
    let boot = before.header.machine.boot_id.replace('-', "");
    let line = format!(
        r#"{{"_BOOT_ID":"{boot}","__REALTIME_TIMESTAMP":"1790000000000000","__MONOTONIC_TIMESTAMP":"{at_us}","_TRANSPORT":"kernel","MESSAGE":"mce: [Hardware Error]: CPU 3: Machine Check: 0 Bank 2: 9c00004000010091"}}"#
    );
    fs::create_dir_all(site.path("machine/var/log")).expect("made");
    fs::write(site.path("machine/var/log/journal.json"), line).expect("written");
    site.wait("a second verdict", || {
        (record().verdicts.len() == 2).then_some(())
    });
    let after = record();
    assert_eq!(after.verdicts[1].grade.to_string(), "marginal");
    assert_eq!(after.findings.len(), 1, "{:?}", after.findings);
}

#[test]
fn the_queue_says_that_it_waits_for_the_load_of_another_process() {
    let site = Site::new();
    let lock = site.wait("the load to be free", || LoadLock::take().ok());
    let _service = site.serve();
    let id = site.add(&site.suite(1), &[]);
    let waits = || {
        let jobs = site.jobs();
        let line = jobs
            .iter()
            .find(|line| line["job"]["id"] == id)
            .expect("known");
        line["waits"].clone()
    };
    site.wait("its reason", || {
        waits()
            .to_string()
            .contains("another process")
            .then_some(())
    });
    drop(lock);
    site.wait_for_state(id, "done");
    assert_eq!(waits(), Value::Array(Vec::new()));
}

#[test]
fn instruments_are_not_asked_a_second_time_during_a_run() {
    let site = Site::new();
    let service = site.serve();
    let id = site.add(&site.suite(30), &[]);
    site.wait("workers", || {
        (!workers_of(service.pid()).is_empty()).then_some(())
    });
    // Whoever looked for sensors now would find one more.
    let chip = site.path("machine/sys/class/hwmon/hwmon9");
    fs::create_dir_all(&chip).expect("made");
    fs::write(chip.join("name"), "late\n").expect("written");
    fs::write(chip.join("temp1_input"), "31000\n").expect("written");
    let seen = || -> Value {
        let request =
            b"GET /v1/instruments HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n";
        let answer = super::raw(&site, request);
        let body = answer.split_once("\r\n\r\n").expect("a body").1;
        serde_json::from_str(body).expect("JSON")
    };
    let channels = |seen: &Value| seen["channels"].as_array().expect("channels").clone();
    let read = site.wait("a sample", || {
        let seen = seen();
        let reads = |channel: &Value| channel["reading"].is_number();
        channels(&seen).iter().any(reads).then_some(seen)
    });
    assert!(!read.to_string().contains("\"late\""), "{read:#}");
    site.json(&["queue", "cancel", &id.to_string(), "--json"]);
    site.wait_for_state(id, "done");
    site.wait("the sensors themselves", || {
        seen().to_string().contains("\"late\"").then_some(())
    });
}

#[test]
fn the_ledger_takes_nothing_over_http_that_a_command_would_refuse() {
    let site = Site::new();
    let _service = site.serve();
    let machine = site.text("machine");
    let declare = |arguments: &[&str]| {
        let arguments = [arguments, &["--machine", &machine, "--json"]].concat();
        site.json(&arguments)
    };
    declare(&[
        "setting",
        "core-voltage",
        "--kind",
        "core-voltage",
        "--value",
        "1250",
        "--ceiling",
        "1300",
    ]);
    let change = |after: u32, from: u32, to: u32, number: u32, boot: &str| {
        format!(
            r#"{{"after":{after},"entries":[{{"entry":"change","number":{number},"boot_id":"{boot}","note":"","moves":[{{"setting":"core-voltage","from":{from},"to":{to}}}]}}]}}"#
        )
    };
    let ledger = super::raw(
        &site,
        b"GET /v1/ledger HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n",
    );
    let body = ledger.split_once("\r\n\r\n").expect("a body").1;
    let ledger: Value = serde_json::from_str(body).expect("JSON");
    let boot = ledger["boot_id"].as_str().expect("a boot");
    for (body, word) in [
        (change(1, 1250, 1450, 1, boot), "above your ceiling"),
        (change(1, 1240, 1230, 1, boot), "is at 1250"),
        (
            change(1, 1250, 1240, 7, boot),
            "what the ledger makes of it",
        ),
        (
            change(1, 1250, 1240, 1, "another"),
            "what the ledger makes of it",
        ),
        (
            r#"{"after":1,"entries":[{"entry":"undone","change":1}]}"#.to_owned(),
            "nothing to take back",
        ),
    ] {
        let answer = post(&site, "/v1/ledger", &body);
        assert!(
            answer.starts_with("HTTP/1.1 422") && answer.contains(word),
            "{body}: {answer}"
        );
    }
    let stale = change(0, 1250, 1450, 1, boot);
    assert!(post(&site, "/v1/ledger", &stale).starts_with("HTTP/1.1 409"));
    let right = change(1, 1250, 1240, 1, boot);
    let answer = post(&site, "/v1/ledger", &right);
    assert!(answer.starts_with("HTTP/1.1 204"), "{answer}");
    assert_eq!(declare(&["changes"])["changes"][0]["state"], "pending");
}
