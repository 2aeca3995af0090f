//! Two hubs on one server: one acts, both know, and either may die.

use std::fs;

use super::{Shop, die, wait};

#[test]
fn of_two_hubs_one_acts_and_the_other_takes_over_when_it_is_killed() {
    let Some(shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    let other = shop.path("other");
    fs::create_dir(&other).expect("made");
    for file in ["hub.toml", "hub.nk"] {
        fs::copy(shop.path("hub").join(file), other.join(file)).expect("copied");
    }
    let first = shop.start_hub("hub");
    wait("the first hub to act", || {
        shop.log("hub").contains("this hub acts").then_some(())
    });
    let _second = shop.start_hub("other");
    let _machine = shop.start_machine("bench-1");
    let order = shop.order(3, &["--to", "bench-1"]);
    shop.wait_for(&order, "bench-1", "done");
    assert!(
        !shop.log("other").contains("this hub acts"),
        "only one of them acts"
    );
    die(first);
    // Nobody copies into the first one's folder any more, so the second one is asked.
    let results = |shop: &Shop| {
        let mut command = shop.program();
        command
            .env("SOAKPROOF_HUB", &other)
            .args(["hub", "results", "--json"]);
        let output = command.output().expect("starts");
        let results: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
        results["results"].as_array().expect("a list").clone()
    };
    wait("the second hub to know what came before", || {
        (results(&shop).len() == 1).then_some(())
    });
    shop.order(3, &["--to", "bench-1"]);
    let known = wait("the second hub to take over", || {
        let known = results(&shop);
        (known.len() == 2).then_some(known)
    });
    assert!(known.iter().all(|result| result["number"].is_number()));
    assert!(shop.log("other").contains("this hub acts"));
}
