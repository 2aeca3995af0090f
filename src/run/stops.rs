//! Wishes to end a run: signals where a person runs it in the foreground, words of the service
//! otherwise.

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};

use super::core::Event;

/// What a run can be told by whoever keeps it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StopWish {
    /// A person wants an end with a verdict.
    Stop,
    /// A person wants out at once.
    Kill,
    /// Its keeper ends, for this reason.
    Interrupt(String),
}

/// Where wishes to end come from.
#[derive(Debug)]
pub struct Stops(Source);

#[derive(Debug)]
enum Source {
    Signals {
        streams: Box<[Signal; 3]>,
        asked: bool,
    },
    Words(UnboundedReceiver<StopWish>),
}

impl Stops {
    /// Interrupt, terminate and hang-up signals of this process; the first is orderly, the second is
    /// at once.
    ///
    /// # Errors
    /// The system refuses handlers, or there is no event loop.
    pub fn signals() -> std::io::Result<Self> {
        let [interrupt, terminate, hangup] = [
            SignalKind::interrupt(),
            SignalKind::terminate(),
            SignalKind::hangup(),
        ]
        .map(signal);
        Ok(Self(Source::Signals {
            streams: Box::new([interrupt?, terminate?, hangup?]),
            asked: false,
        }))
    }

    /// Wishes sent through the other half.
    pub fn words() -> (UnboundedSender<StopWish>, Self) {
        let (sender, receiver) = unbounded_channel();
        (sender, Self(Source::Words(receiver)))
    }

    pub(super) async fn next(&mut self) -> Event {
        match &mut self.0 {
            Source::Signals { streams, asked } => {
                let [interrupt, terminate, hangup] = streams.as_mut();
                tokio::select! {
                    _ = interrupt.recv() => {}
                    _ = terminate.recv() => {}
                    _ = hangup.recv() => {}
                }
                if std::mem::replace(asked, true) {
                    Event::KillAsked
                } else {
                    Event::StopAsked
                }
            }
            Source::Words(receiver) => match receiver.recv().await {
                Some(StopWish::Stop) => Event::StopAsked,
                Some(StopWish::Kill) => Event::KillAsked,
                Some(StopWish::Interrupt(reason)) => Event::Interrupted(reason),
                // Its keeper forgot it; it goes on to its own end.
                None => std::future::pending().await,
            },
        }
    }
}
