//! Before a run: the ledger of the machine, and what the machine tells of itself against it.

use crate::kernels;
use crate::ledger::{Ledger, Outcome, declared_clocks, stand};
use crate::model::{LedgerRow, Machine, RunHeader, Standing, Wall};
use crate::os::{self, Root};
use crate::sensors::read_fingerprint;
use crate::store::{ReadLedgerError, Store};

/// Probes of half a millisecond: long enough for a sleeping core to reach its clock.
const PROBES: u32 = 60;

/// The ledger that `store` holds of `machine`.
///
/// # Errors
/// When the store cannot be read, or a row of the ledger is damaged.
pub fn read_ledger(store: &Store, machine: &Machine) -> Result<Ledger, ReadLedgerError> {
    let rows = store.ledger(&machine.host)?;
    with_outcomes(store, machine, &rows, Wall(i64::MIN))
}

/// The same with no other runs than those since settings were last altered: enough to know whether a
/// change is pending, and quick enough to be asked again and again.
///
/// # Errors
/// When the store cannot be read, or a row of the ledger is damaged.
pub fn read_recent_ledger(store: &Store, machine: &Machine) -> Result<Ledger, ReadLedgerError> {
    let rows = store.ledger(&machine.host)?;
    let entries = Ledger::new(&rows, Vec::new(), &machine.boot_id);
    match entries.last_altered() {
        Some(at) => with_outcomes(store, machine, &rows, at),
        None => Ok(entries),
    }
}

fn with_outcomes(
    store: &Store,
    machine: &Machine,
    rows: &[LedgerRow],
    since: Wall,
) -> Result<Ledger, ReadLedgerError> {
    let outcomes = store.outcomes(&machine.host, since)?;
    let outcomes = outcomes
        .iter()
        .filter_map(|stored| Outcome::of(stored.run, &stored.header, stored.verdict.as_ref()));
    Ok(Ledger::new(rows, outcomes.collect(), &machine.boot_id))
}

/// Puts where the ledger of the machine stands into the header of a run that begins now; clocks that
/// nobody gave for this run are those of the settings. On a real machine this keeps one CPU busy for
/// some 30 ms.
///
/// # Errors
/// As [`read_ledger`].
pub fn stand_on_ledger(
    root: &Root,
    store: &Store,
    header: &mut RunHeader,
) -> Result<(), ReadLedgerError> {
    let ledger = read_ledger(store, &header.machine)?;
    let standing = take_standing(root, &ledger, &header.plan.suite);
    let declared = &mut header.declared;
    if declared.clock_mhz.is_empty() {
        let reference = standing.fingerprint.reference_mhz;
        declared.clock_mhz = declared_clocks(&standing.settings, reference);
    }
    declared.standing = Some(Box::new(standing));
    Ok(())
}

fn take_standing(root: &Root, ledger: &Ledger, suite: &str) -> Standing {
    let mut fingerprint = read_fingerprint(root);
    if !root.is_simulated() {
        let probes = (0..PROBES).map(|_| kernels::probe_clock_mhz(None, &mut os::raw_ns));
        fingerprint.probed_mhz = probes.reduce(f64::max);
    }
    stand(ledger, fingerprint, suite)
}
