//! A line that can be stalled: a proxy on loopback which forwards nothing for a while and closes nothing, so that
//! either end sees what it sees when a switch goes dark.

use std::net::SocketAddr;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

/// The proxy. It ends with the event loop.
#[derive(Debug)]
pub(crate) struct Line {
    pub(crate) port: u16,
    stalled: watch::Sender<bool>,
}

impl Line {
    pub(crate) async fn to(port: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let own = listener.local_addr().expect("bound").port();
        let (stalled, gate) = watch::channel(false);
        tokio::spawn(async move {
            let server = SocketAddr::from(([127, 0, 0, 1], port));
            while let Ok((near, _)) = listener.accept().await {
                let gate = gate.clone();
                tokio::spawn(async move {
                    if let Ok(far) = TcpStream::connect(server).await {
                        join(near, far, gate).await;
                    }
                });
            }
        });
        Self { port: own, stalled }
    }

    /// Stalls it, or lets it go on.
    pub(crate) fn stall(&self, stalled: bool) {
        self.stalled.send_replace(stalled);
    }
}

async fn join(near: TcpStream, far: TcpStream, gate: watch::Receiver<bool>) {
    let (near_read, near_write) = near.into_split();
    let (far_read, far_write) = far.into_split();
    // The end of either way ends both.
    tokio::select! {
        () = forward(near_read, far_write, gate.clone()) => {}
        () = forward(far_read, near_write, gate) => {}
    }
}

async fn forward(
    mut from: impl AsyncRead + Unpin,
    mut to: impl AsyncWrite + Unpin,
    mut gate: watch::Receiver<bool>,
) {
    let mut bytes = vec![0; 64 << 10];
    while let Ok(count) = from.read(&mut bytes).await {
        let open = gate.wait_for(|stalled| !stalled).await.is_ok();
        if count == 0 || !open || to.write_all(&bytes[..count]).await.is_err() {
            return;
        }
    }
}
