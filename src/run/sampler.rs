//! Reads all sensors once a period, on a thread of its own: a sensor that answers late delays the
//! next sample, which the guard sees, and nothing else.

use std::io;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::Duration;

use tokio::sync::mpsc::UnboundedSender;

use crate::model::{ChannelId, FindingKind, Loss, Moment, Reading};
use crate::os;
use crate::sensors::{Instruments, MemoryPressure};

/// What one round of reading gave.
#[derive(Debug)]
pub(super) struct Round {
    /// When it was complete.
    pub(super) at: Moment,
    /// Valid readings.
    pub(super) readings: Vec<Reading>,
    /// Channels without.
    pub(super) lost: Vec<(ChannelId, Loss)>,
    /// Reports of the hardware.
    pub(super) hardware: Vec<FindingKind>,
    /// How much programs wait for memory, where the kernel tells.
    pub(super) pressure: Option<MemoryPressure>,
}

/// The sampler's handle; dropping it ends the thread at its next round.
#[derive(Debug)]
pub(super) struct Sampler {
    soon: Sender<()>,
}

impl Sampler {
    /// Starts reading `instruments` every `period`.
    ///
    /// # Errors
    /// The system gives no more threads.
    pub(super) fn start(
        mut instruments: Instruments,
        period: Duration,
        rounds: UnboundedSender<Round>,
    ) -> io::Result<Self> {
        let (soon, asked) = channel();
        std::thread::Builder::new().spawn(move || {
            let mut next = os::monotonic().plus(period);
            loop {
                let at = os::moment();
                let (readings, lost) = instruments.read(at);
                let hardware = instruments.read_hardware();
                let round = Round {
                    at: os::moment(),
                    readings,
                    lost,
                    hardware,
                    pressure: instruments.read_memory_pressure(),
                };
                if rounds.send(round).is_err() {
                    return;
                }
                // A round out of turn leaves the schedule of the others as it is.
                match asked.recv_timeout(next.since(os::monotonic())) {
                    Ok(()) => {}
                    Err(RecvTimeoutError::Timeout) => next = next.plus(period).max(at.mono),
                    Err(RecvTimeoutError::Disconnected) => return,
                }
            }
        })?;
        Ok(Self { soon })
    }

    /// Asks for a round out of turn.
    pub(super) fn ask(&self) {
        if self.soon.send(()).is_err() {
            tracing::warn!("the sampler is gone");
        }
    }
}
