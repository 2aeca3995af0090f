//! The machine's own control socket (QEMU Machine Protocol, docs/interop/qmp-spec.txt of QEMU 7.2): one JSON
//! object a line, answers mixed with events.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use serde_json::{Value, json};

/// Longest wait for one answer.
const PATIENCE: Duration = Duration::from_secs(60);

/// An open control socket.
#[derive(Debug)]
pub(crate) struct Qmp {
    to: UnixStream,
    from: BufReader<UnixStream>,
}

impl Qmp {
    /// Connects and takes the greeting.
    pub(crate) fn connect(path: &Path) -> Result<Self> {
        let to = UnixStream::connect(path)?;
        to.set_read_timeout(Some(PATIENCE))?;
        let mut qmp = Self {
            from: BufReader::new(to.try_clone()?),
            to,
        };
        let greeting = qmp.line()?;
        ensure!(greeting.get("QMP").is_some(), "no greeting: {greeting}");
        qmp.execute("qmp_capabilities", &json!({}))?;
        Ok(qmp)
    }

    /// Carries out one command; events that come before its answer are dropped.
    pub(crate) fn execute(&mut self, command: &str, arguments: &Value) -> Result<Value> {
        let line = json!({ "execute": command, "arguments": arguments });
        writeln!(self.to, "{line}").with_context(|| format!("cannot send `{command}`"))?;
        loop {
            let mut answer = self
                .line()
                .with_context(|| format!("no answer to `{command}`"))?;
            if let Some(error) = answer.get("error") {
                bail!("`{line}`: {error}");
            }
            if let Some(value) = answer.get_mut("return") {
                return Ok(value.take());
            }
        }
    }

    /// One line of the monitor for people; some things can only be said there.
    pub(crate) fn monitor(&mut self, line: &str) -> Result<String> {
        let arguments = json!({ "command-line": line });
        let said = self.execute("human-monitor-command", &arguments)?;
        Ok(said.as_str().unwrap_or_default().trim().to_owned())
    }

    fn line(&mut self) -> Result<Value> {
        let mut line = String::new();
        ensure!(self.from.read_line(&mut line)? > 0, "the machine is gone");
        Ok(serde_json::from_str(&line)?)
    }
}
