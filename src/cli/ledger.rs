//! The ledger as commands use it: opened for one machine, written behind what was read. Where a service
//! keeps the record, both go through it.

use super::Failure;
use super::ledger_arguments::LedgerArguments;
use super::run::open_store;
use super::through::{Service, find};
use crate::ledger::Ledger;
use crate::model::{LedgerEntry, Machine};
use crate::run::{enter, read_ledger};
use crate::sensors::read_machine;
use crate::store::Store;

/// Who keeps it.
enum Keeper {
    Service(Service),
    Own { store: Store, machine: Box<Machine> },
}

/// The ledger of one machine.
pub(super) struct Book {
    keeper: Keeper,
    pub(super) ledger: Ledger,
}

impl Book {
    /// Opens the ledger of this machine, or of the one that `--machine` names.
    pub(super) fn open(wanted: &LedgerArguments) -> Result<Self, Failure> {
        if let Some(service) = find(&wanted.store, Some(&wanted.machine))? {
            let ledger = service.wait(async |client| client.ledger().await)?;
            let keeper = Keeper::Service(service);
            return Ok(Self { keeper, ledger });
        }
        let machine = read_machine(&wanted.machine.root(), &[], &[]);
        let store = open_store(wanted.store.store.as_deref())?;
        let ledger = read_ledger(&store, &machine)?;
        let machine = Box::new(machine);
        let keeper = Keeper::Own { store, machine };
        Ok(Self { keeper, ledger })
    }

    /// Writes entries, all or none.
    pub(super) fn write(&mut self, entries: &[LedgerEntry]) -> Result<(), Failure> {
        let after = self.ledger.last_row();
        match &mut self.keeper {
            Keeper::Service(service) => {
                service.wait(async |client| client.write_ledger(after, entries).await)
            }
            Keeper::Own { store, machine } => Ok(enter(store, machine, after, entries)?),
        }
    }
}
