//! A suite that wants to be gone on with after the death of the service, with the real program.

use std::fs;

use serde_json::Value;

use super::{Service, Site};
use crate::program::{is_alive, workers_of};

/// Three stages of two seconds each.
fn three_stages(more: &str) -> String {
    let stage = |name: &str| {
        format!(
            "[[stage]]\nname = \"{name}\"\ntime = \"2s\"\n[[stage.load]]\n\
             kernels = [\"int-streams.reg\"]\ncores = \"all\"\n"
        )
    };
    format!(
        "about = \"arithmetic\"\nasserts = [\"answers\"]\n{more}\n{}{}{}",
        stage("first"),
        stage("second"),
        stage("third")
    )
}

fn write(site: &Site, more: &str) -> String {
    let path = site.path("three.toml");
    fs::write(&path, three_stages(more)).expect("written");
    site.text("three.toml")
}

const RESUME: &str = "on-service-death = \"resume\"";

/// Kills `service` once the run with this number has run a stage whole.
fn kill_in_the_second_stage(site: &Site, service: Service, run: i64) {
    site.wait("the second stage", || {
        let live = site.output(&["report", &run.to_string(), "--json"]);
        let report: Value = serde_json::from_slice(&live.stdout).ok()?;
        let marks = report["run"]["stages"].as_array()?.clone();
        marks
            .iter()
            .any(|mark| mark["finished"] == true)
            .then_some(())
    });
    let workers = workers_of(service.pid());
    service.die();
    site.wait("workers to be gone", || {
        (!workers.iter().any(|worker| is_alive(worker.pid))).then_some(())
    });
}

fn report(site: &Site, run: i64) -> Value {
    site.json(&["report", &run.to_string(), "--json"])
}

#[test]
fn the_next_service_goes_on_with_the_stages_that_are_left_before_anything_else() {
    let site = Site::new();
    let service = site.serve();
    let first = site.add(&write(&site, RESUME), &[]);
    let other = site.add(&site.suite(2), &["--priority", "10"]);
    let urgent = site.state_of(other) == "running";
    assert!(!urgent, "the first job had started");
    kill_in_the_second_stage(&site, service, 1);
    let _service = site.serve();
    assert_eq!(site.state_of(first), "cut-short");
    let jobs = site.jobs();
    let going_on = jobs
        .iter()
        .find(|line| line["job"]["origin"]["by"] == "continuation");
    let going_on = going_on.expect("a job that goes on").clone();
    assert_eq!(going_on["job"]["origin"]["run"], 1);
    assert_eq!(going_on["job"]["length_s"], 4);
    let id = going_on["job"]["id"].as_i64().expect("a number");
    site.wait_for_state(id, "done");
    site.wait_for_state(other, "done");
    let run = |id: i64| {
        let jobs = site.jobs();
        let line = jobs
            .iter()
            .find(|line| line["job"]["id"] == id)
            .expect("known");
        line["job"]["state"]["run"].as_i64().expect("a run")
    };
    assert!(
        run(id) < run(other),
        "it comes before a job of the highest priority"
    );
    let closed = report(&site, 1);
    assert_eq!(closed["run"]["end"]["why"], "interrupted", "{closed:#}");
    let report = report(&site, run(id));
    assert_eq!(report["run"]["end"]["why"], "complete", "{report:#}");
    let plan = report["run"]["plan"]["stages"].as_array().expect("stages");
    let names: Vec<&Value> = plan.iter().map(|stage| &stage["name"]).collect();
    assert_eq!(names, ["second", "third"]);
    let text = site.output(&["report", &run(id).to_string()]);
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(text.contains("goes on with run 1"), "{text}");
}

#[test]
fn a_suite_that_does_not_ask_and_a_machine_that_was_started_again_are_not_gone_on_with() {
    let site = Site::new();
    let none = || {
        let jobs = site.jobs();
        let going_on = |line: &Value| line["job"]["origin"]["by"] == "continuation";
        assert!(!jobs.iter().any(going_on), "{jobs:#?}");
    };
    let service = site.serve();
    site.add(&write(&site, ""), &[]);
    kill_in_the_second_stage(&site, service, 1);
    let service = site.serve();
    none();
    site.add(&write(&site, RESUME), &[]);
    kill_in_the_second_stage(&site, service, 2);
    let boot = site.path("machine/proc/sys/kernel/random/boot_id");
    fs::write(boot, "7a5c0000-0000-4000-8000-00000000beef\n").expect("written");
    let _service = site.serve();
    none();
    assert_eq!(report(&site, 2)["run"]["end"]["why"], "reset");
}

#[test]
fn what_waits_to_be_gone_on_with_is_dropped_when_the_machine_is_started_again() {
    let site = Site::new();
    let service = site.serve();
    site.add(&write(&site, RESUME), &[]);
    kill_in_the_second_stage(&site, service, 1);
    site.json(&["queue", "pause", "--json"]);
    let service = site.serve();
    let jobs = site.jobs();
    let going_on = jobs
        .iter()
        .find(|line| line["job"]["origin"]["by"] == "continuation");
    let id = going_on.expect("a job that goes on")["job"]["id"]
        .as_i64()
        .expect("a number");
    service.die();
    let boot = site.path("machine/proc/sys/kernel/random/boot_id");
    fs::write(boot, "7a5c0000-0000-4000-8000-00000000beef\n").expect("written");
    let _service = site.serve();
    site.json(&["queue", "resume", "--json"]);
    let why = site.dropped_why(id);
    assert!(
        why.contains("run 1") && why.contains("started again"),
        "{why}"
    );
}
