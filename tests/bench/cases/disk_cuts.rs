//! Case 5, the power goes at 50 instants of a run, and at some more with a disk that lied about what it had kept. The
//! run is made once, on a disk whose every write is logged; the disks that a cut would have left are made from the
//! log and looked at by the kernel and the program in one guest.

use std::fs::File;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result, anyhow, ensure};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::{Value, json};

use crate::Bench;
use crate::disk_log::{DiskLog, Entry};
use crate::guest::Guest;
use crate::host;
use crate::trial::{INTEGERS, STORE, suite};

/// Cuts with a disk that keeps its word, and with one that does not.
const HONEST: u64 = 50;
const LYING: u64 = 10;
/// Bytes of a disk.
const DISK: u64 = 96 << 20;
/// How many flushes a lying disk may have answered without keeping what came before.
const UNKEPT_FLUSHES: usize = 6;
const SEED: u64 = 7;
/// Mounts the disk at an offset and has the program tell of its run; a text instead of a tree where nothing can be
/// mounted.
const LOOK: &str = "losetup -o $1 /dev/loop0 /dev/vdb\n\
    if mount -t ext4 /dev/loop0 /mnt 2> /tmp/mount; then\n\
    soakproof report last --store /mnt/store --json\n\
    umount /mnt\n\
    else echo '\"no file system\"'; fi\n\
    losetup -d /dev/loop0\n";

/// The log held so many entries when a reader had seen so many samples.
#[derive(Debug, Clone, Copy)]
struct Seen {
    entries: u64,
    samples: u64,
}

pub(crate) fn cuts(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("disk-cuts")?;
    let folder = setup.folder.clone();
    std::fs::copy(setup.disk(), folder.join("base.img"))?;
    let log = folder.join("writes.log");
    File::create(&log)?;
    let drive = json!({
        "driver": "blklogwrites", "node-name": "d0", "log-super-update-interval": 1,
        "file": { "driver": "file", "filename": setup.disk(), "cache": { "no-flush": true } },
        "log": { "driver": "file", "filename": log, "cache": { "no-flush": true } },
    });
    setup.drive = Some(vec!["-blockdev".to_owned(), drive.to_string()]);
    let mut guest = Guest::boot(setup)?;
    // Longer than the looks at it take on a slow host.
    guest.start_run(&suite(INTEGERS, 600), "")?;
    let log = DiskLog::open(&log)?;
    let mut seen = Vec::new();
    while seen.len() < 12 {
        let command = format!(
            "soakproof report last --store {STORE} --json | grep sample_count | tr -dc 0-9"
        );
        let samples: u64 = guest.run(&command)?.text.parse().unwrap_or_default();
        if samples > 3 {
            seen.push(Seen {
                entries: log.length()?,
                samples,
            });
        }
        host::pause(Duration::from_millis(900));
    }
    drop(guest.cut_power()?);
    let carrier = folder.join("carrier.img");
    let expected = make_disks(&log, &seen, &folder, &carrier)?;
    look(bench, &carrier, &expected)
}

/// Makes the disks, one behind the other in one file; how many samples each must hold, none for a disk that lied.
fn make_disks(
    log: &DiskLog,
    seen: &[Seen],
    folder: &Path,
    carrier: &Path,
) -> Result<Vec<Option<u64>>> {
    let entries = log.entries()?;
    let first = usize::try_from(seen.first().context("something was seen")?.entries)?;
    ensure!(
        entries.len() > first + 20,
        "{} entries after the first of {first}",
        entries.len()
    );
    let disks = File::options()
        .write(true)
        .create(true)
        .truncate(true)
        .open(carrier)?;
    disks.set_len(DISK * (HONEST + LYING))?;
    let mut chance = SmallRng::seed_from_u64(SEED);
    let mut expected = Vec::new();
    for number in 0..HONEST + LYING {
        let base = DISK * number;
        let offset = (DISK / 4096 * number).to_string();
        host::run_in(
            folder,
            "dd",
            &[
                "if=base.img",
                "of=carrier.img",
                "bs=4096",
                "conv=notrunc,sparse",
                &format!("seek={offset}"),
                "status=none",
            ],
        )?;
        let cut = chance.random_range(first..entries.len());
        let flushes: Vec<usize> = (0..cut).filter(|index| entries[*index].flush).collect();
        let lies = number >= HONEST;
        let back = if lies {
            chance.random_range(1..=UNKEPT_FLUSHES)
        } else {
            1
        };
        let kept = flushes
            .len()
            .checked_sub(back)
            .map_or(0, |index| flushes[index]);
        // All up to the flush that was kept; of the rest, in whatever order, about half had arrived.
        let arrived = |entry: &&Entry| !entry.flush;
        for entry in entries[..kept].iter().filter(arrived) {
            log.replay(*entry, &disks, base)?;
        }
        for entry in entries[kept..cut].iter().filter(arrived) {
            if chance.random_bool(0.5) {
                log.replay(*entry, &disks, base)?;
            }
        }
        let told = seen
            .iter()
            .rfind(|one| one.entries <= cut as u64)
            .map_or(0, |one| one.samples);
        expected.push((!lies).then_some(told));
    }
    Ok(expected)
}

/// Has the kernel mount each disk and the program tell of its run.
fn look(bench: &Bench, carrier: &Path, expected: &[Option<u64>]) -> Result<()> {
    let mut setup = bench.setup("disk-cuts-looked-at")?;
    let drive = format!(
        "file={},if=none,id=d1,format=raw,cache=unsafe",
        carrier.display()
    );
    setup.arguments = ["-drive", &drive, "-device", "virtio-blk-pci,drive=d1"]
        .map(str::to_owned)
        .to_vec();
    let mut guest = Guest::boot(setup)?;
    guest.ok("modprobe loop && mkdir -p /mnt")?;
    guest.write("/tmp/look", LOOK)?;
    let mut unreadable = 0;
    for (number, samples) in expected.iter().enumerate() {
        let offset = DISK * number as u64;
        let told = guest.json(&format!("sh /tmp/look {offset}"));
        match samples {
            Some(samples) => ensure_kept(&told, *samples),
            // A disk that lied may leave anything, but never a run that looks well.
            None if told.as_ref().is_ok_and(|told| told.is_object()) => ensure_failed(&told),
            None => {
                unreadable += 1;
                Ok(())
            }
        }
        .with_context(|| format!("after cut {number}"))?;
    }
    println!(
        "       {HONEST} cuts, {LYING} with a lying disk, {unreadable} of these without a record"
    );
    Ok(())
}

/// What a disk that kept its word must show: the reset, and every sample that a reader had seen.
fn ensure_kept(told: &Result<Value>, samples: u64) -> Result<()> {
    ensure_failed(told)?;
    let told = told.as_ref().map_err(|error| anyhow!("{error:#}"))?;
    let causes = &told["verdict"]["causes"];
    ensure!(*causes == json!(["reset"]), "{causes}");
    let kept = told["run"]["sample_count"].as_u64().unwrap_or_default();
    ensure!(
        kept >= samples,
        "{samples} samples had been seen, {kept} are left"
    );
    Ok(())
}

fn ensure_failed(told: &Result<Value>) -> Result<()> {
    let told = told.as_ref().map_err(|error| anyhow!("{error:#}"))?;
    let grade = &told["verdict"]["grade"];
    ensure!(grade == "failed", "{grade} of {told}");
    Ok(())
}
