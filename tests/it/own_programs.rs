//! The person's own programs, run by the real binary as an unprivileged user.
#![expect(
    clippy::disallowed_methods,
    reason = "tests read what their programs left"
)]

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use serde_json::Value;

use crate::program::{PATIENCE, Trial, is_alive};

/// A stage with programs alone, each with its shell line, number of runs, and further keys.
fn suite(folder: &Path, programs: &[(&str, &str, u32, &str)]) -> String {
    let mut text =
        "about = \"own programs\"\nasserts = [\"answers\"]\non-finding = \"continue\"\n\n\
                    [[stage]]\nname = \"own\"\ntime = \"3s\"\n"
            .to_owned();
    for (name, line, times, keys) in programs {
        text.push_str(&format!(
            "\n[[stage.program]]\nname = \"{name}\"\ncommand = [\"/bin/sh\", \"-c\", \"{line}\"]\n\
             folder = \"{}\"\ntimes = {times}\n{}{keys}\n",
            folder.display(),
            user()
        ));
    }
    text
}

/// Root must name somebody else.
fn user() -> &'static str {
    if nix::unistd::geteuid().is_root() {
        "user = \"nobody\"\n"
    } else {
        ""
    }
}

/// A folder into which the unprivileged user may write.
fn shared(trial: &Trial) -> std::path::PathBuf {
    let open = |path: &Path| fs::set_permissions(path, fs::Permissions::from_mode(0o777));
    let folder = trial.folder.path().join("work");
    fs::create_dir(&folder).expect("a folder");
    open(&folder).expect("opened");
    fs::set_permissions(trial.folder.path(), fs::Permissions::from_mode(0o755)).expect("opened");
    folder
}

fn run(trial: &Trial, text: &str) -> (i32, Value, String) {
    let path = trial.suite(text);
    let output = trial.output(&["run", path.to_str().expect("text"), "--json"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let report = serde_json::from_slice(&output.stdout);
    let report = report.unwrap_or_else(|error| panic!("{error}: {said}"));
    (output.status.code().expect("a code"), report, said)
}

fn failure<'a>(report: &'a Value, program: &str) -> &'a Value {
    let findings = report["verdict"]["findings"].as_array().expect("findings");
    let own = findings
        .iter()
        .find(|found| found["kind"]["program"] == program);
    own.unwrap_or_else(|| panic!("no finding of {program} in {findings:#?}"))
}

/// Name, shell line, runs and keys of a program that is right and of one for each way to fail.
fn ways_to_fail() -> [(&'static str, &'static str, u32, &'static str); 7] {
    [
        (
            "good",
            "id -un > who; echo same > good.out",
            2,
            "limit = \"40s\"\noutput = \"good.out\"",
        ),
        (
            "drifts",
            "date +%N > drift.out",
            2,
            "limit = \"40s\"\noutput = \"drift.out\"",
        ),
        ("mute", "true", 1, "limit = \"40s\"\noutput = \"mute.out\""),
        (
            "stale",
            "test -e stale.out || echo once > stale.out",
            2,
            "limit = \"40s\"\noutput = \"stale.out\"",
        ),
        ("fails", "echo oh no >&2; exit 3", 1, "limit = \"40s\""),
        ("dies", "kill -SEGV $$", 1, "limit = \"40s\""),
        (
            "late",
            "echo $$ > late.pid; exec sleep 90",
            1,
            "limit = \"2s\"",
        ),
    ]
}

#[test]
fn each_way_to_fail_is_a_finding_of_its_own_and_nothing_is_left_running() {
    let trial = Trial::new();
    let folder = shared(&trial);
    let text = suite(&folder, &ways_to_fail());
    let (code, report, said) = run(&trial, &text);
    assert_eq!(code, 4, "{said}");
    let kind = |program: &str| failure(&report, program)["kind"]["failure"].clone();
    assert_eq!(kind("drifts")["fault"], "other-output");
    assert_eq!(kind("mute")["fault"], "no-output");
    assert_eq!(
        kind("stale")["fault"],
        "no-output",
        "what stood there before is no output"
    );
    assert_eq!(
        (&kind("fails")["fault"], &kind("fails")["status"]),
        (&"status".into(), &3.into())
    );
    assert_eq!(failure(&report, "fails")["kind"]["words"], "oh no");
    assert_eq!(
        (&kind("dies")["fault"], &kind("dies")["signal"]),
        (&"signal".into(), &11.into())
    );
    assert_eq!(kind("late")["fault"], "late");
    assert_eq!(
        report["verdict"]["findings"].as_array().map(Vec::len),
        Some(6)
    );
    assert_eq!(
        report["verdict"]["causes"],
        serde_json::json!(["own-program"])
    );
    assert_eq!(report["verdict"]["diagnoses"][0]["pattern"], "own-program");
    let good = report["run"]["program_runs"].as_array().expect("runs");
    let of = |name: &str| {
        good.iter()
            .filter(|run| run["what"]["program"] == name)
            .count()
    };
    assert_eq!((of("good"), of("stale"), of("mute")), (2, 1, 0));
    let who = fs::read_to_string(folder.join("who")).expect("it ran");
    if nix::unistd::geteuid().is_root() {
        assert_eq!(who.trim(), "nobody", "it must not run as root");
    }
    let pid = fs::read_to_string(folder.join("late.pid")).expect("it ran");
    assert!(
        !is_alive(pid.trim().parse().expect("a pid")),
        "it was left running"
    );
}

/// SHA-256 of `other` and a line feed, by coreutils' sha256sum.
const OTHER: &str = "7e4fa2eb8c7ac089739d5defc4489fad68a100d92082ca35c6b40a4524821f87";
/// The same of `same`.
const SAME: &str = "a6328afc76e9db71da297ebff4b0d3e7a7eb3b01d917c05a6573fef121b6ecb6";

#[test]
fn beside_kernels_good_runs_are_told_and_the_given_output_decides() {
    let trial = Trial::new();
    let folder = shared(&trial);
    let keys = "limit = \"40s\"\noutput = \"good.out\"";
    let beside = |text: String| {
        text.replace(
            "time = \"3s\"\n",
            "time = \"3s\"\n\n[[stage.load]]\nkernels = [\"int-streams.reg\"]\ncores = \"all\"\n",
        )
    };
    let line = "echo same > good.out";
    let (code, report, said) = run(&trial, &beside(suite(&folder, &[("good", line, 2, keys)])));
    assert_eq!(code, 0, "{said}");
    let rules = report["verdict"]["rules"].as_array().expect("rules");
    let own = rules
        .iter()
        .find(|rule| rule["name"] == "own-programs")
        .expect("the rule");
    assert_eq!(
        (&own["effect"], &own["figure"]),
        (&"met".into(), &"2 runs of `good` ended well".into())
    );
    assert!(report["verdict"]["total"]["exposure"]["passes"].as_u64() > Some(0));
    let given = format!("{keys}\nsha256 = \"{SAME}\"");
    let (code, ..) = run(&trial, &suite(&folder, &[("good", line, 1, &given)]));
    assert_eq!(code, 0);
    let other = format!("{keys}\nsha256 = \"{OTHER}\"");
    let (code, report, _) = run(&trial, &suite(&folder, &[("good", line, 1, &other)]));
    assert_eq!(code, 4);
    let kind = &failure(&report, "good")["kind"]["failure"];
    assert_eq!(
        (&kind["expected"], &kind["got"]),
        (&OTHER.into(), &SAME.into())
    );
    // The three runs have one name and three plans, so the last one stands alone.
    let output = trial.output(&["trend", "--json"]);
    let trend: Value = serde_json::from_slice(&output.stdout).expect("a trend");
    assert_eq!(trend["schema"], "soakproof.trend/1");
    assert_eq!(trend["runs"].as_array().map(Vec::len), Some(1));
    assert_eq!(
        (&trend["runs"][0]["run"], &trend["cooling"]),
        (&3.into(), &Value::Null)
    );
    let text = trial.output(&["trend", "1"]).stdout;
    assert!(String::from_utf8_lossy(&text).contains("nothing can be said"));
}

#[test]
fn a_program_that_cannot_be_started_interrupts_the_run_and_accuses_nobody() {
    let trial = Trial::new();
    let folder = shared(&trial);
    let text = suite(&folder, &[("good", "true", 1, "limit = \"40s\"")]);
    let text = match user() {
        "" => text.replace("limit =", "user = \"no-such-user-here\"\nlimit ="),
        user => text.replace(user, "user = \"no-such-user-here\"\n"),
    };
    let begun = std::time::Instant::now();
    let (code, report, _) = run(&trial, &text);
    assert!(begun.elapsed() < PATIENCE);
    assert_eq!(code, 5);
    assert_eq!(report["verdict"]["findings"], serde_json::json!([]));
    let reason = report["run"]["end"]["reason"].as_str().expect("a reason");
    assert!(reason.contains("no-such-user-here"), "{reason}");
}
