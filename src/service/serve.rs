//! A service from its start to its end: queue, socket, engine; told to whoever manages services, if
//! anyone does.

use std::path::PathBuf;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{UnboundedSender, channel, unbounded_channel};
use tokio::sync::oneshot;
use tokio::task::JoinSet;

use super::agenda::Timing;
use super::engine::Engine;
use super::http::{Desk, Followed, HOUSE, ServiceFacts, router};
use super::inside::Inside;
use super::notices::NoticeDesk;
use super::readiness::tell_system;
use super::seal::Sealer;
use super::state::{OpenQueueError, QueueState};
use super::wires::EngineSetup;
use crate::model::{RecheckPolicy, ScheduleEntry};
use crate::os::{self, BindSocketError, Root};
use crate::web::{OpenTcpError, TcpDoor, TcpOptions, listen};

/// Requests that wait for the engine at once.
const MOST_CALLS: usize = 64;
/// At its end the service waits this long for its last notices; what is left is sent after its next start.
const LAST_NOTICES: Duration = Duration::from_secs(5);

/// A service could not be started.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// Its queue cannot be had.
    #[error(transparent)]
    Queue(#[from] OpenQueueError),
    /// It cannot listen.
    #[error(transparent)]
    Socket(#[from] BindSocketError),
    /// Nobody could come in over TCP.
    #[error(transparent)]
    Tcp(#[from] OpenTcpError),
    /// The system refuses something else.
    #[error("the service cannot be started")]
    System(#[from] std::io::Error),
}

/// What a service is started with.
#[derive(Debug)]
pub struct ServeOptions {
    /// Folder of the store.
    pub store: PathBuf,
    /// Machine to watch.
    pub root: Root,
    /// Folder that stands in for the machine, where one does.
    pub machine: Option<PathBuf>,
    /// Where to listen.
    pub socket: PathBuf,
    /// TCP besides it.
    pub tcp: Option<TcpOptions>,
    /// Spans.
    pub timing: Timing,
    /// Entries of the schedule, checked.
    pub schedule: Vec<ScheduleEntry>,
    /// Arm the hardware watchdog during runs.
    pub hardware_watchdog: bool,
    /// What happens after a change.
    pub policy: RecheckPolicy,
    /// Sends notices, where someone is to be told.
    pub desk: Option<NoticeDesk>,
    /// Gets a way into the service, once it serves.
    pub inside: Option<oneshot::Sender<Inside>>,
}

/// Runs a service until a signal ends it. A run under way then ends as interrupted, with its verdict.
///
/// # Errors
/// Only while it starts.
pub fn serve(mut options: ServeOptions) -> Result<(), ServeError> {
    let mut state = QueueState::open(&options.store)?;
    state.sealer = Some(Sealer::open()?);
    let listener = os::bind_socket(&options.socket)?;
    let runtime = os::event_loop()?;
    let socket = options.socket.clone();
    let desk = options.desk.take();
    let served = runtime.block_on(work(options, state, listener));
    os::remove_socket(&socket);
    if let Some(desk) = desk {
        desk.close(LAST_NOTICES);
    }
    served
}

async fn work(
    options: ServeOptions,
    state: QueueState,
    listener: std::os::unix::net::UnixListener,
) -> Result<(), ServeError> {
    let tcp = match options.tcp {
        Some(tcp) => Some(TcpDoor::open(tcp, HOUSE).await?),
        None => None,
    };
    let (call_sender, calls) = channel(MOST_CALLS);
    let folder = std::path::absolute(&options.store)?;
    let facts = ServiceFacts {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        pid: std::process::id(),
        store: folder.clone(),
        machine: options.machine,
        listen: tcp.as_ref().map(TcpDoor::address),
    };
    let mut engine = Engine::new(EngineSetup {
        state,
        folder,
        root: options.root.clone(),
        timing: options.timing,
        schedule: options.schedule.clone(),
        policy: options.policy,
        calls,
        hardware_watchdog: options.hardware_watchdog,
        // Half of what is allowed (sd_watchdog_enabled(3)).
        watchdog: sd_notify::watchdog_enabled().map(|allowed| allowed / 2),
    });
    let desk = Desk {
        calls: call_sender,
        facts,
        schedule: options.schedule,
        root: options.root,
        snapshots: engine.snapshots(),
        rows: engine.rows(),
        followed: Followed::default(),
    };
    let inside = Inside {
        calls: desk.calls.clone(),
        snapshots: engine.snapshots(),
        rows: engine.rows(),
    };
    // Whoever wanted it may have given up meanwhile.
    drop(options.inside.map(|wanted| wanted.send(inside)));
    let (end_sender, ends) = unbounded_channel();
    listen_for_ends(&end_sender)?;
    let listener = tokio::net::UnixListener::from_std(listener)?;
    let router = router(desk);
    let mut doors = JoinSet::new();
    let mut status = format!("listening at {}", options.socket.display());
    if let Some(tcp) = tcp {
        status.push_str(&format!(" and {}", tcp.address()));
        doors.spawn(tcp.serve(router.clone()));
    }
    doors.spawn(listen(listener, router, HOUSE));
    tracing::info!(status);
    tell_system(&[NotifyState::Ready, NotifyState::Status(&status)]);
    // What only the start needed.
    os::give_back_memory();
    engine.work(ends).await;
    tell_system(&[NotifyState::Stopping]);
    doors.abort_all();
    Ok(())
}

fn listen_for_ends(sender: &UnboundedSender<()>) -> std::io::Result<()> {
    for kind in [
        SignalKind::interrupt(),
        SignalKind::terminate(),
        SignalKind::hangup(),
    ] {
        let mut stream = signal(kind)?;
        let sender = sender.clone();
        tokio::spawn(async move {
            while stream.recv().await.is_some() {
                if sender.send(()).is_err() {
                    return;
                }
            }
        });
    }
    Ok(())
}
