//! Somebody on the host's side who gets the notices.

use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
use serde_json::Value;
use wiremock::matchers::any;
use wiremock::{Mock, MockServer, ResponseTemplate};

use crate::host;

const PATIENCE: Duration = Duration::from_secs(60);

/// A server on the host's loopback.
#[derive(Debug)]
pub(crate) struct Receiver {
    runtime: tokio::runtime::Runtime,
    server: MockServer,
}

impl Receiver {
    /// Starts it.
    pub(crate) fn start() -> Result<Self> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()?;
        let server = runtime.block_on(async {
            let server = MockServer::start().await;
            Mock::given(any())
                .respond_with(ResponseTemplate::new(204))
                .mount(&server)
                .await;
            server
        });
        Ok(Self { runtime, server })
    }

    /// Arguments that give the guest a network on which nobody but this server is reached.
    pub(crate) fn network(&self, busybox: &Path) -> Vec<String> {
        let port = self.server.address().port();
        let pipe = format!("cmd:{} nc 127.0.0.1 {port}", busybox.display());
        let net = format!("user,id=n0,restrict=on,guestfwd=tcp:10.0.2.100:80-{pipe}");
        ["-netdev", &net, "-device", "virtio-net-pci,netdev=n0"]
            .map(str::to_owned)
            .to_vec()
    }

    /// Waits until something of each of these types has come.
    pub(crate) fn wait_for(&self, types: &[&str]) -> Result<()> {
        let begun = Instant::now();
        loop {
            let came = self.types()?;
            if types
                .iter()
                .all(|wanted| came.iter().any(|one| one == wanted))
            {
                return Ok(());
            }
            if begun.elapsed() > PATIENCE {
                bail!("of the notices {types:?} these came: {came:?}");
            }
            host::pause(Duration::from_millis(200));
        }
    }

    fn types(&self) -> Result<Vec<String>> {
        let requests = self.runtime.block_on(self.server.received_requests());
        let bodies = requests.context("requests are kept")?.into_iter();
        let types = bodies.map(|request| {
            let body: Value = serde_json::from_slice(&request.body).unwrap_or_default();
            body["what"].as_str().unwrap_or_default().to_owned()
        });
        Ok(types.collect())
    }
}

/// Configuration that sends every notice there.
pub(crate) const CONFIGURATION: &str = "[[notice]]\nname = \"bench\"\nurl = \"http://10.0.2.100/\"\n\
    content-type = \"application/json\"\nbody = '{\"what\": {{ type }}}'\n";

/// What the guest does to reach it.
pub(crate) const UP: &str = "ip link set eth0 up && ip addr add 10.0.2.15/24 dev eth0";
