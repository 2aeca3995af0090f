//! One attempt over HTTP against endpoints that behave and endpoints that do not.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use soakproof::model::NoticeEvent;
use soakproof::os::{Secret, SecretPlace, event_loop};
use soakproof::service::notices::{
    Address, Body, Method, Outcome, SigningKey, Target, Way, Webhook, attempt,
};

use super::endpoint::{Endpoint, answer};
use super::{NOW, notice};

const KEY: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";

fn webhook(url: &str) -> Webhook {
    Webhook {
        address: Address::Written(Secret::new(url)),
        method: Method::Post,
        body: Body::Event,
        content_type: "application/json".to_owned(),
        signing: None,
        authorization: None,
    }
}

fn target(webhook: Webhook) -> Target {
    Target {
        name: "receiver".to_owned(),
        events: NoticeEvent::CHOICES.to_vec(),
        way: Way::Webhook(Box::new(webhook)),
        time_limit: Duration::from_secs(10),
    }
}

fn send(target: &Target) -> Outcome {
    let runtime = event_loop().unwrap();
    let told = notice(NoticeEvent::RunFinished);
    runtime.block_on(attempt(target, "msg_1", &told, NOW))
}

fn why(outcome: Outcome) -> String {
    match outcome {
        Outcome::Refused { why, .. } => why,
        Outcome::Taken | Outcome::Gone => panic!("{outcome:?}"),
    }
}

fn secret(folder: &Path, name: &str, text: &str) -> SecretPlace {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    SecretPlace::File(path)
}

#[test]
fn a_notice_arrives_with_its_headers_and_a_signature_over_what_arrived() {
    let folder = tempfile::tempdir().unwrap();
    let endpoint = Endpoint::answering("204 No Content");
    let signing = secret(folder.path(), "key", &format!("{KEY}\n"));
    let authorization = secret(folder.path(), "token", "Bearer t0ken\n");
    let outcome = send(&target(Webhook {
        signing: Some(signing),
        authorization: Some(authorization),
        ..webhook(&endpoint.url())
    }));
    assert_eq!(outcome, Outcome::Taken);
    let [request] = &endpoint.seen()[..] else {
        panic!("one request");
    };
    assert_eq!(request.line, "POST /hook HTTP/1.1");
    assert_eq!(request.header("content-type"), Some("application/json"));
    assert_eq!(request.header("webhook-id"), Some("msg_1"));
    assert_eq!(request.header("webhook-timestamp"), Some("1767323045"));
    assert_eq!(request.header("authorization"), Some("Bearer t0ken"));
    let key = SigningKey::parse(&Secret::new(KEY)).unwrap();
    let signature = key.sign("msg_1", 1_767_323_045, &request.body);
    assert_eq!(
        request.header("webhook-signature"),
        Some(signature.as_str())
    );
}

#[test]
fn without_a_secret_nothing_is_signed_and_a_put_goes_to_its_transaction() {
    let endpoint = Endpoint::answering("200 OK");
    let url = format!("{}/{{{{ id }}}}", endpoint.url());
    let outcome = send(&target(Webhook {
        method: Method::Put,
        ..webhook(&url)
    }));
    assert_eq!(outcome, Outcome::Taken);
    let request = &endpoint.seen()[0];
    assert_eq!(request.line, "PUT /hook/msg_1 HTTP/1.1");
    assert_eq!(request.header("webhook-signature"), None);
}

#[test]
fn only_2xx_is_success_and_410_is_for_ever() {
    for status in ["200 OK", "202 Accepted", "299 Fine"] {
        let endpoint = Endpoint::answering(status);
        assert_eq!(send(&target(webhook(&endpoint.url()))), Outcome::Taken);
    }
    for (status, told) in [
        ("500 Oops", "answered 500: ok"),
        ("400 Bad", "answered 400: ok"),
        ("404 Where", "answered 404: ok"),
    ] {
        let endpoint = Endpoint::answering(status);
        assert_eq!(why(send(&target(webhook(&endpoint.url())))), told);
    }
    let endpoint = Endpoint::answering("410 Gone");
    assert_eq!(send(&target(webhook(&endpoint.url()))), Outcome::Gone);
}

#[test]
fn the_endpoints_own_wish_is_heard() {
    let endpoint = Endpoint::open(|_, out| answer(out, "429 Slowly", "Retry-After: 120\r\n"));
    let Outcome::Refused { asked, .. } = send(&target(webhook(&endpoint.url()))) else {
        panic!("refused");
    };
    assert_eq!(asked, Some(Duration::from_mins(2)));
}

#[test]
fn a_redirect_is_not_followed() {
    let elsewhere = Endpoint::answering("200 OK");
    let location = format!("Location: {}\r\n", elsewhere.url());
    for status in ["301 Moved", "302 Found", "307 There", "308 There"] {
        let location = location.clone();
        let endpoint = Endpoint::open(move |_, out| answer(out, status, &location));
        let why = why(send(&target(webhook(&endpoint.url()))));
        assert!(why.contains("redirects are not followed"), "{why}");
    }
    assert_eq!(elsewhere.seen().len(), 0);
}

#[test]
fn an_endpoint_that_hangs_is_left() {
    let endpoint = Endpoint::open(|_, _| std::thread::sleep(Duration::from_secs(3)));
    let mut impatient = target(webhook(&endpoint.url()));
    impatient.time_limit = Duration::from_secs(1);
    assert_eq!(why(send(&impatient)), "no answer within 1 s");
    // One that begins to answer and stops is left too, and its status is known.
    let endpoint = Endpoint::open(|_, out| {
        drop(out.write_all(b"HTTP/1.1 500 Oops\r\nContent-Length: 9\r\n\r\nbe"));
        drop(out.flush());
        std::thread::sleep(Duration::from_secs(3));
    });
    impatient.way = Way::Webhook(Box::new(webhook(&endpoint.url())));
    assert_eq!(why(send(&impatient)), "answered 500: be");
}

#[test]
fn of_an_answer_of_2_gb_hardly_anything_is_read() {
    const SIZE: u64 = 2 << 30;
    for status in ["500 Oops", "200 OK"] {
        let written = Arc::new(AtomicU64::new(0));
        let count = Arc::clone(&written);
        let endpoint = Endpoint::open(move |_, out| {
            let head = format!("HTTP/1.1 {status}\r\nContent-Length: {SIZE}\r\n\r\n");
            drop(out.write_all(head.as_bytes()));
            let block = vec![b'x'; 1 << 16];
            while count.load(Ordering::SeqCst) < SIZE && out.write_all(&block).is_ok() {
                count.fetch_add(1 << 16, Ordering::SeqCst);
            }
        });
        let outcome = send(&target(webhook(&endpoint.url())));
        drop(endpoint);
        match outcome {
            Outcome::Taken => assert_eq!(status, "200 OK"),
            Outcome::Refused { why, .. } => assert!(why.len() < 3000, "{}", why.len()),
            Outcome::Gone => panic!("gone"),
        }
        // What stands in the buffers between two sockets is all that went out.
        let written = written.load(Ordering::SeqCst);
        assert!(written < 64 << 20, "{written} bytes were taken");
    }
}

#[test]
fn nobody_there_and_words_without_meaning_are_told_without_the_address() {
    let closed = {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        listener.local_addr().unwrap()
    };
    let url = format!("http://{closed}/t0ken");
    let told = why(send(&target(webhook(&url))));
    assert!(
        told.contains("refused") && !told.contains("t0ken"),
        "{told}"
    );
    let endpoint = Endpoint::open(|_, out| drop(out.write_all(b"\x16\x03 what?\r\n\r\n")));
    let url = format!("http://{}/t0ken", endpoint.address);
    let told = why(send(&target(webhook(&url))));
    assert!(
        told.starts_with("no answer") && !told.contains("t0ken"),
        "{told}"
    );
}

#[test]
fn a_certificate_that_nobody_vouches_for_is_refused() {
    let endpoint = Endpoint::open_tls(|_, out| answer(out, "200 OK", ""));
    let url = format!("https://localhost:{}/hook", endpoint.address.port());
    let told = why(send(&target(webhook(&url))));
    assert!(told.contains("certificate"), "{told}");
    assert_eq!(endpoint.seen().len(), 0, "nothing was said to it");
}

#[test]
fn a_secret_that_cannot_be_used_is_an_attempt_that_failed() {
    let folder = tempfile::tempdir().unwrap();
    let endpoint = Endpoint::answering("200 OK");
    let mut places = vec![
        SecretPlace::File(folder.path().join("nowhere")),
        SecretPlace::File(folder.path().to_path_buf()),
        SecretPlace::Credential("absent".to_owned()),
    ];
    for (name, text) in [
        ("empty", "\n"),
        ("other", "s3cret"),
        ("short", "whsec_czNj"),
    ] {
        places.push(secret(folder.path(), name, text));
    }
    places.push(secret(folder.path(), "long", &"x".repeat(5000)));
    for place in places {
        let told = why(send(&target(Webhook {
            signing: Some(place.clone()),
            ..webhook(&endpoint.url())
        })));
        assert!(!told.contains("s3c") && !told.contains("czNj"), "{told}");
        assert!(told.contains(':'), "{place:?} has no reason: {told}");
    }
    assert_eq!(endpoint.seen().len(), 0);
}
