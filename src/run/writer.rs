//! Writes the record on a thread of its own, in the order it was handed over, one durable commit a
//! batch; tells the core what is safe on disk.

use std::io;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

use tokio::sync::mpsc::UnboundedSender;

use super::core::Event;
use crate::model::{Entry, Moment, Mono};
use crate::os;
use crate::store::Store;

/// The dispatcher's handle.
#[derive(Debug)]
pub(super) struct Writer {
    batches: Sender<(Mono, Vec<Entry>)>,
    thread: JoinHandle<Written>,
}

/// What became of everything that was handed over.
#[derive(Debug)]
pub(super) struct Written {
    /// The store.
    pub(super) store: Store,
    /// Entries that are not on disk, in order.
    pub(super) unwritten: Vec<Entry>,
}

impl Writer {
    /// Starts writing entries of run number `run`.
    ///
    /// # Errors
    /// The system gives no more threads.
    pub(super) fn start(
        store: Store,
        run: i64,
        events: UnboundedSender<(Moment, Event)>,
    ) -> io::Result<Self> {
        let (batches, inbox) = channel();
        let thread = std::thread::Builder::new().spawn(move || {
            let mut store = store;
            let unwritten = write_all(&mut store, run, &inbox, &events);
            Written { store, unwritten }
        })?;
        Ok(Self { batches, thread })
    }

    /// Hands a batch over; `at` is confirmed once it is on disk.
    pub(super) fn write(&self, at: Mono, entries: Vec<Entry>) {
        if self.batches.send((at, entries)).is_err() {
            tracing::error!("the writer is gone");
        }
    }

    /// Waits until everything handed over has been tried; none when the writer panicked.
    pub(super) fn finish(self) -> Option<Written> {
        drop(self.batches);
        self.thread.join().ok()
    }
}

fn write_all(
    store: &mut Store,
    run: i64,
    inbox: &Receiver<(Mono, Vec<Entry>)>,
    events: &UnboundedSender<(Moment, Event)>,
) -> Vec<Entry> {
    // What could not be written is kept and tried again with the next batch, in order.
    let mut waiting: Vec<Entry> = Vec::new();
    while let Ok((at, entries)) = inbox.recv() {
        waiting.extend(entries);
        let news = match store.append(run, &waiting) {
            Ok(()) => {
                waiting.clear();
                Event::Stored(at)
            }
            Err(error) => Event::StoreFailed(os::with_cause(&error)),
        };
        if events.send((os::moment(), news)).is_err() {
            tracing::debug!("nobody waits for confirmation");
        }
    }
    waiting
}
