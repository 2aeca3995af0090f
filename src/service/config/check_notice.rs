//! `[[notice]]`: whom to tell what, and how. Each template is tried on every event that it may meet, so
//! that a misspelt name is told here and not in the night.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use crate::form::{At, Draft, Keys, hint, quoted};
use crate::model::{NoticeEvent, Wall};
use crate::os::Secret;
use crate::service::notices::{
    Address, Body, Method, PAYLOADS, Target, Way, Webhook, example_notice, render_body,
    resolve_address,
};
use crate::web::secret_place;

/// Shortest and longest time for one attempt. Standard Webhooks 1.0 recommends 15 to 30 s.
const TIME_LIMIT: (Duration, Duration) = (Duration::from_secs(1), Duration::from_mins(1));
const USUAL_TIME_LIMIT: Duration = Duration::from_secs(20);
/// Longest name of a target.
const MOST_NAME: usize = 40;
/// Most targets.
const MOST_TARGETS: usize = 32;

const KEYS: [&str; 16] = [
    "name",
    "events",
    "url",
    "url-file",
    "url-credential",
    "command",
    "method",
    "payload",
    "body",
    "topic",
    "content-type",
    "secret-file",
    "secret-credential",
    "authorization-file",
    "authorization-credential",
    "time-limit",
];
/// Keys that say nothing where a command is run.
const WEBHOOK_ONLY: [&str; 9] = [
    "method",
    "payload",
    "body",
    "topic",
    "content-type",
    "secret-file",
    "secret-credential",
    "authorization-file",
    "authorization-credential",
];
const WAYS: [&str; 4] = ["url", "url-file", "url-credential", "command"];
const METHODS: [(&str, Method); 2] = [("POST", Method::Post), ("PUT", Method::Put)];

pub(super) fn check_notices(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Vec<Target> {
    let tables = keys.tables(draft, "notice", "[[notice]]");
    if let Some((_, span)) = tables.get(MOST_TARGETS) {
        draft.report(
            span,
            format!("more than {MOST_TARGETS} `[[notice]]` tables"),
        );
    }
    let mut names = BTreeSet::new();
    let mut targets = Vec::new();
    for (table, span) in tables {
        let keys = Keys::open(draft, table, "[[notice]]", &KEYS);
        let name = check_name(draft, &keys, &span);
        if let Some(again) = name.as_ref().filter(|name| !names.insert(name.value)) {
            let message = format!(
                "a second notice is called `{}`: give it another name",
                again.value
            );
            draft.report(&again.span, message);
        }
        targets.extend(check_notice(draft, &keys, name.as_ref(), &span));
    }
    targets
}

fn check_name<'a>(
    draft: &mut Draft<'_>,
    keys: &Keys<'a, '_>,
    span: &Range<usize>,
) -> Option<At<&'a str>> {
    if keys.lacks("name") {
        draft.report(span, "the notice has no `name`: give it a short one");
    }
    let name = keys.text(draft, "name", "like `\"chat\"`")?;
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.value.is_empty() || name.value.len() > MOST_NAME || !name.value.chars().all(fits) {
        let message = format!(
            "`name` must be 1 to {MOST_NAME} letters, digits, `-` and `_`, such as `\"chat\"`"
        );
        draft.report(&name.span, message);
    }
    Some(name)
}

fn check_notice(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    name: Option<&At<&str>>,
    span: &Range<usize>,
) -> Option<Target> {
    let events = check_events(draft, keys);
    let time_limit = keys.time(draft, "time-limit", TIME_LIMIT);
    let given: Vec<&str> = WAYS
        .into_iter()
        .filter(|way| keys.get(way).is_some())
        .collect();
    let way = match given.as_slice() {
        ["command"] => check_command(draft, keys),
        [_] => check_webhook(draft, keys, &events),
        [] => {
            if WAYS.iter().all(|way| keys.lacks(way)) {
                draft.report(
                    span,
                    format!("the notice goes nowhere: give one of {}", quoted(&WAYS)),
                );
            }
            None
        }
        [_, second, ..] => {
            let at = keys.get(second).map_or(span.clone(), toml::Spanned::span);
            draft.report(&at, format!("only one of {} can be given", quoted(&given)));
            None
        }
    };
    Some(Target {
        name: name?.value.to_owned(),
        events,
        way: way?,
        time_limit: time_limit.map_or(USUAL_TIME_LIMIT, |time| time.value),
    })
}

fn check_events(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Vec<NoticeEvent> {
    let known = NoticeEvent::CHOICES.map(NoticeEvent::name);
    let Some(words) = keys.texts(draft, "events") else {
        return NoticeEvent::CHOICES.to_vec();
    };
    let mut events = Vec::new();
    for word in words {
        let event = NoticeEvent::CHOICES
            .into_iter()
            .find(|event| event.name() == word.value);
        if event.is_none() {
            let hint = hint(word.value, &known);
            draft.report(
                &word.span,
                format!("unknown event `{}`; {hint}", word.value),
            );
        }
        events.extend(event);
    }
    events
}

fn check_command(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<Way> {
    for key in WEBHOOK_ONLY {
        if let Some(value) = keys.get(key) {
            let message = format!(
                "`{key}` says nothing for a command, which gets the event as JSON: take it out"
            );
            draft.report(&value.span(), message);
        }
    }
    let words = keys.texts(draft, "command")?;
    let Some((program, arguments)) = words.split_first() else {
        let span = keys.get("command").map_or(0..0, toml::Spanned::span);
        draft.report(&span, "`command` is empty: name a program");
        return None;
    };
    if !program.value.starts_with('/') {
        let message = format!(
            "`{}` must be the whole path of the program: a service does not search for it",
            program.value
        );
        draft.report(&program.span, message);
    }
    Some(Way::Command {
        program: program.value.to_owned(),
        arguments: arguments
            .iter()
            .map(|argument| argument.value.to_owned())
            .collect(),
    })
}

fn check_webhook(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    events: &[NoticeEvent],
) -> Option<Way> {
    let method = keys.word(draft, "method", &METHODS);
    let content_type = keys.text(draft, "content-type", "like `\"text/plain\"`");
    let content_type = content_type.map_or("application/json", |text| text.value);
    let signing = secret_place(draft, keys, ("secret-file", "secret-credential"));
    let authorization = secret_place(
        draft,
        keys,
        ("authorization-file", "authorization-credential"),
    );
    let body = check_body(draft, keys, content_type, events);
    let address = find_address(draft, keys, authorization.is_some());
    Some(Way::Webhook(Box::new(Webhook {
        address: address?,
        method: method.map_or(Method::Post, |word| word.value),
        body: body?,
        content_type: content_type.to_owned(),
        signing,
        authorization,
    })))
}

fn find_address(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    has_authorization: bool,
) -> Option<Address> {
    if let Some(url) = keys.text(draft, "url", "like `\"https://chat.example/hook\"`") {
        if let Err(reason) = resolve_address(url.value, "msg_1", has_authorization) {
            draft.report(&url.span, format!("`url`: {reason}"));
        }
        return Some(Address::Written(Secret::new(url.value)));
    }
    secret_place(draft, keys, ("url-file", "url-credential")).map(Address::Kept)
}

fn check_body(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    content_type: &str,
    events: &[NoticeEvent],
) -> Option<Body> {
    let topic = keys.text(draft, "topic", "with the topic of a push server");
    let own = keys.text(draft, "body", "with a template");
    let words = PAYLOADS.map(|payload| (payload.name, payload));
    let ready = keys.word(draft, "payload", &words);
    if let (Some(own), Some(_)) = (&own, keys.get("payload")) {
        let message = "only one of `payload` and `body` can be given";
        draft.report(&own.span, message);
        return None;
    }
    let (text, at) = match (&own, &ready) {
        (Some(own), _) => (own.value, &own.span),
        (None, Some(ready)) => (ready.value.template, &ready.span),
        (None, None) => return keys.get("payload").is_none().then_some(Body::Event),
    };
    if text.contains("{{ topic }}") && topic.is_none() && keys.lacks("topic") {
        draft.report(at, "this payload needs a `topic`");
    }
    let body = Body::Template {
        text: text.to_owned(),
        json: content_type.contains("json"),
        topic: topic.map_or_else(String::new, |topic| topic.value.to_owned()),
    };
    for event in events.iter().copied().chain([NoticeEvent::Test]) {
        let notice = example_notice(event, "workbench", Wall(0));
        if let Err(error) = render_body(&body, "msg_1", &notice) {
            draft.report(at, format!("with event `{event}`: {error}"));
            break;
        }
    }
    Some(body)
}
