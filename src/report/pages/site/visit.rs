//! What every page of a service knows of its visitor.

use serde_json::{Value, json};

/// Pages that every other one leads to, as (path, name).
pub type SitePages = &'static [(&'static str, &'static str)];

/// Of a service.
pub const SERVICE_PAGES: SitePages = &[
    ("/", "Now"),
    ("/runs", "Runs"),
    ("/queue", "Queue"),
    ("/ledger", "Ledger"),
    ("/machine", "Machine"),
];

/// Who visits a page of a service.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Site {
    /// What each form hands back, so that it is known to come from a page of ours; without it there are no
    /// forms.
    pub proof: Option<String>,
    /// True when there is something to sign out of.
    pub signed_in: bool,
    /// Where one can go.
    pub pages: SitePages,
}

impl Site {
    /// `values` with what the frame needs; `here` is the path of the page.
    pub(in crate::report::pages) fn around(&self, here: &str, mut values: Value) -> Value {
        let page = |(path, name): &(&str, &str)| json!({ "path": path, "name": name, "here": *path == here });
        let pages: Vec<Value> = self.pages.iter().map(page).collect();
        values["site"] = json!({
            "pages": pages,
            "proof": self.proof,
            "signed_in": self.signed_in,
        });
        values
    }

    /// The same for someone who was not let in yet: no links, no forms but those of the page itself.
    pub(super) fn outside(mut values: Value) -> Value {
        values["site"] = json!({ "pages": [], "proof": null, "signed_in": false });
        values
    }
}
