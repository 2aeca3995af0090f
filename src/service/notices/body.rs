//! What is sent: the recommended payload of Standard Webhooks 1.0, or a template of the person's or of
//! a common kind.
//!
//! In a template for JSON every `{{ ... }}` comes out as JSON (texts with quotes and escapes), so that no
//! host name or label can break the form. A name that does not exist is a mistake, told when the
//! configuration is read.

use jiff::Timestamp;
use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, UndefinedBehavior, context};
use serde_json::json;

use crate::model::{Notice, Wall};

/// A ready template.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Payload {
    /// Name, as in the configuration.
    pub name: &'static str,
    /// What takes it.
    pub about: &'static str,
    /// The template.
    pub template: &'static str,
}

/// The ready templates, by the kind of payload.
pub const PAYLOADS: [Payload; 5] = [
    Payload {
        name: "text",
        about: "chat systems that take an object with `text`",
        template: include_str!("payloads/text.json"),
    },
    Payload {
        name: "content",
        about: "chat systems that take an object with `content` of at most 2000 characters",
        template: include_str!("payloads/content.json"),
    },
    Payload {
        name: "card",
        about: "chat systems that take an adaptive card in `attachments`",
        template: include_str!("payloads/card.json"),
    },
    Payload {
        name: "push",
        about: "push servers that take topic, title, message, priority and tags at their root",
        template: include_str!("payloads/push.json"),
    },
    Payload {
        name: "room",
        about: "federated chat: a message event, put with a transaction id",
        template: include_str!("payloads/room.json"),
    },
];

/// Form of a body.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Body {
    /// `type`, `timestamp`, `data`, as Standard Webhooks 1.0 recommends.
    Event,
    /// A template.
    Template {
        /// Its text.
        text: String,
        /// True when values are to be written as JSON and the result must be JSON.
        json: bool,
        /// A name that the template needs, such as a push server's topic.
        topic: String,
    },
}

/// A body could not be made.
#[derive(Debug, thiserror::Error)]
pub enum RenderBodyError {
    /// The template is wrong.
    #[error("{}", one_line(.0))]
    Template(minijinja::Error),
    /// What comes out is not JSON.
    #[error("what comes out is not JSON: {0}")]
    NotJson(serde_json::Error),
}

fn one_line(error: &minijinja::Error) -> String {
    let what = error.detail().unwrap_or("the template is wrong");
    let line = error.line().map(|line| format!(" in its line {line}"));
    format!("{}: {what}{}", error.kind(), line.unwrap_or_default())
}

/// The body of a notice.
///
/// # Errors
/// The template names something that does not exist, or does not give JSON where it must.
pub fn render_body(body: &Body, id: &str, notice: &Notice) -> Result<String, RenderBodyError> {
    let (text, json, topic) = match body {
        Body::Event => return Ok(event_json(id, notice).to_string()),
        Body::Template { text, json, topic } => (text, *json, topic),
    };
    let rendered = render(text, json, (id, notice, topic))?;
    if json {
        serde_json::from_str::<serde::de::IgnoredAny>(&rendered)
            .map_err(RenderBodyError::NotJson)?;
    }
    Ok(rendered)
}

fn render(
    template: &str,
    json: bool,
    (id, notice, topic): (&str, &Notice, &str),
) -> Result<String, RenderBodyError> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.set_auto_escape_callback(move |_| {
        if json {
            AutoEscape::Json
        } else {
            AutoEscape::None
        }
    });
    let facts = context! {
        id, topic,
        type => notice.event.name(),
        timestamp => rfc3339(notice.at),
        host => notice.host.as_str(),
        simulated => notice.simulated,
        title => notice.title.as_str(),
        text => notice.text.as_str(),
        urgency => Serde(notice.urgency),
        run => Serde(&notice.run),
    };
    environment
        .template_from_str(template)
        .and_then(|template| template.render(facts))
        .map_err(RenderBodyError::Template)
}

/// The whole notice as an event.
pub fn event_json(id: &str, notice: &Notice) -> serde_json::Value {
    json!({
        "type": notice.event,
        "timestamp": rfc3339(notice.at),
        "data": {
            "id": id,
            "host": notice.host,
            "simulated": notice.simulated,
            "title": notice.title,
            "text": notice.text,
            "urgency": notice.urgency,
            "run": notice.run,
        },
    })
}

fn rfc3339(at: Wall) -> String {
    Timestamp::from_millisecond(at.0)
        .map(|at| at.to_string())
        .unwrap_or_default()
}
