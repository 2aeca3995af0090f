//! Case 5, the power goes at 50 instants of a run, and at some more with a disk that lied about what it had kept. The
//! run is made once, on a disk whose every write is logged; the disks that a cut would have left are made from the
//! log and looked at by the kernel and the program in one guest.

use std::fs::File;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::json;

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
        "file": { "driver": "file", "filename": setup.disk() },
        "log": { "driver": "file", "filename": log },
    });
    setup.drive = Some(vec!["-blockdev".to_owned(), drive.to_string()]);
    let mut guest = Guest::boot(setup)?;
    guest.start_run(&suite(INTEGERS, 120), "")?;
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
    let mut unreadable = 0;
    for (number, samples) in expected.iter().enumerate() {
        let offset = DISK * number as u64;
        let mount = guest.run(&format!(
            "losetup -o {offset} /dev/loop0 /dev/vdb && mount -t ext4 /dev/loop0 /mnt"
        ))?;
        if mount.status == 0 {
            let outcome = guest.report_in("/mnt/store");
            match (samples, outcome) {
                (Some(samples), outcome) => {
                    let outcome = outcome.with_context(|| format!("after cut {number}"))?;
                    ensure!(
                        outcome.causes() == ["reset"],
                        "cut {number}: {:?}",
                        outcome.causes()
                    );
                    let kept = outcome.report["run"]["sample_count"]
                        .as_u64()
                        .unwrap_or_default();
                    ensure!(
                        kept >= *samples,
                        "cut {number}: {samples} samples had been seen, {kept} are left"
                    );
                }
                // A disk that lied may leave anything, but never a run that looks well.
                (None, Ok(outcome)) => ensure!(
                    outcome.grade() == "failed",
                    "cut {number}: {}",
                    outcome.grade()
                ),
                (None, Err(_)) => unreadable += 1,
            }
            guest.ok("umount /mnt")?;
        } else {
            ensure!(
                samples.is_none(),
                "cut {number}: the file system is lost: {}",
                mount.text
            );
            unreadable += 1;
        }
        guest.ok("losetup -d /dev/loop0")?;
    }
    println!(
        "       {HONEST} cuts, {LYING} with a lying disk, {unreadable} of these without a record"
    );
    Ok(())
}
