//! The ledger as commands use it: opened for one machine, written behind what was read.

use super::Failure;
use super::ledger_arguments::LedgerArguments;
use super::run::open_store;
use crate::ledger::Ledger;
use crate::model::LedgerEntry;
use crate::os;
use crate::run::read_ledger;
use crate::sensors::read_machine;
use crate::store::Store;

/// The ledger of one machine, with the store that it lies in.
pub(super) struct Book {
    store: Store,
    host: String,
    pub(super) ledger: Ledger,
}

impl Book {
    /// Opens the ledger of this machine, or of the one that `--machine` names.
    pub(super) fn open(wanted: &LedgerArguments) -> Result<Self, Failure> {
        let machine = read_machine(&wanted.machine.root(), &[], &[]);
        let store = open_store(wanted.store.store.as_deref())?;
        let ledger = read_ledger(&store, &machine)?;
        Ok(Self {
            store,
            host: machine.host,
            ledger,
        })
    }

    /// Writes entries, all or none.
    pub(super) fn write(&mut self, entries: &[LedgerEntry]) -> Result<(), Failure> {
        let place = (self.host.as_str(), self.ledger.last_row());
        self.store
            .append_ledger(place, os::moment().wall, entries)?;
        Ok(())
    }
}
