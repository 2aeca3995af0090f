//! Case 4, one wrong bit of memory. The guest says at which physical address a page of a worker lies, and the
//! host alters the byte there.

use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use serde_json::Value;

use crate::Bench;
use crate::gdb::Gdb;
use crate::guest::Guest;
use crate::host;
use crate::trial::{Outcome, one_stage};

pub(crate) const PAGE: u64 = 4096;
/// Flips until one must have been seen: each may fall between the last read of a word and its next write.
const TRIES: u64 = 60;
/// Looks for a worker's memory, two seconds apart.
const MOST_LOOKS: u32 = 20;
/// A walk small enough for a pass of well under a second under emulation.
const WALK: &str = "[[stage.load]]\nkernels = [\"march.memory\"]\ncores = [1]\nmemory = \"4MiB\"";
const MATRICES: &str = "[[stage.load]]\nkernels = [\"matrix-exact.l1\"]\ncores = [1]";

/// A worker's locked memory: where it begins and how many bytes.
#[derive(Debug)]
pub(crate) struct Arena {
    pub(crate) pid: String,
    pub(crate) start: u64,
    bytes: u64,
}

/// A byte that was altered.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Flip {
    pub(crate) physical: u64,
    pub(crate) bit: u32,
    rose: bool,
}

impl Flip {
    /// The word of 64 bits that it lies in, and the bits that differ in there.
    pub(crate) fn word(self) -> (u64, u64) {
        let within = u32::try_from(self.physical % 8).unwrap_or_default();
        (self.physical & !7, 1 << (within * 8 + self.bit))
    }
}

/// A walk finds the very bit: physical address, place in the word, direction, kind.
pub(crate) fn walk(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("flip-walk")?)?;
    guest.start_run(&one_stage(WALK, 120), "")?;
    let arena = find_arena(&mut guest)?;
    let (flips, outcome) = flip_until_told(&mut guest, arena)?;
    outcome.ensure_ends("failed", 4)?;
    let fault = &outcome.finding("wrong-memory")?["kind"];
    let physical = number(fault, "physical")?;
    let flip = flips.iter().find(|flip| flip.word().0 == physical);
    let flip = flip.with_context(|| format!("{physical:#x} was never touched: {fault}"))?;
    let (expected, got) = (number(fault, "expected")?, number(fault, "got")?);
    ensure!(
        expected ^ got == flip.word().1,
        "{expected:x} became {got:x} by {flip:?}"
    );
    ensure!(
        (got & !expected != 0) == flip.rose,
        "the other direction: {fault} by {flip:?}"
    );
    ensure!(fault["class"] == "wrong-store", "{fault}");
    ensure!(outcome.causes() == ["memory"], "{:?}", outcome.causes());
    ensure!(outcome.finding("wrong-memory")?["cpu"] == 1, "{fault}");
    Ok(())
}

/// A bit of the state of a computing worker.
pub(crate) fn compute(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("flip-compute")?)?;
    guest.start_run(&one_stage(MATRICES, 120), "")?;
    let arena = find_arena(&mut guest)?;
    let (_, outcome) = flip_until_told(&mut guest, arena)?;
    outcome.ensure_ends("failed", 4)?;
    let found = outcome.finding("wrong-answer")?;
    ensure!(
        found["cpu"] == 1 && found["kernel"] == "matrix-exact.l1",
        "{found}"
    );
    ensure!(found["kind"]["expected"] != found["kind"]["got"], "{found}");
    ensure!(
        outcome.causes() == ["computation"],
        "{:?}",
        outcome.causes()
    );
    Ok(())
}

/// A bit that stays set whatever is stored there: the machine is stopped after each store, and the host sets it
/// again.
pub(crate) fn stuck(bench: &Bench) -> Result<()> {
    const BIT: u32 = 5;
    const HALF_WAY: u64 = 2 << 20;
    let mut setup = bench.setup("flip-stuck")?;
    setup.arguments = setup.debugger();
    let mut guest = Guest::boot(setup)?;
    guest.start_run(&one_stage(WALK, 120), "")?;
    let (arena, physical) = find_page(&mut guest, HALF_WAY)?;
    let address = arena.start + HALF_WAY;
    let mut gdb = guest.debugger()?;
    gdb.watch_stores(address)?;
    let mut stores = 0;
    while guest.stuck_told(&mut gdb)?.is_none() {
        let mut byte = [0_u8];
        guest.peek(physical, &mut byte)?;
        guest.poke(physical, &[byte[0] | 1 << BIT])?;
        stores += 1;
        ensure!(stores < 10_000, "{stores} stores, and nothing was found");
    }
    guest.note(&format!("{stores} stores"));
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("failed", 4)?;
    let fault = &outcome.finding("wrong-memory")?["kind"];
    ensure!(
        number(fault, "physical")? == physical,
        "not at {physical:#x}: {fault}"
    );
    let (expected, got) = (number(fault, "expected")?, number(fault, "got")?);
    ensure!(expected ^ got == 1 << BIT && got & 1 << BIT != 0, "{fault}");
    ensure!(fault["class"] == "stuck-bit", "{fault}");
    Ok(())
}

impl Guest {
    /// Lets the machine go on until the next store, or until the run has ended.
    fn stuck_told(&self, gdb: &mut Gdb) -> Result<Option<()>> {
        gdb.go_on()?;
        loop {
            if gdb.stopped()?.is_some() {
                return Ok(None);
            }
            if self.has_ended() {
                return Ok(Some(()));
            }
        }
    }
}

pub(crate) fn number(tree: &Value, name: &str) -> Result<u64> {
    tree[name]
        .as_u64()
        .with_context(|| format!("no `{name}` in {tree}"))
}

/// Flips bits, each once, until the run ends by itself.
pub(crate) fn flip_until_told(guest: &mut Guest, mut arena: Arena) -> Result<(Vec<Flip>, Outcome)> {
    let mut flips = Vec::new();
    for number in 0..TRIES {
        if guest.has_ended() {
            return Ok((flips, guest.finish_run()?));
        }
        // Scattered, and no two in one word.
        let offset = (number * 2_654_435_761) % arena.bytes;
        match physical(guest, &arena, arena.start + offset)? {
            Some(physical) => flips.push(flip(guest, physical, u32::try_from(number % 8)?)?),
            // The worker of another stage, or the end.
            None if guest.wait_for_load()? => arena = find_arena(guest)?,
            None => {}
        }
        host::pause(Duration::from_millis(300));
    }
    bail!("{TRIES} flips, and nothing was found")
}

/// A worker's memory, and the physical address of a place in it.
pub(crate) fn find_page(guest: &mut Guest, offset: u64) -> Result<(Arena, u64)> {
    for _ in 0..MOST_LOOKS {
        let arena = find_arena(guest)?;
        // None where the stage has ended meanwhile.
        if let Some(physical) = physical(guest, &arena, arena.start + offset)? {
            return Ok((arena, physical));
        }
    }
    bail!("no worker stays")
}

fn flip(guest: &mut Guest, physical: u64, bit: u32) -> Result<Flip> {
    let mut byte = [0_u8];
    guest.peek(physical, &mut byte)?;
    let rose = byte[0] & 1 << bit == 0;
    guest.poke(physical, &[byte[0] ^ 1 << bit])?;
    guest.note(&format!(
        "flipped bit {bit} of {physical:#x}, which held {:02x}",
        byte[0]
    ));
    Ok(Flip {
        physical,
        bit,
        rose,
    })
}

/// The worker is the younger of the two processes; what it works in is locked (`lo` in `VmFlags`, Linux
/// Documentation/filesystems/proc.rst).
pub(crate) fn find_arena(guest: &mut Guest) -> Result<Arena> {
    for _ in 0..MOST_LOOKS {
        // Until it is all touched, pages come and go.
        guest.ok("sleep 2")?;
        if guest.has_ended() {
            break;
        }
        for pid in guest.run("pidof soakproof")?.text.split_whitespace() {
            if let Some((start, bytes)) = locked_memory(guest, pid)? {
                let pid = pid.to_owned();
                guest.note(&format!(
                    "worker {pid} works in {bytes} bytes at {start:#x}"
                ));
                return Ok(Arena { pid, start, bytes });
            }
        }
    }
    let words = guest.run("cat /tmp/words")?.text;
    bail!("no process has locked memory; the run says: {words}")
}

/// The largest mapping that a process has locked: where it begins and how many bytes.
fn locked_memory(guest: &mut Guest, pid: &str) -> Result<Option<(u64, u64)>> {
    let maps = guest
        .run(&format!("grep -E '^[0-9a-f]+-|^VmFlags' /proc/{pid}/smaps"))?
        .text;
    let lines: Vec<&str> = maps.lines().filter(|line| !line.is_empty()).collect();
    let locked = lines.chunks(2).filter_map(|pair| {
        let [range, flags] = pair else { return None };
        let (start, end) = range.split(' ').next()?.split_once('-')?;
        let start = u64::from_str_radix(start, 16).ok()?;
        let end = u64::from_str_radix(end, 16).ok()?;
        let writable = range.contains(" rw-p ");
        (writable && flags.split(' ').any(|flag| flag == "lo")).then_some((start, end - start))
    });
    Ok(locked.max_by_key(|(_, bytes)| *bytes))
}

/// By the process's page map: bits 0 to 54 hold the frame (Linux Documentation/admin-guide/mm/pagemap.rst). None
/// when the worker is gone, or going: its pages are given back first.
fn physical(guest: &mut Guest, arena: &Arena, address: u64) -> Result<Option<u64>> {
    let (pid, page) = (&arena.pid, address / PAGE);
    let command =
        format!("dd if=/proc/{pid}/pagemap bs=8 skip={page} count=1 2> /dev/null | xxd -p");
    let text = guest.ok(&command)?;
    if text.trim().is_empty() {
        return Ok(None);
    }
    let entry = u64::from_str_radix(text.trim(), 16)?.swap_bytes();
    if entry >> 63 == 0 {
        return Ok(None);
    }
    let frame = entry & ((1 << 55) - 1);
    ensure!(frame != 0, "the frame of {address:#x} is hidden: {text}");
    Ok(Some(frame * PAGE + address % PAGE))
}
