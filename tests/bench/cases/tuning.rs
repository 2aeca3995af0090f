//! Case 8, a whole search for the right voltage. The guest's silicon is the host's: below a voltage that the guest is
//! not told it computes wrongly, and further below it goes down. Every step is a change in the ledger, a start of
//! the machine and a run; `advise` alone decides what comes next.

use anyhow::{Context, Result, bail, ensure};

use crate::Bench;
use crate::cases::flips::{find_arena, flip_until_told};
use crate::guest::Guest;
use crate::trial::STORE;

/// What the guest is tuned by, in millivolts: the maker's value, the finer step, the reserve on top of what held.
const RATED: i64 = 1250;
const STEP: i64 = 5;
const MARGIN: i64 = 10;
/// From here on upwards the silicon computes rightly.
const RIGHT_FROM: i64 = 1230;
/// Below it the machine goes down.
const UP_FROM: i64 = 1225;
/// A search from the rated value by coarse steps of 10, then by fine ones, needs far fewer.
const MOST_RUNS: u32 = 14;

/// A guest of one processor: what is known of a machine is what is known of its least tried core.
const CPUS: u32 = 1;
const SHORT: &str = "about = \"some seconds\"\nasserts = [\"answers\"]\nstall-after = \"20s\"\n\
    [[stage]]\nname = \"long\"\ntime = \"10s\"\n\
    [[stage.load]]\nkernels = [\"march.memory\"]\ncores = \"all\"\nmemory = \"1MiB\"\n";

/// What decides in the end: with a claim, and with the five idle minutes that such a suite must have.
const CLAIM: &str = "[claim]\nconfidence = 0.95\nwalks = 2\n";
const COOL_DOWN: &str = "[[stage]]\nname = \"after\"\ntime = \"5min\"\n";
const COOL_DOWN_S: u32 = 300;

pub(crate) fn search(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("tuning")?;
    setup.cpus = CPUS;
    let mut guest = Guest::boot(setup)?;
    guest.ok(&format!(
        "soakproof setting core-voltage --kind core-voltage --value {RATED} --rated {RATED} --floor 1150 \
         --ceiling 1300 --step {STEP} --coarse 10 --margin {MARGIN} --store {STORE}"
    ))?;
    guest.write("/data/short.toml", SHORT)?;
    guest.write("/data/long.toml", &long())?;
    let (mut present, mut wrong, mut down) = (RATED, 0, 0);
    for _ in 0..MOST_RUNS {
        let advice = guest.json(&format!(
            "soakproof advise --least 100ms --short /data/short.toml --long /data/long.toml --store {STORE} --json"
        ))?;
        let next = &advice["next"];
        let value = next["value"].as_f64().context("a value")?;
        #[expect(clippy::cast_possible_truncation, reason = "millivolts in steps of 5")]
        let value = value.round() as i64;
        guest.note(&format!("advice: {next}, {}", advice["why"]));
        if next["suite"].is_null() {
            ensure!(
                wrong > 0 && down > 0,
                "{wrong} wrong answers and {down} resets on the way"
            );
            let right = RIGHT_FROM + MARGIN..=RIGHT_FROM + MARGIN + 2 * STEP;
            ensure!(
                right.contains(&value),
                "{value} mV is advised, right from {RIGHT_FROM} mV on"
            );
            return Ok(());
        }
        if value != present {
            guest.ok(&format!(
                "soakproof change core-voltage {present} {value} --store {STORE} && sync"
            ))?;
            present = value;
            guest = Guest::boot(guest.cut_power()?)?;
        }
        if next["suite"] == "/data/long.toml" && present >= RIGHT_FROM {
            guest.start_run(&long(), "")?;
            // In pieces shorter than the host's patience.
            for _ in 0..3 {
                guest.ok(&format!("sleep {}", COOL_DOWN_S / 3))?;
            }
            guest.finish_run()?.ensure_ends("provisional", 0)?;
            continue;
        }
        // A machine that is not right must have time to show it.
        let time = if present < RIGHT_FROM { "120s" } else { "10s" };
        guest.start_run(&SHORT.replace("10s", time), "")?;
        if present < UP_FROM {
            down += 1;
            find_arena(&mut guest)?;
            guest = Guest::boot(guest.cut_power()?)?;
            let outcome = guest.report()?;
            ensure!(outcome.causes() == ["reset"], "{:?}", outcome.causes());
        } else if present < RIGHT_FROM {
            wrong += 1;
            let arena = find_arena(&mut guest)?;
            let (_, outcome) = flip_until_told(&mut guest, arena)?;
            outcome.ensure_ends("failed", 4)?;
        } else {
            guest.finish_run()?.ensure_ends("provisional", 0)?;
        }
    }
    bail!("no end after {MOST_RUNS} runs")
}

fn long() -> String {
    SHORT.replace("[[stage]]", &format!("{CLAIM}[[stage]]")) + COOL_DOWN
}
