//! A hub from its start to its end.

use std::path::PathBuf;
use std::sync::Mutex;

use async_nats::jetstream;
use async_nats::jetstream::context::CreateStreamError;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::unbounded_channel;

use super::copy::Copier;
use super::keep::{Keep, KeepError};
use super::lead::Lead;
use super::live::LiveKeep;
use super::page::{Desk, HOUSE, router};
use super::presence::listen;
use super::shop::SharedShop;
use super::streams::make_streams;
use crate::fleet::link::{ConnectError, LinkOptions, connect};
use crate::os;
use crate::store::{OpenStoreError, Store};
use crate::web::{OpenTcpError, TcpDoor, TcpOptions};

/// A hub could not be started, or broke off.
#[derive(Debug, thiserror::Error)]
pub enum ServeHubError {
    /// Its own file.
    #[error(transparent)]
    Keep(#[from] KeepError),
    /// Its signs of life.
    #[error("the file of signs of life cannot be used")]
    Live(#[from] rusqlite::Error),
    /// Its records.
    #[error(transparent)]
    Store(#[from] OpenStoreError),
    /// The server.
    #[error(transparent)]
    Connect(#[from] ConnectError),
    /// The server keeps nothing.
    #[error("the message server keeps no streams; its configuration needs `jetstream`")]
    Streams(#[from] CreateStreamError),
    /// The server lets us not listen.
    #[error("signs of life cannot be listened to")]
    Listen(#[from] async_nats::SubscribeError),
    /// Its pages cannot be shown.
    #[error(transparent)]
    Pages(#[from] OpenTcpError),
    /// The system.
    #[error("the hub cannot be started")]
    System(#[from] std::io::Error),
}

/// Runs a hub over the files in `folder` until a signal ends it. It may be killed as well.
///
/// # Errors
/// It could not be started.
pub fn serve_hub(
    folder: PathBuf,
    (link, copies): (LinkOptions, usize),
    pages: Option<TcpOptions>,
) -> Result<(), ServeHubError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    runtime.block_on(work(folder, (link, copies), pages))
}

async fn work(
    folder: PathBuf,
    (link, copies): (LinkOptions, usize),
    pages: Option<TcpOptions>,
) -> Result<(), ServeHubError> {
    let pages = match pages {
        Some(pages) => Some(TcpDoor::open(pages, HOUSE).await?),
        None => None,
    };
    // One connection a part: each is written or read by one thread only.
    let open = || Keep::open(&folder);
    let (copied, listened, acted) = (open()?, open()?, open()?);
    let live = LiveKeep::open(&folder)?;
    let store = Store::open(&folder)?;
    let client = connect(&link, true).await?;
    let jetstream = jetstream::new(client.clone());
    make_streams(&jetstream, copies).await?;
    let shop = SharedShop::new(acted.floor(os::moment().wall)?);
    let (sender, words) = unbounded_channel();
    let desk = Desk::new(folder.clone(), shop.clone());
    let copier = Copier {
        jetstream: jetstream.clone(),
        shop: shop.clone(),
        words: sender,
        folder,
        refusals: Mutex::default(),
    };
    let host = os::Root::real().read_text("proc/sys/kernel/hostname");
    let id = format!("{} {}", host.unwrap_or_default(), uuid::Uuid::now_v7());
    let lead = Lead::new((client.clone(), jetstream), shop.clone(), acted, id);
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    tracing::info!("the hub is at work");
    // Each on a task of its own, so that none of them holds up another.
    let mut parts = tokio::task::JoinSet::new();
    if let Some(door) = pages {
        tracing::info!(address = %door.address(), "its pages can be looked at");
        parts.spawn(async move {
            door.serve(router(desk)).await;
            Ok(())
        });
    }
    parts.spawn(async move {
        copier.copy(copied, store).await;
        Ok(())
    });
    parts.spawn(async move {
        lead.work(words).await;
        Ok(())
    });
    parts.spawn(listen(client, shop, (listened, live)));
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
        Some(ended) = parts.join_next() => {
            if let Ok(Err(error)) = ended {
                return Err(error.into());
            }
        }
    }
    Ok(())
}
