//! Has the cooling become worse? The statistic is the ledger's; here are the words.
//!
//! More voltage or power heats too; where the power is not known that cannot be told apart, so the words
//! say so.

use crate::ledger::{Measure, find_trend};
use crate::model::{RunHeader, Verdict};

/// An earlier run with its verdict.
#[derive(Debug, Clone)]
pub struct Earlier {
    /// Its header.
    pub header: RunHeader,
    /// The verdict that holds.
    pub verdict: Verdict,
}

/// Says in words that a run was hotter than the earlier ones, if it was, beyond their spread.
pub fn judge_cooling(header: &RunHeader, verdict: &Verdict, earlier: &[Earlier]) -> Option<String> {
    let heat = verdict.heat.as_ref()?;
    let past = earlier.iter().map(|other| (&other.header, &other.verdict));
    let trend = find_trend(header, verdict, past).filter(|trend| trend.is_worse())?;
    let (decimals, over, else_) = match trend.measure {
        Measure::Resistance => (3, " over the air", ""),
        Measure::Rise => (
            1,
            " over the air",
            "; more voltage or power than then does the same",
        ),
        Measure::Level => (
            1,
            "",
            "; a warmer room, more voltage or power than then do the same",
        ),
    };
    let unit = trend.measure.unit();
    Some(format!(
        "`{}` came to {:.decimals$} {unit}{over}; {} earlier runs of this suite at these settings came to \
         {:.decimals$} on average, and by their spread one more stays under {:.decimals$} at 99 %. Look for \
         dust, a slow fan or pump, dried paste{else_}.",
        crate::report::escape(&heat.label),
        trend.now,
        trend.earlier,
        trend.mean,
        trend.bound
    ))
}
