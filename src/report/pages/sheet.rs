//! The sheet for whoever gets the machine: one page of plain words, with the digest of the record that
//! they were taken from.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::super::Style;
use super::super::units::{figure, span};
use super::super::verdict::finding_words;
use super::frame::{RenderPageError, render};
use super::machine::{fingerprint, gaps, head, settings};
use super::site::Site;
use crate::model::{Grade, Plateau, Record, Verdict};

/// Names the form of what a sheet says for programs.
const SHEET_FORM: &str = "soakproof.sheet/1";
/// In front of what a sheet says for programs, and behind it.
const MARK: (&str, &str) = ("<meta name=\"soakproof-sheet\" content=\"", "\">");
/// Most findings named one by one: it is one page.
const FINDINGS: usize = 4;
/// Most gaps named one by one.
const GAPS: usize = 4;

/// What goes on a sheet besides the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetFacts {
    /// Serial number of the machine, where the person gives one.
    pub serial: Option<String>,
    /// Rows of the record that the sheet was taken from, the header's included.
    pub rows: u64,
    /// SHA-256 of those rows.
    pub digest: String,
}

/// What a sheet says for programs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetClaim {
    /// Form of this.
    pub form: String,
    /// Version of the program that wrote the sheet.
    pub program: String,
    /// Id of the run.
    pub id: String,
    /// Grade.
    pub grade: Option<Grade>,
    /// Rows of the record, the header's included.
    pub rows: u64,
    /// SHA-256 of those rows.
    pub sha256: String,
    /// Serial number of the machine.
    pub serial: Option<String>,
    /// Zone in which times are told.
    pub zone: String,
}

/// The sheet of one run. Tells times in the zone of `style` where it has a name, else in UTC.
///
/// # Errors
/// A mistake in a template of ours.
pub fn sheet_page(
    record: &Record,
    facts: &SheetFacts,
    style: &Style,
) -> Result<String, RenderPageError> {
    render("sheet.html", &sheet_values(record, facts, style))
}

/// What stands on the sheet of a run. A document of several takes these ([`sheets_page`]), so that only one
/// record has to be held at a time.
pub fn sheet_values(record: &Record, facts: &SheetFacts, style: &Style) -> Value {
    let (zone, style) = match style.zone.iana_name() {
        Some(name) => (name.to_owned(), style.clone()),
        None => ("UTC".to_owned(), Style::new(false, style.width)),
    };
    // A number belongs to a store, and the sheet leaves it.
    let style = Style { run: None, ..style };
    let verdict = record.verdict();
    let claim = SheetClaim {
        form: SHEET_FORM.to_owned(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
        id: record.header.id.clone(),
        grade: verdict.map(|verdict| verdict.grade),
        rows: facts.rows,
        sha256: facts.digest.clone(),
        serial: facts.serial.clone(),
        zone,
    };
    let findings = record.findings.iter().take(FINDINGS);
    let findings: Vec<String> = findings.map(|f| finding_words(f, &style)).collect();
    let mut gaps = gaps(record);
    let more_gaps = gaps.len().saturating_sub(GAPS);
    gaps.truncate(GAPS);
    json!({
        // Tells the headings of one sheet from those of another in the same document.
        "at": "",
        "mark": STANDARD.encode(json!(claim).to_string()),
        "head": head(record, &style),
        "serial": facts.serial,
        "outcome": verdict.map_or_else(Vec::new, |verdict| outcome(record, verdict)),
        "confidence": verdict.map_or_else(Vec::new, confidence),
        "settings": settings(record),
        "fingerprint": fingerprint(record),
        "findings": findings,
        "more_findings": record.findings.len().saturating_sub(FINDINGS),
        "gaps": gaps,
        "more_gaps": more_gaps,
        "rows": facts.rows,
        "digest": facts.digest,
    })
}

/// Several sheets in one document, for a printer. `cautions` are told before them, on the screen only.
///
/// # Errors
/// A mistake in a template of ours.
pub fn sheets_page(
    mut sheets: Vec<Value>,
    cautions: &[String],
    site: &Site,
) -> Result<String, RenderPageError> {
    for (number, sheet) in sheets.iter_mut().enumerate() {
        sheet["at"] = format!("-{}", number + 1).into();
    }
    let values = json!({ "sheets": sheets, "cautions": cautions });
    render("sheets.html", &site.around("", values))
}

/// What was shown, for how long, how hot and how fast, as (label, words).
fn outcome(record: &Record, verdict: &Verdict) -> Vec<[String; 2]> {
    let mut lines = Vec::new();
    let mut say = |label: &str, words: String| lines.push([label.to_owned(), words]);
    let length = record
        .last_known()
        .seconds_since(record.header.started.mono);
    say(
        "for how long",
        format!(
            "{} in all, {} of it on every core with every answer checked",
            span(length),
            span(verdict.total.exposure.machine_s)
        ),
    );
    let classes: Vec<String> = verdict
        .classes
        .iter()
        .filter(|class| class.exposure.machine_s > 0.0)
        .map(|class| format!("{} {}", class.class, span(class.exposure.machine_s)))
        .collect();
    if !classes.is_empty() {
        say("by kind of load", classes.join(", "));
    }
    match &verdict.heat {
        Some(heat) => {
            let settled = match (heat.plateau, heat.settled_c) {
                (Plateau::Settled | Plateau::Reached, Some(end)) => {
                    format!("; it levelled off at {} C", figure(end, 1))
                }
                _ => "; it had not shown yet where it levels off".to_owned(),
            };
            say(
                "hottest",
                format!(
                    "{} C ({}), limit {} C{settled}",
                    figure(heat.peak_c, 1),
                    heat.label,
                    figure(heat.limit_c, 0)
                ),
            );
        }
        None => say("hottest", "no thermometer could be read".to_owned()),
    }
    for clock in &verdict.clocks {
        let declared = clock
            .declared_mhz
            .map_or_else(String::new, |mhz| format!(", declared {}", figure(mhz, 0)));
        let (class, slowest) = (clock.class, figure(clock.slowest_core_mhz, 0));
        say(
            &format!("clock, {class}"),
            format!("slowest core {slowest} MHz{declared}"),
        );
    }
    lines
}

/// What the error-free time is worth, in plain words.
fn confidence(verdict: &Verdict) -> Vec<[String; 2]> {
    let mut lines = vec![["in all".to_owned(), verdict.total.words.clone()]];
    for class in verdict
        .classes
        .iter()
        .filter(|class| class.claim_s.is_some())
    {
        lines.push([class.class.words().to_owned(), class.words.clone()]);
    }
    lines
}

/// What the sheet `page` says for programs; none where it is no sheet.
pub fn read_sheet(page: &str) -> Option<SheetClaim> {
    let (_, rest) = page.split_once(MARK.0)?;
    let (content, _) = rest.split_once(MARK.1)?;
    let text = STANDARD.decode(content).ok()?;
    let claim: SheetClaim = serde_json::from_slice(&text).ok()?;
    (claim.form == SHEET_FORM).then_some(claim)
}
