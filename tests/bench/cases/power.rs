//! Case 5, machines that go down in mid-run. After the next start the run is closed by what was left behind.

use anyhow::{Context, Result, ensure};

use crate::Bench;
use crate::guest::{Guest, Setup};
use crate::trial::{INTEGERS, Outcome, STORE, suite};

/// The power goes, with nobody asked who would have kept a last word.
pub(crate) fn cut(bench: &Bench) -> Result<()> {
    let mut guest = Guest::boot(bench.setup("power-cut")?)?;
    guest.start_run(&suite(INTEGERS, 120), "")?;
    let acknowledged = wait_for_samples(&mut guest, 7)?;
    let mut guest = Guest::boot(guest.cut_power()?)?;
    let outcome = guest.report()?;
    ensure_reset(&outcome, "unknown", acknowledged)?;
    // A run that was closed stays closed.
    let again = guest.report()?;
    ensure!(
        again.report["run"]["findings"] == outcome.report["run"]["findings"],
        "closed anew"
    );
    Ok(())
}

/// The kernel panics and starts again; its last words are kept by the firmware (ACPI ERST).
pub(crate) fn panic(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("panic")?;
    keep_last_words(&mut setup);
    let mut guest = Guest::boot(setup)?;
    guest.start_run(&suite(INTEGERS, 120), "")?;
    let acknowledged = wait_for_samples(&mut guest, 7)?;
    guest.go_down("echo c > /proc/sysrq-trigger")?;
    let outcome = guest.report()?;
    let evidence = ensure_reset(&outcome, "panic", acknowledged)?;
    ensure!(evidence.contains("sysrq triggered crash"), "{evidence}");
    Ok(())
}

/// Firmware that keeps records over a restart.
pub(crate) fn keep_last_words(setup: &mut Setup) {
    let file = setup.folder.join("erst");
    let memory = format!(
        "memory-backend-file,id=erst,mem-path={},size=0x20000,share=on",
        file.display()
    );
    let words = ["-object", &memory, "-device", "acpi-erst,memdev=erst"];
    setup.arguments.extend(words.map(str::to_owned));
}

/// Waits until a reader sees that many samples under load; how many it saw.
pub(crate) fn wait_for_samples(guest: &mut Guest, enough: u64) -> Result<u64> {
    let command = format!(
        "soakproof report last --store {STORE} --json | grep -E 'sample_count' | tr -dc 0-9"
    );
    let said = guest.until(&command, |text| {
        text.parse::<u64>().is_ok_and(|count| count >= enough)
    })?;
    Ok(said.parse()?)
}

/// A failed run, by a reset of this manner, with its last load named and nothing lost that a reader had seen; the
/// evidence.
pub(crate) fn ensure_reset(outcome: &Outcome, manner: &str, acknowledged: u64) -> Result<String> {
    outcome.ensure_ends("failed", 0)?;
    ensure!(
        outcome.causes().contains(&"reset"),
        "{:?}",
        outcome.causes()
    );
    let finding = outcome.finding("reset")?;
    let evidence = finding["kind"]["evidence"].as_str().context("evidence")?;
    ensure!(
        finding["kind"]["manner"] == manner,
        "not {manner}: {finding}"
    );
    ensure!(finding["stage"] == "long", "another stage: {finding}");
    ensure!(
        evidence.contains("int-streams.reg"),
        "no load is named: {evidence}"
    );
    let kept = outcome.report["run"]["sample_count"]
        .as_u64()
        .unwrap_or_default();
    ensure!(
        kept >= acknowledged,
        "{acknowledged} samples had been seen, {kept} are left"
    );
    Ok(evidence.to_owned())
}
