//! Templates, and how a value gets into them.

use minijinja::syntax::SyntaxConfig;
use minijinja::value::{Serde, Value as Cell};
use minijinja::{AutoEscape, Environment, UndefinedBehavior};
use serde_json::Value;

use super::super::chart::STYLE;
use super::super::page::escape;

/// A page could not be made, which is a mistake of this program.
#[derive(Debug, thiserror::Error)]
#[error("the page `{page}` cannot be made")]
pub struct RenderPageError {
    page: &'static str,
    #[source]
    source: minijinja::Error,
}

const TEMPLATES: [(&str, &str); 5] = [
    ("facts.html", include_str!("templates/facts.html")),
    ("frame.html", include_str!("templates/frame.html")),
    ("report.html", include_str!("templates/report.html")),
    ("sheet.html", include_str!("templates/sheet.html")),
    ("compare.html", include_str!("templates/compare.html")),
];

/// Keys whose texts are pictures of our own.
const PICTURE: &str = "picture";

/// Fills the template `page` with `values`.
pub(super) fn render(page: &'static str, values: &Value) -> Result<String, RenderPageError> {
    let made = || {
        let mut environment = Environment::new();
        environment.set_undefined_behavior(UndefinedBehavior::Strict);
        environment.set_auto_escape_callback(|_| AutoEscape::Html);
        let syntax = SyntaxConfig::builder()
            .trim_blocks(true)
            .lstrip_blocks(true)
            .build()?;
        environment.set_syntax(syntax);
        for (name, template) in TEMPLATES {
            environment.add_template(name, template)?;
        }
        environment.add_global("chart_style", Cell::from_safe_string(STYLE.to_owned()));
        environment.add_global("program_version", env!("CARGO_PKG_VERSION"));
        let style = include_str!("templates/page.css");
        environment.add_global("style", Cell::from_safe_string(style.to_owned()));
        environment.get_template(page)?.render(cell(values, false))
    };
    made().map_err(|source| RenderPageError { page, source })
}

/// Every text escaped once more for people's eyes, pictures left as they are.
fn cell(value: &Value, picture: bool) -> Cell {
    match value {
        Value::String(text) if picture => Cell::from_safe_string(text.clone()),
        Value::String(text) => Cell::from(escape(text)),
        Value::Array(items) => items.iter().map(|item| cell(item, picture)).collect(),
        Value::Object(map) => {
            let pairs = map.iter();
            Cell::from_pairs(pairs.map(|(key, value)| (key.clone(), cell(value, key == PICTURE))))
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => Cell::from(Serde(value)),
    }
}
