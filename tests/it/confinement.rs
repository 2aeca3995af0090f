//! What a worker at work could do if it went mad: next to nothing, whoever started it.
#![expect(clippy::disallowed_methods, reason = "tests read /proc")]

use std::fs;

use crate::program::{COMPUTE, Trial};

#[test]
fn workers_at_work_have_no_right_left() {
    let trial = Trial::new();
    let running = trial.start(&COMPUTE.replace("20s", "3s"));
    let as_root = nix::unistd::geteuid().is_root();
    for worker in &running.workers {
        let status = fs::read_to_string(format!("/proc/{}/status", worker.pid)).unwrap();
        let field = |name: &str| {
            let mut lines = status.lines();
            let line = lines.find_map(|line| line.strip_prefix(name));
            line.unwrap_or_else(|| panic!("{name} in {status}")).trim()
        };
        assert_eq!(field("NoNewPrivs:"), "1");
        assert_eq!(field("Seccomp:"), "2", "a filter");
        for set in ["CapInh:", "CapPrm:", "CapEff:", "CapAmb:"] {
            assert_eq!(u64::from_str_radix(field(set), 16), Ok(0), "{set}");
        }
        if as_root {
            assert_eq!(u64::from_str_radix(field("CapBnd:"), 16), Ok(0));
        }
        let limits = fs::read_to_string(format!("/proc/{}/limits", worker.pid)).unwrap();
        let bound = |name: &str, most: &str| {
            let mut lines = limits.lines();
            let line = lines.find_map(|line| line.strip_prefix(name)).unwrap();
            assert_eq!(line.split_whitespace().next(), Some(most), "{name}");
        };
        bound("Max processes", "0");
        bound("Max core file size", "0");
        bound("Max open files", "64");
    }
    let (code, report) = running.finish();
    assert_eq!(code, 0, "{report:#}");
}
