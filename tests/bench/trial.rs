//! A run of the program in a guest: started in the background, so that the host can act meanwhile.

use anyhow::{Context, Result, ensure};
use base64::Engine as _;
use serde_json::Value;

use crate::guest::Guest;

/// Folder of the record on the guest's disk.
pub(crate) const STORE: &str = "/data/store";

/// Names the processes that work; supervisor and workers are of one executable.
const WORKERS: &str = "for pid in $(pidof soakproof); do tr '\\0' ' ' < /proc/$pid/cmdline | grep -q ' worker' && \
                       echo $pid; done";

/// What the guest says on its console when a run has ended.
const ENDED: &str = "BENCH-TRIAL-ENDED";

/// What a run came to.
#[derive(Debug)]
pub(crate) struct Outcome {
    /// Exit code of the program.
    pub(crate) status: i32,
    /// What `run --json` printed.
    pub(crate) report: Value,
}

const HEAD: &str = "about = \"a trial\"\nasserts = [\"answers\"]\nstall-after = \"20s\"\n";

/// A suite without a claim: an idle start, a short whole stage and a long one of the same load.
pub(crate) fn suite(load: &str, long_s: u32) -> String {
    let idle = "[[stage]]\nname = \"idle\"\ntime = \"1s\"\n";
    let first = format!("[[stage]]\nname = \"first\"\ntime = \"2s\"\n{load}\n");
    format!("{HEAD}{idle}{first}{}", long_stage(load, long_s))
}

/// A suite of the long stage alone, so that a worker that was found stays.
pub(crate) fn one_stage(load: &str, long_s: u32) -> String {
    format!("{HEAD}{}", long_stage(load, long_s))
}

fn long_stage(load: &str, long_s: u32) -> String {
    format!("[[stage]]\nname = \"long\"\ntime = \"{long_s}s\"\n{load}\n")
}

/// Scalar integers, cheap to emulate, on one of a guest's two processors: as many as the host has are then at work in
/// the guests that run side by side, and none of them starves.
pub(crate) const INTEGERS: &str = "[[stage.load]]\nkernels = [\"int-streams.reg\"]\ncores = [1]";

impl Guest {
    /// Writes a file in the guest.
    pub(crate) fn write(&mut self, path: &str, text: &str) -> Result<()> {
        let coded = base64::engine::general_purpose::STANDARD.encode(text);
        self.ok(&format!("echo {coded} | base64 -d > {path}"))?;
        Ok(())
    }

    /// Starts a run of `suite` and waits until there is load.
    pub(crate) fn start_run(&mut self, suite: &str, options: &str) -> Result<()> {
        self.begin_run(suite, options)?;
        if !self.wait_for_load()? {
            let words = self.ok("cat /tmp/status /tmp/words")?;
            anyhow::bail!("the run ended before there was load: {words}");
        }
        Ok(())
    }

    /// Starts a run of `suite`.
    pub(crate) fn begin_run(&mut self, suite: &str, options: &str) -> Result<()> {
        self.write("/tmp/trial.toml", suite)?;
        self.ok("rm -f /tmp/status /tmp/report")?;
        self.ended_before = self.ends_told();
        self.ok(&format!(
            "(soakproof run /tmp/trial.toml --store {STORE} --json {options} > /tmp/report 2> /tmp/words; \
             echo $? > /tmp/status; echo {ENDED} > /dev/console) > /dev/null 2>&1 &"
        ))?;
        Ok(())
    }

    /// Waits until there are workers; false when the run ends instead.
    pub(crate) fn wait_for_load(&mut self) -> Result<bool> {
        let command = format!("{WORKERS}; [ ! -f /tmp/status ] || echo ended");
        let said = self.until(&command, |text| !text.is_empty())?;
        Ok(!said.contains("ended"))
    }

    /// Waits for the run's end, and ensures that it left nobody at work.
    pub(crate) fn finish_run(&mut self) -> Result<Outcome> {
        let outcome = self.end_of_run()?;
        let orphans = self.run(WORKERS)?.text;
        ensure!(orphans.is_empty(), "workers are left: {orphans}");
        Ok(outcome)
    }

    /// Waits for the run's end.
    pub(crate) fn end_of_run(&mut self) -> Result<Outcome> {
        let status = self.until("cat /tmp/status", |text| {
            !text.is_empty() && !text.contains("No such")
        })?;
        let words = self.ok("cat /tmp/words")?;
        let report = self
            .json("cat /tmp/report")
            .with_context(|| words.clone())?;
        Ok(Outcome {
            status: status.parse()?,
            report,
        })
    }

    /// True when the run has ended, also while the guest stands still and cannot be asked.
    pub(crate) fn has_ended(&self) -> bool {
        self.ends_told() > self.ended_before
    }

    /// Runs that ended, in this start of the machine and in those before.
    fn ends_told(&self) -> usize {
        // A prompt may stand before it.
        let console = self.console();
        let ends = console.lines().filter(|line| line.trim().ends_with(ENDED));
        ends.count()
    }

    /// What the last run read of a channel, named as in its table.
    pub(crate) fn readings(&mut self, channel: &str) -> Result<Vec<f64>> {
        let table = self.ok(&format!("soakproof export last --csv --store {STORE}"))?;
        let mut table = csv::Reader::from_reader(table.as_bytes());
        let place = table.headers()?.iter().position(|name| name == channel);
        let place = place.with_context(|| format!("no `{channel}` in {:?}", table.headers()))?;
        let mut readings = Vec::new();
        for row in table.records() {
            readings.extend(row?.get(place).and_then(|cell| cell.parse::<f64>().ok()));
        }
        Ok(readings)
    }

    /// A report on the last run, by the command of that name, which also closes what was cut short.
    pub(crate) fn report(&mut self) -> Result<Outcome> {
        self.report_in(STORE)
    }

    /// The same of a record elsewhere.
    pub(crate) fn report_in(&mut self, store: &str) -> Result<Outcome> {
        let report = self.json(&format!("soakproof report last --store {store} --json"))?;
        Ok(Outcome { status: 0, report })
    }
}

/// A number in a part of a report.
pub(crate) fn figure(part: &Value, name: &str) -> Result<f64> {
    part[name]
        .as_f64()
        .with_context(|| format!("no `{name}`: {part}"))
}

impl Outcome {
    /// The grade.
    pub(crate) fn grade(&self) -> &str {
        self.report["verdict"]["grade"].as_str().unwrap_or("none")
    }

    /// What a failed machine failed at.
    pub(crate) fn causes(&self) -> Vec<&str> {
        let causes = self.report["verdict"]["causes"].as_array();
        causes
            .map(Vec::as_slice)
            .unwrap_or_default()
            .iter()
            .filter_map(Value::as_str)
            .collect()
    }

    /// The findings of one kind.
    pub(crate) fn findings(&self, kind: &str) -> Vec<&Value> {
        let all = self.report["run"]["findings"].as_array();
        let all = all.map(Vec::as_slice).unwrap_or_default();
        all.iter()
            .filter(|finding| finding["kind"]["kind"] == kind)
            .collect()
    }

    /// The only finding of one kind.
    pub(crate) fn finding(&self, kind: &str) -> Result<&Value> {
        let found = self.findings(kind);
        ensure!(
            found.len() == 1,
            "{} findings `{kind}`: {}",
            found.len(),
            self.report["run"]["findings"]
        );
        Ok(found[0])
    }

    /// Ensures grade and exit code.
    pub(crate) fn ensure_ends(&self, grade: &str, status: i32) -> Result<()> {
        ensure!(
            (self.grade(), self.status) == (grade, status),
            "{} with {} instead of {grade} with {status}; findings {}, gaps {}, end {}",
            self.grade(),
            self.status,
            self.report["run"]["findings"],
            self.report["run"]["gaps"],
            self.report["run"]["end"]
        );
        Ok(())
    }

    /// Ensures a gap of one kind.
    pub(crate) fn ensure_gap(&self, kind: &str) -> Result<()> {
        let gaps = &self.report["run"]["gaps"];
        let all = gaps.as_array().map(Vec::as_slice).unwrap_or_default();
        ensure!(
            all.iter().any(|gap| gap["kind"] == kind),
            "no gap `{kind}`: {gaps}"
        );
        Ok(())
    }

    /// Seconds since the guest's kernel started at which the last worker had ended.
    pub(crate) fn load_ended_s(&self) -> Result<f64> {
        let workers = self.report["run"]["workers"]
            .as_array()
            .context("workers")?;
        let ends = workers
            .iter()
            .filter_map(|worker| worker["at"]["mono"].as_f64());
        let last = ends.reduce(f64::max).context("no worker has ended")?;
        Ok(last / 1e9)
    }
}
