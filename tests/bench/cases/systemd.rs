//! Case 9, the package on a system with a real service manager: what its unit forbids must not take from it what it
//! needs. The service's record is what the other cases' folder points to, so that every command goes through it.

use anyhow::{Context, Result, ensure};

use crate::Bench;
use crate::cases::flips::{find_arena, flip_until_told, number};
use crate::cases::power::wait_for_samples;
use crate::debian::{self, USER};
use crate::guest::Guest;
use crate::trial::{INTEGERS, STORE, one_stage, suite};

const WALK: &str = "[[stage.load]]\nkernels = [\"march.memory\"]\ncores = [1]\nmemory = \"4MiB\"";

pub(crate) fn service(bench: &Bench) -> Result<()> {
    let mut setup = bench.setup("systemd")?;
    let package = debian::build_package(bench, &setup.folder)?;
    debian::make_disk(bench, &setup.disk(), &package)?;
    setup.arguments = ["-device", "i6300esb"].map(str::to_owned).to_vec();
    let mut guest = Guest::boot(setup)?;
    install(&mut guest)?;
    rights(&mut guest)?;
    programs(&mut guest)?;
    stop(&mut guest)?;
    restart(&mut guest)?;
    sudden_restart(&mut guest)
}

/// The package installs and starts nothing; the person switches the service on.
fn install(guest: &mut Guest) -> Result<()> {
    guest.until("systemctl is-system-running", |text| {
        !["starting", "initializing"].contains(&text)
    })?;
    guest.ok("dpkg -i /bench/soakproof.deb")?;
    let state = "systemctl is-enabled soakproof; systemctl is-active soakproof soakproof-notices";
    let state = guest.run(state)?.text;
    ensure!(
        state == "disabled\ninactive\ninactive",
        "after installing: {state}"
    );
    guest.ok(&format!(
        "mkdir -p $(dirname {STORE}) && ln -s /var/lib/soakproof {STORE}"
    ))?;
    guest.write(
        "/etc/soakproof/soakproof.toml",
        "[watchdog]\nenabled = true\n",
    )?;
    guest.ok("modprobe i6300esb && systemctl enable --now soakproof")?;
    // The unit of the notices ends: none is configured.
    let state = "systemctl is-active soakproof soakproof-notices; systemctl is-system-running";
    guest.until(state, |text| !text.contains("activating"))?;
    let state = guest.run(state)?.text;
    ensure!(state == "active\ninactive\nrunning", "{state}");
    Ok(())
}

/// Under the unit's restrictions memory is locked, workers are bound to their processor, the watchdog is armed, and a
/// wrong bit is told with its physical address.
fn rights(guest: &mut Guest) -> Result<()> {
    guest.begin_run(&one_stage(WALK, 200), "")?;
    let arena = find_arena(guest)?;
    let pid = &arena.pid;
    let facts = guest.ok(&format!(
        "grep -E '^(VmLck|Cpus_allowed_list|NoNewPrivs|Seccomp):' /proc/{pid}/status; cat /proc/{pid}/cgroup \
         /sys/class/watchdog/watchdog0/state"
    ))?;
    let words: Vec<&str> = facts.split_whitespace().collect();
    for wanted in [
        ["Cpus_allowed_list:", "1"],
        ["NoNewPrivs:", "1"],
        ["Seccomp:", "2"],
        ["0::/system.slice/soakproof.service", "active"],
    ] {
        ensure!(
            words.windows(2).any(|pair| pair == wanted),
            "`{wanted:?}` is not in {facts}"
        );
    }
    let (flips, outcome) = flip_until_told(guest, arena)?;
    outcome.ensure_ends("failed", 4)?;
    let fault = &outcome.finding("wrong-memory")?["kind"];
    let physical = number(fault, "physical")?;
    ensure!(
        flips.iter().any(|flip| flip.word().0 == physical),
        "{physical:#x} was never touched: {fault}"
    );
    let state = guest.ok("cat /sys/class/watchdog/watchdog0/state")?;
    ensure!(state == "inactive", "after the run the watchdog is {state}");
    Ok(())
}

/// A person's programs run as that person, in units of their own that do not share the service's restrictions, and
/// leave nothing behind.
fn programs(guest: &mut Guest) -> Result<()> {
    let mut text = "about = \"own programs\"\nasserts = [\"answers\"]\non-finding = \"continue\"\n\
                    [[stage]]\nname = \"own\"\ntime = \"20s\"\n"
        .to_owned();
    for (name, line, keys) in [
        (
            "good",
            "(id -un; cat /proc/self/cgroup) > who; echo same > good.out",
            "limit = \"60s\"\noutput = \"good.out\"",
        ),
        ("fails", "echo oh no >&2; exit 3", "limit = \"60s\""),
        ("dies", "kill -SEGV $$", "limit = \"60s\""),
        ("late", "exec sleep 300", "limit = \"20s\""),
    ] {
        text.push_str(&format!(
            "[[stage.program]]\nname = \"{name}\"\ncommand = [\"/bin/sh\", \"-c\", \"{line}\"]\n\
             user = \"{USER}\"\nfolder = \"/srv/{USER}\"\ntimes = 1\n{keys}\n"
        ));
    }
    guest.ok(&format!("install -d -o {USER} /srv/{USER}"))?;
    guest.begin_run(&text, "")?;
    let outcome = guest.finish_run()?;
    let who = guest.ok(&format!("cat /srv/{USER}/who"))?;
    ensure!(
        who.starts_with(USER) && who.contains("/system.slice/soakproof-own-"),
        "{who}"
    );
    outcome.ensure_ends("failed", 4)?;
    let told: Vec<String> = outcome
        .findings("own-program")
        .into_iter()
        .map(|one| {
            let failure = &one["kind"]["failure"];
            format!("{} {failure}", one["kind"]["program"])
        })
        .collect();
    let all = told.join("\n");
    for (program, wanted) in [
        ("fails", "\"status\":3"),
        ("dies", "\"signal\":11"),
        ("late", "\"late\""),
    ] {
        ensure!(
            told.iter()
                .any(|one| one.contains(program) && one.contains(wanted)),
            "`{program}` with {wanted} is not in {all}"
        );
    }
    ensure!(told.len() == 3, "{all}");
    let left = guest.ok("systemctl list-units --all --plain --no-legend 'soakproof-own-*'")?;
    ensure!(left.is_empty(), "units are left: {left}");
    Ok(())
}

/// Stopping the service in mid-run ends the run in good order.
fn stop(guest: &mut Guest) -> Result<()> {
    guest.start_run(&suite(INTEGERS, 300), "")?;
    wait_for_samples(guest, 5)?;
    guest.ok("systemctl stop soakproof")?;
    let result = guest.ok(
        "systemctl show --property=Result,ExecMainStatus soakproof; systemctl is-system-running",
    )?;
    ensure!(
        result.contains("Result=success")
            && result.contains("ExecMainStatus=0")
            && result.ends_with("running"),
        "{result}"
    );
    let left = guest.run("pidof soakproof")?.text;
    ensure!(
        left.split_whitespace().count() <= 1,
        "processes are left: {left}"
    );
    ensure_stopped(guest)?;
    guest.ok("systemctl start soakproof")?;
    Ok(())
}

/// A restart that somebody asks for in mid-run is no reset.
fn restart(guest: &mut Guest) -> Result<()> {
    guest.start_run(&suite(INTEGERS, 300), "")?;
    wait_for_samples(guest, 5)?;
    guest.go_down("systemctl reboot")?;
    guest.ok("systemctl is-active soakproof")?;
    ensure_stopped(guest)
}

fn ensure_stopped(guest: &mut Guest) -> Result<()> {
    let outcome = guest.report()?;
    let run = &outcome.report["run"];
    ensure!(
        run["end"]["why"] == "interrupted" && run["findings"] == serde_json::json!([]),
        "{} {}",
        run["end"],
        run["findings"]
    );
    ensure!(outcome.grade() != "failed", "{}", outcome.grade());
    Ok(())
}

/// One that nobody asked for is found by the service when it starts again by itself.
fn sudden_restart(guest: &mut Guest) -> Result<()> {
    guest.start_run(&suite(INTEGERS, 300), "")?;
    let acknowledged = wait_for_samples(guest, 7)?;
    guest.go_down("echo b > /proc/sysrq-trigger")?;
    guest.ok("modprobe i6300esb; systemctl is-active soakproof")?;
    let said = guest.ok("journalctl --boot --unit soakproof --output cat")?;
    let outcome = guest.report()?;
    outcome.ensure_ends("failed", 0)?;
    let reset = outcome.finding("reset")?;
    ensure!(reset["stage"] == "long", "another stage: {reset}");
    let kept = outcome.report["run"]["sample_count"].as_u64();
    ensure!(
        kept.context("samples")? >= acknowledged,
        "{acknowledged} samples had been seen, {kept:?} are left"
    );
    ensure!(said.contains("went down"), "the service says: {said}");
    Ok(())
}
