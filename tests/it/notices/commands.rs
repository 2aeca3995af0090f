//! Notices by a command of the person's.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use soakproof::model::NoticeEvent;
use soakproof::os::{Ended, event_loop, run_command};
use soakproof::service::notices::{Outcome, Target, Way, attempt};

use super::{NOW, notice};

fn script(folder: &Path, text: &str) -> String {
    format!("{text}\n").replace("HERE", folder.to_str().unwrap())
}

fn target(script: &str, limit: Duration) -> Target {
    Target {
        name: "mail".to_owned(),
        events: NoticeEvent::CHOICES.to_vec(),
        way: Way::Command {
            program: "/bin/sh".to_owned(),
            arguments: vec!["-c".to_owned(), script.to_owned()],
        },
        time_limit: limit,
    }
}

fn send(target: &Target) -> Outcome {
    let runtime = event_loop().unwrap();
    let told = notice(NoticeEvent::RunFinished);
    runtime.block_on(attempt(target, "msg_1", &told, NOW))
}

fn refused(outcome: &Outcome) -> &str {
    match outcome {
        Outcome::Refused { why, .. } => why,
        Outcome::Taken | Outcome::Gone => panic!("{outcome:?}"),
    }
}

const LONG: Duration = Duration::from_secs(20);

#[test]
fn a_command_gets_the_event_as_json_and_its_status_decides() {
    let folder = tempfile::tempdir().unwrap();
    let keep = script(folder.path(), "cat > HERE/event");
    assert_eq!(send(&target(&keep, LONG)), Outcome::Taken);
    let event = std::fs::read_to_string(folder.path().join("event")).unwrap();
    let event: serde_json::Value = serde_json::from_str(&event).unwrap();
    assert_eq!(event["type"], "run.finished");
    assert_eq!(event["data"]["id"], "msg_1");

    let outcome = send(&target(
        "echo first >&2; echo no such user >&2; exit 67",
        LONG,
    ));
    assert_eq!(
        refused(&outcome),
        "`/bin/sh` ended with status 67: no such user"
    );
    let outcome = send(&target("kill -9 $$", LONG));
    assert_eq!(refused(&outcome), "`/bin/sh` was ended by signal 9");
}

#[test]
fn a_command_that_is_not_there_is_told() {
    let mut absent = target("", LONG);
    absent.way = Way::Command {
        program: "/nowhere/mail".to_owned(),
        arguments: Vec::new(),
    };
    let outcome = send(&absent);
    assert!(
        refused(&outcome).starts_with("cannot start `/nowhere/mail`: "),
        "{outcome:?}"
    );
}

fn is_alive(pid: &str) -> bool {
    let stat = PathBuf::from("/proc").join(pid).join("stat");
    let stat = std::fs::read_to_string(stat).unwrap_or_default();
    let state = stat
        .rsplit_once(") ")
        .map(|(_, rest)| rest.starts_with('Z'));
    state == Some(false)
}

#[test]
fn a_command_that_hangs_is_ended_with_all_that_it_started() {
    let folder = tempfile::tempdir().unwrap();
    let hang = script(folder.path(), "sleep 30 & echo $! > HERE/pid; wait");
    let outcome = send(&target(&hang, Duration::from_secs(1)));
    assert_eq!(
        refused(&outcome),
        "`/bin/sh` was still running after 1 s and was ended"
    );
    let pid = std::fs::read_to_string(folder.path().join("pid")).unwrap();
    let begun = Instant::now();
    while is_alive(pid.trim()) {
        assert!(begun.elapsed() < Duration::from_secs(10), "{pid} lives");
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn neither_input_that_nobody_reads_nor_endless_output_holds_anything() {
    let input = vec![b'x'; 1 << 20];
    let arguments = |script: &str| ["-c".to_owned(), script.to_owned()];
    let end = run_command("/bin/sh", &arguments("exit 0"), &input, LONG).unwrap();
    assert_eq!(end.ended, Some(Ended::Status(0)));
    let noisy = "i=0; while [ $i -lt 20000 ]; do echo line $i; echo line $i >&2; i=$((i+1)); done";
    let end = run_command("/bin/sh", &arguments(noisy), b"", LONG).unwrap();
    assert_eq!(end.ended, Some(Ended::Status(0)));
    assert!(end.words.ends_with("line 19999") && end.words.len() <= 2048);
    // A grandchild that keeps the pipe open does not hold the end.
    let end = run_command("/bin/sh", &arguments("sleep 2 & exit 3"), b"", LONG).unwrap();
    assert_eq!(end.ended, Some(Ended::Status(3)));
}
