//! Whole shops: jobs out, results back, and every kind of death in between.

use std::fs;

use soakproof::store::Store;

use super::{Shop, die, wait};
use crate::program::{is_alive, workers_of};

fn pid(running: &super::Running) -> i32 {
    i32::try_from(running.0.id()).expect("a pid")
}

#[test]
fn an_order_reaches_its_machine_and_the_result_comes_back_with_a_receipt() {
    let Some(shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    let _hub = shop.start_hub("hub");
    let _machine = shop.start_machine("bench-1");
    let order = shop.order(3, &["--group", "floor"]);
    let running = shop.wait_for_state("bench-1", "running");
    assert_eq!(running["progress"]["stage"], "work");
    shop.wait_for(&order, "bench-1", "done");
    let results = shop.results();
    let [result] = results.as_slice() else {
        panic!("one result: {results:#?}");
    };
    // Other programs may have starved it; what counts is that both ends come to the same.
    assert_ne!(result["grade"], "failed");
    assert_eq!(result["grade"], result["grade_there"]);
    assert_eq!(result["simulated"], true);
    // The record came whole: its digest here is the digest there.
    let local = shop.local_json("bench-1", &["report", "--verify", "last", "--json"]);
    let hub = shop.path("hub");
    let mut here = shop.local("bench-1", &["report", "--verify", "last", "--json"]);
    here.env("SOAKPROOF_STORE", &hub)
        .env("SOAKPROOF_SOCKET", shop.path("nowhere"));
    let here = here.output().expect("starts");
    let here: serde_json::Value = serde_json::from_slice(&here.stdout).expect("JSON");
    assert_eq!(here["sha256"], local["sha256"]);
    // Nothing is owed once the receipt is there.
    let store = Store::open(&shop.store("bench-1")).expect("opens");
    wait("the receipt", || {
        store.untold_runs(9).expect("read").is_empty().then_some(())
    });
    assert!(store.owed_hub_jobs().expect("read").is_empty());
    // A run that somebody starts at the machine is told too, and belongs to no order.
    let suite = shop.path("work-3.toml");
    let suite = suite.to_str().expect("text");
    let machine = shop.machine("bench-1");
    let machine = machine.to_str().expect("text");
    let run = ["run", suite, "--machine", machine, "--json"];
    shop.local_json("bench-1", &run);
    let results = wait("the second result", || {
        let results = shop.results();
        (results.len() == 2).then_some(results)
    });
    assert!(results[0]["job"].is_null());
    let sheets = shop.path("sheets");
    shop.ok(&["sheets", sheets.to_str().expect("text")]);
    assert_eq!(fs::read_dir(sheets).expect("made").count(), 2);
    let day = shop.ok(&["export"]);
    assert_eq!(day.lines().count(), 3, "{day}");
}

#[test]
fn a_job_whose_machine_died_in_it_is_judged_and_never_run_again() {
    let Some(shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    let _hub = shop.start_hub("hub");
    let machine = shop.start_machine("bench-1");
    let order = shop.order(60, &["--to", "bench-1"]);
    shop.wait_for_state("bench-1", "running");
    let workers = wait("workers", || {
        let workers = workers_of(pid(&machine));
        (!workers.is_empty()).then_some(workers)
    });
    die(machine);
    wait("workers to be gone", || {
        let left = workers.iter().any(|worker| is_alive(worker.pid));
        (!left).then_some(())
    });
    let vanished = shop.wait_for_state("bench-1", "vanished");
    assert!(
        vanished["why"]
            .as_str()
            .is_some_and(|why| why.contains("in mid-job")),
        "{vanished:#}"
    );
    let boot = shop
        .machine("bench-1")
        .join("proc/sys/kernel/random/boot_id");
    fs::write(boot, "7a5c0000-0000-4000-8000-00000000beef\n").expect("written");
    let _machine = shop.start_machine("bench-1");
    shop.wait_for(&order, "bench-1", "failed");
    // The server delivers the job again meanwhile; it is known and not started a second time.
    wait("the job to be delivered again", || {
        shop.log("bench-1")
            .contains("a job came again that has ended")
            .then_some(())
    });
    let runs = shop.local_json("bench-1", &["runs", "--json"]);
    assert_eq!(runs["runs"].as_array().map(Vec::len), Some(1));
    let queue = shop.local_json("bench-1", &["queue", "--json"]);
    let jobs = queue["jobs"].as_array().expect("jobs");
    let [job] = jobs.as_slice() else {
        panic!("one job: {queue:#}");
    };
    assert_eq!(job["job"]["starts"], 1);
    assert_eq!(job["job"]["state"]["is"], "cut-short");
    let results = shop.results();
    let [result] = results.as_slice() else {
        panic!("one result: {results:#?}");
    };
    assert_eq!(result["grade"], "failed");
    let why = result["reason"].as_str().expect("words");
    assert!(why.contains("reset"), "why it vanished: {why}");
}

#[test]
fn nothing_is_lost_when_the_server_is_killed_in_mid_job_and_the_hub_before_it_has_copied() {
    let Some(mut shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    let hub = shop.start_hub("hub");
    let _machine = shop.start_machine("bench-1");
    let order = shop.order(4, &["--to", "bench-1", "--repeat", "2"]);
    shop.wait_for_state("bench-1", "running");
    shop.kill_server();
    die(hub);
    let state = || {
        let queue = shop.local_json("bench-1", &["queue", "--json"]);
        queue["jobs"][0]["job"]["state"]["is"].clone()
    };
    // Off line the run goes on to its verdict.
    wait("the run to end off line", || {
        (state() == "done").then_some(())
    });
    shop.start_server();
    // Its outcome goes out while there is no hub; two hubs in turn find it.
    wait("the outcome to go out", || {
        shop.log("bench-1")
            .contains("told to the hub")
            .then_some(())
    });
    let store = Store::open(&shop.store("bench-1")).expect("opens");
    let owed = store.untold_runs(9).expect("read");
    assert_eq!(
        owed.len(),
        1,
        "the server has it, and it is owed until the hub's receipt"
    );
    let hub = shop.start_hub("hub");
    wait("a result", || (!shop.results().is_empty()).then_some(()));
    die(hub);
    let hub = shop.start_hub("hub");
    shop.wait_for(&order, "bench-1", "done");
    wait("the receipts", || {
        store.untold_runs(9).expect("read").is_empty().then_some(())
    });
    die(hub);
    // A hub that has forgotten how far it was reads everything once more, and it changes nothing.
    let before = shop.results();
    assert_eq!(before.len(), 2, "two runs, each once: {before:#?}");
    let file = rusqlite::Connection::open(shop.path("hub/hub.sqlite")).expect("opens");
    file.execute("DELETE FROM copied", []).expect("forgotten");
    let _hub = shop.start_hub("hub");
    wait("both streams to be read again", || {
        let seen = "SELECT count(*) FROM copied";
        let seen: i64 = file.query_row(seen, [], |row| row.get(0)).expect("asked");
        (seen == 2).then_some(())
    });
    wait("the last message", || {
        let last = "SELECT seq FROM copied WHERE stream = 'RESULTS'";
        let last: i64 = file.query_row(last, [], |row| row.get(0)).expect("asked");
        // A parcel and an outcome for each of two runs, at least.
        (last >= 4).then_some(())
    });
    assert_eq!(shop.results(), before);
    shop.wait_for(&order, "bench-1", "done");
}

#[test]
fn a_person_at_the_machine_has_the_last_word() {
    let Some(shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    let hub = shop.start_hub("hub");
    let _machine = shop.start_machine("bench-1");
    shop.wait_for_state("bench-1", "idle");
    shop.local_json("bench-1", &["queue", "pause", "--json"]);
    let refused = shop.order(3, &["--to", "bench-1"]);
    let waiting = shop.wait_for_state("bench-1", "waiting");
    let why = waiting["why"].as_str().expect("words");
    assert!(why.contains("paused"), "{why}");
    shop.local_json("bench-1", &["queue", "cancel", "1", "--json"]);
    let why = shop.wait_for(&refused, "bench-1", "given up");
    assert_eq!(why, "refused at the machine");
    // The hub takes a job back that waits there.
    let cancelled = shop.order(3, &["--to", "bench-1"]);
    wait("the second job", || {
        let queue = shop.local_json("bench-1", &["queue", "--json"]);
        let jobs = queue["jobs"].as_array().expect("jobs").len();
        (jobs == 2).then_some(())
    });
    shop.ok(&["cancel", &cancelled]);
    wait("it to be taken back", || {
        let queue = shop.local_json("bench-1", &["queue", "--json"]);
        (queue["jobs"][1]["job"]["state"]["is"] == "cancelled").then_some(())
    });
    // Without a hub its jobs do not start, and one's own do.
    let waits = shop.order(3, &["--to", "bench-1"]);
    wait("the third job", || {
        let queue = shop.local_json("bench-1", &["queue", "--json"]);
        let jobs = queue["jobs"].as_array().expect("jobs").len();
        (jobs == 3).then_some(())
    });
    die(hub);
    wait("the hub to be missed", || {
        shop.log("bench-1")
            .contains("the hub is not heard")
            .then_some(())
    });
    shop.local_json("bench-1", &["queue", "resume", "--json"]);
    let suite = shop.path("work-3.toml");
    let own = ["queue", "add", suite.to_str().expect("text"), "--json"];
    shop.local_json("bench-1", &own);
    wait("one's own job", || {
        let queue = shop.local_json("bench-1", &["queue", "--json"]);
        let jobs = queue["jobs"].as_array().expect("jobs").iter();
        let mut own = jobs.filter(|line| line["job"]["id"] == 4);
        (own.next()?["job"]["state"]["is"] == "done").then_some(())
    });
    let queue = shop.local_json("bench-1", &["queue", "--json"]);
    let jobs = queue["jobs"].as_array().expect("jobs").iter();
    let mut third = jobs.filter(|line| line["job"]["id"] == 3);
    let third = third.next().expect("there");
    assert_eq!(third["job"]["state"]["is"], "waiting", "{third:#}");
    let _hub = shop.start_hub("hub");
    shop.wait_for(&waits, "bench-1", "done");
}
