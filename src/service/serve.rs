//! A service from its start to its end: queue, socket, engine; told to whoever manages services, if
//! anyone does.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{UnboundedSender, channel, unbounded_channel};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;

use super::agenda::Timing;
use super::config::TcpSection;
use super::engine::{Engine, EngineSetup};
use super::http::{Desk, Gate, ServiceFacts, listen, listen_tcp, router};
use super::notices::NoticeDesk;
use super::readiness::tell_system;
use super::state::{OpenQueueError, QueueState};
use super::tls::{LoadTlsError, load_tls};
use super::token::{ReadTokenError, Token};
use crate::model::{RecheckPolicy, ScheduleEntry};
use crate::os::{self, BindSocketError, Root};

/// Requests that wait for the engine at once.
const MOST_CALLS: usize = 64;
/// Threads that look into the store at once; each has memory of its own.
const MOST_READERS: usize = 8;
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
    /// Its token cannot be had.
    #[error(transparent)]
    Token(#[from] ReadTokenError),
    /// Its certificate or key cannot be had.
    #[error(transparent)]
    Tls(#[from] LoadTlsError),
    /// The address is taken, or not one of this machine.
    #[error("cannot listen at `{address}`; give another `listen` in the configuration")]
    Address {
        /// Where.
        address: SocketAddr,
        /// Why.
        #[source]
        source: std::io::Error,
    },
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
    pub tcp: Option<TcpSection>,
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
}

/// Runs a service until a signal ends it. A run under way then ends as interrupted, with its verdict.
///
/// # Errors
/// Only while it starts.
pub fn serve(mut options: ServeOptions) -> Result<(), ServeError> {
    let state = QueueState::open(&options.store)?;
    let listener = os::bind_socket(&options.socket)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(MOST_READERS)
        .build()?;
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
        Some(tcp) => Some(Tcp::open(tcp).await?),
        None => None,
    };
    let (call_sender, calls) = channel(MOST_CALLS);
    let folder = std::path::absolute(&options.store)?;
    let facts = ServiceFacts {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        pid: std::process::id(),
        store: folder.clone(),
        machine: options.machine,
        listen: tcp.as_ref().map(|tcp| tcp.address),
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
    };
    let (end_sender, ends) = unbounded_channel();
    listen_for_ends(&end_sender)?;
    let listener = tokio::net::UnixListener::from_std(listener)?;
    let router = router(desk);
    let mut doors = JoinSet::new();
    let mut status = format!("listening at {}", options.socket.display());
    if let Some(tcp) = tcp {
        status.push_str(&format!(" and {}", tcp.address));
        doors.spawn(listen_tcp(
            tcp.listener,
            tcp.tls,
            (router.clone(), tcp.gate),
        ));
    }
    doors.spawn(listen(listener, router));
    tracing::info!(status);
    tell_system(&[NotifyState::Ready, NotifyState::Status(&status)]);
    engine.work(ends).await;
    tell_system(&[NotifyState::Stopping]);
    doors.abort_all();
    Ok(())
}

/// The way in over TCP.
struct Tcp {
    listener: TcpListener,
    address: SocketAddr,
    tls: Option<TlsAcceptor>,
    gate: Gate,
}

impl Tcp {
    async fn open(wanted: TcpSection) -> Result<Self, ServeError> {
        let token = Token::read(&wanted.token)?;
        let tls = wanted.tls.as_ref().map(load_tls).transpose()?;
        let failed = |source| ServeError::Address {
            address: wanted.listen,
            source,
        };
        let listener = TcpListener::bind(wanted.listen).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Self {
            listener,
            address,
            tls,
            gate: Gate::of_tcp(address.ip(), wanted.hosts, token),
        })
    }
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
