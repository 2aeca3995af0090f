//! Has the cooling become worse? A run is held against the earlier ones of the same suite on the same
//! machine with the same declared clocks.
//!
//! Temperatures are compared as rise over the air where the air's temperature was declared, else as
//! they are, with more room for the seasons. More voltage or power heats too, which cannot be told apart
//! here, so the words say so.

use crate::model::{HeatSummary, RunHeader, Verdict};

/// Degrees over the median of the earlier runs that are worth telling, with a declared air temperature.
/// Our own choice: the headroom that a suite asks for by default.
const RISE_C: f64 = 5.0;
/// The same where the air's temperature is not known; rooms differ by about 5 degrees over a year
/// (common practice).
const RISE_UNKNOWN_AIR_C: f64 = 10.0;
/// Fewer earlier runs are no basis.
const LEAST_EARLIER: usize = 2;

/// An earlier run with its verdict.
#[derive(Debug, Clone)]
pub struct Earlier {
    /// Its header.
    pub header: RunHeader,
    /// The verdict that holds.
    pub verdict: Verdict,
}

/// Says in words that a run was hotter than the earlier ones, if it was.
pub fn judge_cooling(header: &RunHeader, verdict: &Verdict, earlier: &[Earlier]) -> Option<String> {
    let heat = verdict.heat.as_ref()?;
    let air = header.declared.ambient_c;
    let comparable = earlier
        .iter()
        .filter(|other| is_comparable(header, &other.header));
    let mut before: Vec<f64> = Vec::new();
    for other in comparable {
        let Some(theirs) = other.verdict.heat.as_ref() else {
            continue;
        };
        let their_air = other.header.declared.ambient_c;
        let same_channel = theirs.label == heat.label;
        if same_channel && other.verdict.complete && air.is_some() == their_air.is_some() {
            before.push(level(theirs) - their_air.unwrap_or(0.0));
        }
    }
    if !verdict.complete || before.len() < LEAST_EARLIER {
        return None;
    }
    before.sort_by(f64::total_cmp);
    let usual = before[before.len() / 2];
    let now = level(heat) - air.unwrap_or(0.0);
    let room = if air.is_some() {
        RISE_C
    } else {
        RISE_UNKNOWN_AIR_C
    };
    if now - usual < room {
        return None;
    }
    let over = if air.is_some() { " over the air" } else { "" };
    Some(format!(
        "`{}` came to {now:.0} C{over}, {:.0} degrees more than usual in {} earlier runs of this \
         suite ({usual:.0} C). Look for dust, a slow fan or pump, dried paste; more voltage or power \
         than then does the same.",
        crate::report::escape(&heat.label),
        now - usual,
        before.len()
    ))
}

fn is_comparable(one: &RunHeader, other: &RunHeader) -> bool {
    one.plan.suite == other.plan.suite
        && one.plan.stages == other.plan.stages
        && one.machine.host == other.machine.host
        && one.machine.processor == other.machine.processor
        && one.machine.simulated == other.machine.simulated
        && one.declared.clock_mhz == other.declared.clock_mhz
}

/// The settled temperature, or the highest where none was reached.
fn level(heat: &HeatSummary) -> f64 {
    heat.settled_c.unwrap_or(heat.peak_c)
}
