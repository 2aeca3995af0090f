//! Commands for the guest, over a virtual serial port: see `guest/init` for the other end.

use std::io::{ErrorKind, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};

/// What a command came to.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: i32,
    pub(crate) text: String,
    /// Seconds since the guest's kernel started.
    pub(crate) uptime_s: f64,
}

/// The host's end.
#[derive(Debug)]
pub(crate) struct Shell {
    port: UnixStream,
    buffer: Vec<u8>,
    number: u64,
}

impl Shell {
    /// Connects.
    pub(crate) fn connect(path: &Path) -> Result<Self> {
        let port = UnixStream::connect(path)?;
        port.set_read_timeout(Some(Duration::from_millis(100)))?;
        Ok(Self {
            port,
            buffer: Vec::new(),
            number: 0,
        })
    }

    /// Waits until the guest says that it takes commands; its boot id.
    pub(crate) fn wait_ready(&mut self, patience: Duration) -> Result<String> {
        let (_, line) = self.until("#READY ", patience)?;
        self.buffer.clear();
        Ok(line)
    }

    /// Sends a command and waits for nothing; its number.
    pub(crate) fn send(&mut self, command: &str) -> Result<u64> {
        self.number += 1;
        ensure!(!command.contains('\n'), "a command is one line");
        writeln!(self.port, "{} {command}", self.number)?;
        Ok(self.number)
    }

    /// Runs one command and waits for its end.
    pub(crate) fn run(&mut self, command: &str, patience: Duration) -> Result<Answer> {
        let number = self.send(command)?;
        let wait = self.until(&format!("#END {number} "), patience);
        let (text, line) = wait.with_context(|| format!("in the guest: {command}"))?;
        let mut words = line.split_whitespace();
        let status = words.next().and_then(|word| word.parse().ok());
        let uptime = words.next().and_then(|word| word.parse().ok());
        let (Some(status), Some(uptime_s)) = (status, uptime) else {
            bail!("the guest answered `{line}`");
        };
        let text = text.trim_end().to_owned();
        Ok(Answer {
            status,
            text,
            uptime_s,
        })
    }

    /// All before a line that begins with `mark`, and the rest of that line.
    fn until(&mut self, mark: &str, patience: Duration) -> Result<(String, String)> {
        let begun = Instant::now();
        loop {
            let text = String::from_utf8_lossy(&self.buffer).into_owned();
            let mut at = 0;
            for line in text.split_inclusive('\n') {
                if let Some(rest) = line.strip_prefix(mark)
                    && rest.ends_with('\n')
                {
                    let found = (text[..at].to_owned(), rest.trim_end().to_owned());
                    self.buffer.clear();
                    return Ok(found);
                }
                at += line.len();
            }
            if begun.elapsed() > patience {
                bail!("no word after {} s; so far: {text}", patience.as_secs());
            }
            let mut piece = [0_u8; 65536];
            match self.port.read(&mut piece) {
                Ok(0) => bail!("the machine is gone"),
                Ok(count) => self.buffer.extend_from_slice(&piece[..count]),
                Err(error)
                    if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
                Err(error) => return Err(error.into()),
            }
        }
    }
}
