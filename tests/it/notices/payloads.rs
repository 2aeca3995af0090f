//! Bodies: each ready payload is the JSON that its kind of system takes, whatever the texts hold.

use proptest::prelude::*;
use serde_json::Value;
use soakproof::model::{Notice, NoticeEvent, Urgency};
use soakproof::service::notices::{
    Body, CheckAddressError, PAYLOADS, RenderBodyError, event_json, render_body, resolve_address,
};

use super::notice;

fn ready(name: &str) -> Body {
    let payload = PAYLOADS
        .iter()
        .find(|payload| payload.name == name)
        .unwrap();
    Body::Template {
        text: payload.template.to_owned(),
        json: true,
        topic: "bench \"7\"".to_owned(),
    }
}

fn render(name: &str, notice: &Notice) -> Value {
    serde_json::from_str(&render_body(&ready(name), "msg_1", notice).unwrap()).unwrap()
}

fn hostile() -> Notice {
    Notice {
        title: "a \"quoted\" \\ title {{ id }} </script>".to_owned(),
        text: "two\nlines\t\u{7}\u{202e}, \u{1f525}".to_owned(),
        ..notice(NoticeEvent::RunFinished)
    }
}

#[test]
fn each_kind_of_payload_has_the_keys_that_its_systems_take() {
    let told = hostile();
    let both = format!("{}\n{}", told.title, told.text);
    assert_eq!(render("text", &told), serde_json::json!({ "text": both }));
    assert_eq!(
        render("content", &told),
        serde_json::json!({ "content": both })
    );
    assert_eq!(
        render("room", &told),
        serde_json::json!({ "msgtype": "m.text", "body": both })
    );
    assert_eq!(
        render("push", &told),
        serde_json::json!({
            "topic": "bench \"7\"", "title": told.title, "message": told.text, "priority": 3,
            "tags": ["run.finished"],
        })
    );
    let card = render("card", &told);
    let body = &card["attachments"][0]["content"]["body"];
    assert_eq!(body[0]["text"], told.title);
    assert_eq!(body[1]["text"], told.text);
}

#[test]
fn urgency_becomes_a_priority_of_one_to_five() {
    for (urgency, priority) in [(Urgency::Low, 2), (Urgency::Normal, 3), (Urgency::High, 5)] {
        let told = Notice {
            urgency,
            ..hostile()
        };
        assert_eq!(render("push", &told)["priority"], priority);
    }
}

#[test]
fn a_content_payload_holds_at_most_2000_characters() {
    let told = Notice {
        text: "\u{e9}".repeat(5000),
        ..hostile()
    };
    let content = render("content", &told);
    assert_eq!(content["content"].as_str().unwrap().chars().count(), 2000);
}

/// Payload that Standard Webhooks 1.0.0 recommends: `type`, `timestamp` (RFC 3339), `data`.
#[test]
fn the_plain_event_has_the_recommended_form() {
    let told = notice(NoticeEvent::RunFinished);
    let event = event_json("msg_1", &told);
    let keys: Vec<&String> = event.as_object().unwrap().keys().collect();
    assert_eq!(keys, ["data", "timestamp", "type"]);
    assert_eq!(event["type"], "run.finished");
    assert_eq!(event["timestamp"], "2026-01-02T03:04:05Z");
    assert_eq!(event["data"]["run"]["suite"], "overnight");
    assert_eq!(event["data"]["run"]["grade"], "provisional");
}

#[test]
fn a_name_that_does_not_exist_is_a_mistake() {
    let body = |text: &str| Body::Template {
        text: text.to_owned(),
        json: true,
        topic: String::new(),
    };
    let told = notice(NoticeEvent::QueueEmpty);
    let wrong = render_body(&body("{{ titel }}"), "msg_1", &told).unwrap_err();
    assert!(matches!(wrong, RenderBodyError::Template(_)), "{wrong}");
    let wrong = render_body(&body("{{ title"), "msg_1", &told).unwrap_err();
    assert!(matches!(wrong, RenderBodyError::Template(_)), "{wrong}");
    let wrong = render_body(&body("{{ title }}}"), "msg_1", &told).unwrap_err();
    assert!(matches!(wrong, RenderBodyError::NotJson(_)), "{wrong}");
}

#[test]
fn an_address_may_hold_the_id_and_nothing_else() {
    let put = |address: &str| resolve_address(address, "msg_1", false).map(String::from);
    assert_eq!(
        put("https://x/send/{{ id }}").unwrap(),
        "https://x/send/msg_1"
    );
    assert_eq!(put("https://x/a").unwrap(), "https://x/a");
    assert_eq!(
        put("https://x/{{ title }}"),
        Err(CheckAddressError::Template)
    );
}

proptest! {
    #[test]
    fn every_payload_is_json_whatever_is_told(title in "\\PC{0,40}", text in any::<String>()) {
        let told = Notice { title, text, ..notice(NoticeEvent::FirstFinding) };
        for payload in PAYLOADS {
            render(payload.name, &told);
        }
    }
}
