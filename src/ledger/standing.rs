//! Where the ledger stands when a run begins.

use super::book::{ChangeLine, Ledger};
use super::compare::{find_unexplained, find_unshown};
use super::outcome::Outcome;
use crate::model::{Fingerprint, LoadClass, SettingKind, Standing};

/// What goes into the header of a run that begins now with `suite` on a machine that tells
/// `fingerprint` of itself.
pub fn stand(ledger: &Ledger, fingerprint: Fingerprint, suite: &str) -> Standing {
    let settings = ledger.values();
    let judged = ledger
        .outcomes()
        .iter()
        .rev()
        .find(|outcome| outcome.judges());
    let unexplained = judged.map_or_else(Vec::new, |before| {
        find_unexplained(&before.standing, &fingerprint, &settings)
    });
    let comparable = judged.filter(|before| {
        let clocks = |standing: &Standing| -> Vec<_> {
            let settings = standing.settings.iter();
            let set = |kind| matches!(kind, SettingKind::CoreClock | SettingKind::WideVectorOffset);
            settings.filter(|known| set(known.kind)).cloned().collect()
        };
        let now = Standing {
            settings: settings.clone(),
            ..Standing::default()
        };
        before.suite == suite && clocks(&before.standing) == clocks(&now)
    });
    Standing {
        change: ledger.in_force().map(|line| line.change.number),
        moves: ledger
            .in_force()
            .map_or_else(Vec::new, |line| line.change.moves.clone()),
        change_was_pending: ledger.in_force().is_some_and(ChangeLine::is_pending),
        change_in_this_boot: ledger
            .in_force()
            .is_some_and(|line| line.change.boot_id == ledger.boot_id()),
        rated: ledger.at_rated(),
        unshown: find_unshown(&settings, &fingerprint),
        unexplained,
        measured_before: comparable.map_or_else(Vec::new, clocks_of),
        last_good: ledger.last_good(),
        settings,
        fingerprint,
    }
}

fn clocks_of(outcome: &Outcome) -> Vec<(LoadClass, f64)> {
    outcome.clocks.clone()
}
