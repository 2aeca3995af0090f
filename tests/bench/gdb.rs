//! The emulator's debugger socket (GDB remote serial protocol, GDB manual appendix E): stops the machine where the
//! monitor cannot, at a store to one address or on one processor.

use std::io::{ErrorKind, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

use anyhow::{Result, bail, ensure};

/// Number of the instruction pointer among the registers of x86-64.
const INSTRUCTION_POINTER: u32 = 0x10;

/// An open debugger socket. The machine stands still from the moment that it is opened.
#[derive(Debug)]
pub(crate) struct Gdb {
    stream: UnixStream,
    pending: Vec<u8>,
}

impl Gdb {
    /// Connects.
    pub(crate) fn connect(path: &Path) -> Result<Self> {
        let stream = UnixStream::connect(path)?;
        stream.set_read_timeout(Some(Duration::from_millis(200)))?;
        let mut gdb = Self {
            stream,
            pending: Vec::new(),
        };
        // That it has stopped the machine is told unasked.
        gdb.ask("?")?;
        while gdb.receive()?.is_some() {}
        Ok(gdb)
    }

    /// Stops after each store to 8 bytes at a virtual address.
    pub(crate) fn watch_stores(&mut self, address: u64) -> Result<()> {
        self.expect_ok(&format!("Z2,{address:x},8"))
    }

    /// Stops before the instruction at an address.
    pub(crate) fn break_at(&mut self, address: u64) -> Result<()> {
        self.expect_ok(&format!("Z1,{address:x},1"))
    }

    /// The same no more.
    pub(crate) fn clear(&mut self, address: u64) -> Result<()> {
        self.expect_ok(&format!("z1,{address:x},1"))
    }

    /// Writes at a virtual address, also where the guest may not.
    pub(crate) fn write(&mut self, address: u64, bytes: &[u8]) -> Result<()> {
        let text: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        self.expect_ok(&format!("M{address:x},{:x}:{text}", bytes.len()))
    }

    /// Lets the processor that stopped go on from elsewhere.
    pub(crate) fn jump(&mut self, thread: &str, address: u64) -> Result<()> {
        // Single registers are written for those only who have asked what there is.
        self.ask("qXfer:features:read:target.xml:0,ffb")?;
        self.expect_ok(&format!("Hg{thread}"))?;
        let text: String = address
            .to_le_bytes()
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        self.expect_ok(&format!("P{INSTRUCTION_POINTER:x}={text}"))
    }

    /// Lets the machine go on.
    pub(crate) fn go_on(&mut self) -> Result<()> {
        self.send("c")
    }

    /// The reason, where the machine has stopped meanwhile.
    pub(crate) fn stopped(&mut self) -> Result<Option<String>> {
        self.receive()
    }

    /// Leaves the machine running without us.
    pub(crate) fn detach(mut self) -> Result<()> {
        self.expect_ok("D")
    }

    fn expect_ok(&mut self, packet: &str) -> Result<()> {
        let answer = self.ask(packet)?;
        ensure!(answer == "OK", "`{packet}` was answered `{answer}`");
        Ok(())
    }

    fn ask(&mut self, packet: &str) -> Result<String> {
        self.send(packet)?;
        for _ in 0..100 {
            if let Some(answer) = self.receive()? {
                return Ok(answer);
            }
        }
        bail!("`{packet}` was not answered")
    }

    fn send(&mut self, packet: &str) -> Result<()> {
        let sum = packet.bytes().fold(0_u8, u8::wrapping_add);
        write!(self.stream, "${packet}#{sum:02x}")?;
        Ok(())
    }

    /// One packet, or none after a moment.
    fn receive(&mut self) -> Result<Option<String>> {
        loop {
            // Acknowledgements stand between the packets.
            if let Some(begin) = self.pending.iter().position(|byte| *byte == b'$')
                && let Some(end) = self.pending[begin..].iter().position(|byte| *byte == b'#')
                && self.pending.len() >= begin + end + 3
            {
                let packet = &self.pending[begin + 1..begin + end];
                let text = String::from_utf8_lossy(packet).into_owned();
                self.pending.drain(..begin + end + 3);
                self.stream.write_all(b"+")?;
                return Ok(Some(text));
            }
            let mut piece = [0_u8; 4096];
            match self.stream.read(&mut piece) {
                Ok(0) => bail!("the machine is gone"),
                Ok(count) => self.pending.extend_from_slice(&piece[..count]),
                Err(error)
                    if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) =>
                {
                    return Ok(None);
                }
                Err(error) => return Err(error.into()),
            }
        }
    }
}
