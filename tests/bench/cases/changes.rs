//! Case 6, what was changed between two starts without a word. The machine is told apart by what its firmware and
//! its processor say.

use anyhow::{Result, ensure};

use crate::Bench;
use crate::guest::{Guest, Setup};
use crate::trial::{INTEGERS, STORE, suite};

fn firmware(setup: &mut Setup, version: &str, rate: u32, microcode: u32) {
    // The register holds it in its upper half.
    setup.cpu = format!(",ucode-rev={microcode:#x}00000000");
    let words = [
        "-smbios",
        &format!("type=0,vendor=Bench,version={version},date=03/14/2030"),
        "-smbios",
        &format!("type=17,loc_pfx=DIMM,manufacturer=Bench,part=INVENTED-1,speed={rate}"),
    ];
    setup.arguments = words.map(str::to_owned).to_vec();
}

/// Firmware, memory rate and microcode are others at the next start: the run says so before it puts load on, and
/// names each of them in its report. Unchanged, it says nothing.
pub(crate) fn undeclared(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("changes")?;
    firmware(&mut setup, "1.07", 3600, 0xf0);
    let mut guest = Guest::boot(setup)?;
    declare(&mut guest)?;
    for _ in 0..2 {
        guest.start_run(&suite(INTEGERS, 2), "")?;
        guest.finish_run()?.ensure_ends("provisional", 0)?;
    }
    let words = guest.ok("cat /tmp/words")?;
    ensure!(!words.contains("firmware version is now"), "{words}");
    guest.ok("sync")?;
    let mut setup = guest.cut_power()?;
    firmware(&mut setup, "1.08", 4000, 0xf2);
    let mut guest = Guest::boot(setup)?;
    guest.start_run(&suite(INTEGERS, 2), "")?;
    let outcome = guest.finish_run()?;
    let standing = outcome.report["run"]["declared"]["standing"].to_string();
    let words = guest.ok("cat /tmp/words")?;
    for wanted in [
        "firmware version is now 1.08",
        "microcode is now 0xf2",
        "INVENTED-1 rated 4000 MT/s",
        "memory now runs at 4000",
    ] {
        ensure!(standing.contains(wanted), "`{wanted}` is not in {standing}");
        ensure!(
            words.contains(wanted),
            "`{wanted}` was not said before: {words}"
        );
    }
    Ok(())
}

/// A change of the memory rate is declared, and the machine goes on with the old one.
pub(crate) fn unshown(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("changes-unshown")?;
    firmware(&mut setup, "1.07", 3600, 0xf0);
    let mut guest = Guest::boot(setup)?;
    declare(&mut guest)?;
    guest.start_run(&suite(INTEGERS, 2), "")?;
    guest.finish_run()?.ensure_ends("provisional", 0)?;
    guest.ok(&format!(
        "soakproof change memory-rate 3600 3800 --store {STORE} && sync"
    ))?;
    let mut guest = Guest::boot(guest.cut_power()?)?;
    guest.start_run(&suite(INTEGERS, 2), "")?;
    let outcome = guest.finish_run()?;
    let standing = outcome.report["run"]["declared"]["standing"].to_string();
    let words = guest.ok("cat /tmp/words")?;
    ensure!(
        words.contains("3800") && words.contains("3600"),
        "not said: {words} {standing}"
    );
    Ok(())
}

fn declare(guest: &mut Guest) -> Result<()> {
    guest.ok(&format!(
        "soakproof setting memory-rate --kind memory-rate --value 3600 --rated 3600 --floor 2000 --ceiling 4400 --store {STORE}"
    ))?;
    Ok(())
}
