//! Threads beside the one that works: of event loops, and those that nobody waits for.

use std::io::{self, Read};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use tokio::runtime::{Builder, Runtime};

/// Most bytes of a program's words that are kept, the last ones.
const MOST_WORDS: usize = 2048;
/// They are waited for this long: a grandchild may hold the pipe open.
const WORDS_GRACE: Duration = Duration::from_millis(200);
/// Threads of an event loop for work that takes its time; where they look into a store, each has memory of its own.
const MOST_ASIDE: usize = 8;

/// An event loop on the calling thread, with threads for work that takes its time. One of them is had from the start
/// and none is given back: with none at all, such work would be a panic where the system gives no thread (a limit of
/// processes, say). With one it waits for its turn.
///
/// # Errors
/// The system gives no thread now, or no descriptors.
pub fn event_loop() -> io::Result<Runtime> {
    let runtime = Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(MOST_ASIDE)
        .thread_keep_alive(Duration::MAX)
        .build()?;
    // Asked for first, since the loop itself would panic where there is none.
    std::thread::Builder::new().spawn(|| ())?;
    drop(runtime.spawn_blocking(|| ()));
    Ok(runtime)
}

/// Has `work` done on a thread that nobody waits for. Where the system gives none (a limit of processes, say) that is
/// a warning and no panic, and false is given; `what` is the missing work, for the warning.
pub fn start_aside(what: &str, work: impl FnOnce() + Send + 'static) -> bool {
    let started = std::thread::Builder::new().spawn(work);
    if let Err(error) = &started {
        tracing::warn!(%error, "no thread to {what}");
    }
    started.is_ok()
}

/// The end of what a program writes.
#[derive(Debug)]
pub(super) struct LastWords(Receiver<String>);

impl LastWords {
    /// What it was, once the program has ended; nothing where somebody else still writes.
    pub(super) fn heard(self) -> String {
        self.0.recv_timeout(WORDS_GRACE).unwrap_or_default()
    }
}

/// Keeps the end of what a program writes, on a thread of its own that ends with the last writer.
pub(super) fn keep_last_words(mut from: impl Read + Send + 'static) -> LastWords {
    let (words, heard) = channel();
    start_aside("hear a program", move || {
        let mut kept = Vec::new();
        let mut buffer = [0_u8; 4096];
        while let Ok(count @ 1..) = from.read(&mut buffer) {
            kept.extend_from_slice(&buffer[..count]);
            let over = kept.len().saturating_sub(MOST_WORDS);
            kept.drain(..over);
        }
        let text = String::from_utf8_lossy(&kept).trim().to_owned();
        // Nobody listens any more when a grandchild held the pipe open for too long.
        words.send(text).ok();
    });
    LastWords(heard)
}
