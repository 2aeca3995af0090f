//! Whoever is not who he says, says what is not his to say, or says too much.

use std::time::Duration;

use futures_util::StreamExt;
use serde_json::json;
use soakproof::fleet::link::{LinkOptions, connect};
use soakproof::fleet::protocol::{
    JobEnd, Outcome, Word, job_subject, parse_message, subject, write_message,
};
use soakproof::model::Wall;
use soakproof::os::{Secret, event_loop};

use super::{PATIENCE, Shop, name, wait};

const QUICKLY: Duration = Duration::from_millis(1500);

fn link(shop: &Shop, user: &str, key: &str) -> LinkOptions {
    let seed = std::fs::read_to_string(shop.path(&format!("hub/machines/{key}.nk")));
    LinkOptions {
        servers: vec![format!("nats://127.0.0.1:{}", shop.port)],
        seed: Secret::new(seed.expect("a key").trim()),
        name: user.to_owned(),
        roots: None,
    }
}

fn said(shop: &Shop, machine: &str) -> Vec<String> {
    let history = shop.json(&["machines", machine]);
    let refused = history["refused"].as_array().expect("a list").iter();
    refused
        .map(|line| line["why"].as_str().expect("words").to_owned())
        .collect()
}

fn outcome(machine: &str) -> Outcome {
    Outcome {
        id: "made up".to_owned(),
        machine: name(machine),
        serial: None,
        at: Wall(0),
        job: None,
        run: None,
    }
}

#[test]
fn the_server_keeps_each_machine_to_its_own_and_turns_away_whoever_has_no_key() {
    let Some(shop) = Shop::open(&["bench-1", "bench-2"]) else {
        return;
    };
    let _hub = shop.start_hub("hub");
    wait("mailboxes", || {
        shop.log("hub").contains("this hub acts").then_some(())
    });
    shop.ok(&["revoke", "bench-2"]);
    let denied = event_loop()
        .expect("an event loop")
        .block_on(connect(&link(&shop, "bench-2", "bench-2"), false));
    assert!(denied.is_err(), "a key that was taken back opens nothing");
    shop.ok(&["enrol", "bench-3"]);
    shop.order(60, &["--to", "bench-3"]);
    event_loop().expect("an event loop").block_on(async {
        let client = connect(&link(&shop, "bench-1", "bench-1"), false)
            .await
            .expect("its own key opens");
        let mut overheard = client
            .subscribe(job_subject(&name("bench-3")))
            .await
            .expect("asked");
        let mut words = client
            .subscribe(subject("word", &name("bench-3")))
            .await
            .expect("asked");
        // The hub sends to whoever is heard: pretend to be the other one.
        let forged = subject("beat", &name("bench-3"));
        let forged = client.publish(forged, "anything".into()).await;
        forged.expect("sent; the server drops it");
        let nothing = tokio::time::timeout(QUICKLY, async {
            tokio::select! {
                message = overheard.next() => message,
                message = words.next() => message,
            }
        });
        let nothing = nothing.await;
        assert!(nothing.is_err() || nothing.is_ok_and(|message| message.is_none()));
        // Asking for another's mailbox is answered by silence.
        let jetstream = async_nats::jetstream::new(client.clone());
        let taken = jetstream
            .get_consumer_from_stream::<async_nats::jetstream::consumer::pull::Config, _, _>(
                "bench-3", "JOBS",
            )
            .await;
        assert!(taken.is_err(), "another's mailbox stays closed");
        let acknowledged = tokio::time::timeout(QUICKLY, async {
            let to = subject("results", &name("bench-3"));
            let sent = jetstream.publish(to, write_message(&outcome("bench-3")).into());
            sent.await.expect("sent").await
        });
        let acknowledged = acknowledged.await;
        assert!(
            !matches!(acknowledged, Ok(Ok(_))),
            "nobody writes another's results"
        );
    });
    let untouched = shop.board_line("bench-3").expect("enrolled");
    assert_eq!(untouched["state"], "never heard");
    assert!(said(&shop, "bench-3").is_empty());
}

#[test]
fn what_is_malformed_too_large_or_of_somebody_else_is_refused_and_said() {
    let Some(shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    shop.ok(&["enrol", "bench-2", "--serial", "SN-2"]);
    shop.ok(&["enrol", "bench-1", "--alter", "--serial", "SN-1"]);
    let _hub = shop.start_hub("hub");
    let long = " ".repeat(200_000);
    let mut wrong = vec![
        b"no message at all".to_vec(),
        json!({ "format": 99, "body": null })
            .to_string()
            .into_bytes(),
        long.into_bytes(),
        write_message(&outcome("bench-1")),
        write_message(&outcome("bench-2")),
    ];
    let mut other = outcome("bench-1");
    other.serial = Some("SN-2".to_owned());
    wrong.push(write_message(&other));
    event_loop().expect("an event loop").block_on(async {
        let client = connect(&link(&shop, "bench-1", "bench-1"), false)
            .await
            .expect("opens");
        let jetstream = async_nats::jetstream::new(client.clone());
        let to = subject("results", &name("bench-1"));
        for message in wrong {
            let sent = jetstream.publish(to.clone(), message.into()).await;
            sent.expect("sent").await.expect("the server has it");
        }
        let mut heads = async_nats::HeaderMap::new();
        heads.insert("Soakproof-Parcel", "../../etc");
        heads.insert("Soakproof-Chunk", "4000000000");
        let sent = jetstream.publish_with_headers(to.clone(), heads, "x".into());
        sent.await.expect("sent").await.expect("the server has it");
        // More than the server takes at all.
        let whole = vec![0_u8; 100 << 20];
        assert!(client.publish(to, whole.into()).await.is_err());
    });
    // Three of them bear one id, of which the last word stands; the hub's log has all.
    let reasons = wait("all refusals", || {
        let reasons = said(&shop, "bench-1");
        (reasons.len() >= 5).then_some(reasons)
    });
    for reason in [
        "no message of this kind",
        "of format 99",
        "more than 131072",
        "it says nothing",
        "in the name of bench-2",
        "registered with `SN-1`",
        "a chunk of no parcel",
    ] {
        let told =
            reasons.iter().any(|told| told.contains(reason)) || shop.log("hub").contains(reason);
        assert!(told, "{reason}: {reasons:#?}");
    }
    assert!(shop.results().is_empty());
}

#[test]
fn what_has_its_receipt_is_not_read_again() {
    let Some(shop) = Shop::open(&["bench-1"]) else {
        return;
    };
    shop.ok(&["enrol", "bench-1", "--alter", "--serial", "SN-1"]);
    let _hub = shop.start_hub("hub");
    wait("mailboxes", || {
        shop.log("hub").contains("this hub acts").then_some(())
    });
    let order = shop.order(60, &["--to", "bench-1"]);
    let mut told = outcome("bench-1");
    told.job = Some((format!("{order}/bench-1/1"), JobEnd::Refused));
    // Were it read, this would be refused.
    let mut again = told.clone();
    again.serial = Some("SN-2".to_owned());
    let answers: Vec<Word> = event_loop().expect("an event loop").block_on(async {
        let client = connect(&link(&shop, "bench-1", "bench-1"), false)
            .await
            .expect("opens");
        let jetstream = async_nats::jetstream::new(client.clone());
        let mut words = client
            .subscribe(subject("word", &name("bench-1")))
            .await
            .expect("asked");
        let to = subject("results", &name("bench-1"));
        let mut answers = Vec::new();
        for outcome in [told, again] {
            let sent = jetstream.publish(to.clone(), write_message(&outcome).into());
            sent.await.expect("sent").await.expect("the server has it");
            let word = tokio::time::timeout(PATIENCE, words.next()).await;
            let word = word.expect("in time").expect("a word");
            answers.push(parse_message(&word.payload).expect("readable"));
        }
        answers
    });
    let receipt = Word::Receipt {
        id: "made up".to_owned(),
    };
    assert_eq!(answers, [receipt.clone(), receipt]);
    assert_eq!(said(&shop, "bench-1"), Vec::<String>::new());
}
