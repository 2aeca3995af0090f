//! Case 7, a clock that is limited from outside in mid-run: the firmware's thermal zone passes its passive trip point,
//! and the kernel steps the processor down.

use anyhow::{Result, ensure};

use crate::Bench;
use crate::guest::{Guest, WINDOW};
use crate::trial::{INTEGERS, suite};

pub(crate) fn throttled(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("clock-limit")?;
    let table = bench.compile_table(&setup.folder, "limit", include_str!("../guest/limit.asl"))?;
    setup.arguments = vec!["-acpitable".to_owned(), format!("file={table}")];
    setup.window = vec![
        (0, 3032_u32.to_le_bytes().to_vec()),
        (8, 3932_u32.to_le_bytes().to_vec()),
    ];
    let mut guest = Guest::boot(setup)?;
    guest
        .ok("modprobe acpi-cpufreq && cat /sys/devices/system/cpu/cpu0/cpufreq/scaling_max_freq")?;
    guest.start_run(&suite(INTEGERS, 15), "")?;
    guest.ok("sleep 2")?;
    guest.poke(WINDOW, &3632_u32.to_le_bytes())?;
    let limited = guest.until(
        "cat /sys/devices/system/cpu/cpu0/cpufreq/scaling_max_freq",
        |text| text != "3000000",
    )?;
    guest.note(&format!("limited to {limited} kHz"));
    let outcome = guest.finish_run()?;
    outcome.ensure_ends("marginal", 3)?;
    let source = outcome
        .findings("throttled")
        .first()
        .map(|one| one["kind"]["source"].to_string());
    ensure!(
        source
            .as_deref()
            .is_some_and(|text| text.contains("(Processor)")),
        "{source:?}"
    );
    Ok(())
}
