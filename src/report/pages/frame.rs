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

const TEMPLATES: [(&str, &str); 25] = [
    ("facts.html", include_str!("templates/facts.html")),
    ("frame.html", include_str!("templates/frame.html")),
    ("report.html", include_str!("templates/report.html")),
    ("sheet.html", include_str!("templates/sheet.html")),
    ("compare.html", include_str!("templates/compare.html")),
    ("nav.html", include_str!("templates/nav.html")),
    ("proof.html", include_str!("templates/proof.html")),
    ("grid.html", include_str!("templates/grid.html")),
    ("grids.html", include_str!("templates/grids.html")),
    ("now.html", include_str!("templates/now.html")),
    ("now-parts.html", include_str!("templates/now-parts.html")),
    ("start.html", include_str!("templates/start.html")),
    ("stop.html", include_str!("templates/stop.html")),
    ("runs.html", include_str!("templates/runs.html")),
    ("note.html", include_str!("templates/note.html")),
    ("queue.html", include_str!("templates/queue.html")),
    ("sign-in.html", include_str!("templates/sign-in.html")),
    ("problem.html", include_str!("templates/problem.html")),
    ("sheet-body.html", include_str!("templates/sheet-body.html")),
    ("sheets.html", include_str!("templates/sheets.html")),
    ("board.html", include_str!("templates/board.html")),
    (
        "board-parts.html",
        include_str!("templates/board-parts.html"),
    ),
    ("outcomes.html", include_str!("templates/outcomes.html")),
    (
        "outcome-grid.html",
        include_str!("templates/outcome-grid.html"),
    ),
    (
        "shop-machine.html",
        include_str!("templates/shop-machine.html"),
    ),
];
/// Style of what stands only on the pages of a service.
const SITE_STYLE: &str = include_str!("templates/site.css");

/// Every text that a page has as its style, so that a service can allow these and no other.
pub fn page_styles() -> [String; 2] {
    [style(), SITE_STYLE.to_owned()]
}

fn style() -> String {
    format!("\n{}\n{STYLE}\n", include_str!("templates/page.css"))
}

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
        environment.add_global("program_version", env!("CARGO_PKG_VERSION"));
        let [style, site_style] = page_styles();
        environment.add_global("style", Cell::from_safe_string(style));
        environment.add_global("site_style", Cell::from_safe_string(site_style));
        // A file of its own stands in no service.
        environment.add_global("site", ());
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
