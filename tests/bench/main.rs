//! The virtual bench: the program in a guest with the kernel's own drivers, and trouble made from outside.
//!
//!     cargo test --test bench -- all           # every case
//!     cargo test --test bench -- list          # their names
//!     cargo test --test bench -- heat-ceiling flip-walk
//!
//! `SOAKPROOF_BENCH_PROGRAM` names another program to be looked at, one with a defect that was planted, say.
//!
//! What a case leaves behind (console, disk, timeline) stays in `target/bench/cases/`.

#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "this program drives others and speaks to the one who started it"
)]

mod cases;
mod debian;
mod disk_log;
mod gdb;
mod guest;
mod host;
mod image;
mod packages;
mod qmp;
mod receiver;
mod shell;
mod trial;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use anyhow::{Context, Result, ensure};

use crate::cases::Case;
use crate::guest::Setup;
use crate::packages::Packages;

/// Cases that run side by side.
const GUESTS_AT_ONCE: usize = 2;

/// What a case gets.
#[derive(Debug)]
pub(crate) struct Bench {
    packages: Packages,
    /// What is looked at.
    program: PathBuf,
    initrd: PathBuf,
    cache: PathBuf,
}

impl Bench {
    fn prepare() -> Result<Self> {
        let built = PathBuf::from(env!("CARGO_BIN_EXE_soakproof"));
        let program =
            std::env::var_os("SOAKPROOF_BENCH_PROGRAM").map_or(built.clone(), PathBuf::from);
        let target = built.parent().and_then(Path::parent);
        let cache = target
            .context("the program lies in a target folder")?
            .join("bench");
        std::fs::create_dir_all(&cache)?;
        let packages = Packages::fetch(&cache)?;
        let initrd = image::make(&packages, &program, &cache)?;
        Ok(Self {
            packages,
            program,
            initrd,
            cache,
        })
    }

    /// A guest with a folder and an empty disk of its own.
    pub(crate) fn setup(&self, name: &str) -> Result<Setup> {
        let folder = self.cache.join("cases").join(name);
        if folder.exists() {
            std::fs::remove_dir_all(&folder)?;
        }
        std::fs::create_dir_all(&folder)?;
        let setup = Setup {
            folder,
            kernel: self.packages.kernel(),
            initrd: self.initrd.clone(),
            cpus: 2,
            kernel_words: String::new(),
            arguments: Vec::new(),
            drive: None,
            cpu: String::new(),
            window: Vec::new(),
        };
        let disk = setup.disk().to_string_lossy().into_owned();
        host::output("truncate", &["-s", "96M", &disk])?;
        host::output("mkfs.ext4", &["-q", "-F", &disk])?;
        Ok(setup)
    }

    /// The guest's own tools, which work on the host, too.
    pub(crate) fn busybox(&self) -> PathBuf {
        self.packages.path("bin/busybox")
    }

    /// Tables of the firmware's, compiled; the path.
    pub(crate) fn compile_table(&self, folder: &Path, name: &str, text: &str) -> Result<String> {
        let source = folder.join(format!("{name}.asl"));
        std::fs::write(&source, text)?;
        let compiler = self
            .packages
            .path("usr/bin/iasl")
            .to_string_lossy()
            .into_owned();
        host::run_in(folder, &compiler, &["-p", name, &source.to_string_lossy()])?;
        Ok(folder
            .join(format!("{name}.aml"))
            .to_string_lossy()
            .into_owned())
    }
}

fn main() -> ExitCode {
    let wanted: Vec<String> = std::env::args()
        .skip(1)
        .filter(|word| !word.starts_with("--"))
        .collect();
    if wanted.is_empty() || wanted == ["list"] {
        println!("name cases, or `all`:");
        for case in cases::ALL {
            println!("  {:<16} {}", case.name, case.shows);
        }
        println!("by name only, not among `all`:");
        for case in cases::BY_NAME {
            println!("  {:<16} {}", case.name, case.shows);
        }
        return ExitCode::SUCCESS;
    }
    if !host::has("qemu-system-x86_64") {
        println!("SKIPPED: qemu-system-x86_64 is missing (apt install qemu-system-x86)");
        return if std::env::var_os("CI").is_some() {
            ExitCode::FAILURE
        } else {
            ExitCode::SUCCESS
        };
    }
    match run(&wanted) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            println!("the bench cannot be set up: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn run(wanted: &[String]) -> Result<bool> {
    let all = wanted == ["all"];
    for name in wanted.iter().filter(|_| !all) {
        let known = known().any(|case| case.name == name);
        ensure!(known, "there is no case `{name}`; see `list`");
    }
    let begun = Instant::now();
    let bench = Bench::prepare()?;
    let chosen = known().filter(|case| {
        let part_of_all = cases::ALL.iter().any(|one| one.name == case.name);
        all && part_of_all || wanted.iter().any(|name| name == case.name)
    });
    let waiting = Mutex::new(chosen.collect::<VecDeque<&Case>>());
    let done = Mutex::new(Vec::new());
    // A guest idles much of its time.
    std::thread::scope(|scope| {
        for _ in 0..GUESTS_AT_ONCE {
            scope.spawn(|| {
                while let Some(case) = next(&waiting) {
                    let ended = run_case(&bench, case);
                    locked(&done).push(ended);
                }
            });
        }
    });
    let done = locked(&done);
    println!();
    for ended in done.iter() {
        println!("{ended}");
    }
    let red = done.iter().filter(|ended| !ended.holds).count();
    println!(
        "{} cases in {} s, {GUESTS_AT_ONCE} at once; {red} of them red",
        done.len(),
        begun.elapsed().as_secs()
    );
    Ok(red == 0)
}

/// How a case went.
#[derive(Debug)]
struct Ended {
    name: &'static str,
    holds: bool,
    took_s: u64,
}

impl std::fmt::Display for Ended {
    fn fmt(&self, to: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let word = if self.holds { "ok" } else { "RED" };
        write!(to, "{word:<6} {:<16} {:>4} s", self.name, self.took_s)
    }
}

fn known() -> impl Iterator<Item = &'static Case> {
    cases::ALL.iter().chain(cases::BY_NAME)
}

fn next<'c>(waiting: &Mutex<VecDeque<&'c Case>>) -> Option<&'c Case> {
    locked(waiting).pop_front()
}

fn locked<T>(shared: &Mutex<T>) -> MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Runs one case and tells how it went.
fn run_case(bench: &Bench, case: &Case) -> Ended {
    let begun = Instant::now();
    let outcome = (case.run)(bench);
    let ended = Ended {
        name: case.name,
        holds: outcome.is_ok(),
        took_s: begun.elapsed().as_secs(),
    };
    match outcome {
        Ok(()) => println!("{ended}"),
        Err(error) => {
            let timelines = timelines(&bench.cache.join("cases"), case.name);
            println!("{ended}  {error:#}\n{timelines}");
        }
    }
    ended
}

/// What was done to the guests of a case, and what they said.
fn timelines(cases: &Path, case: &str) -> String {
    let names = host::names_in(cases).unwrap_or_default().into_iter();
    let own = names.filter(|name| name == case || name.starts_with(&format!("{case}-")));
    let texts = own.map(|name| {
        let text = std::fs::read_to_string(cases.join(&name).join("timeline"));
        format!("-- {name}\n{}", text.unwrap_or_default())
    });
    texts.collect()
}
