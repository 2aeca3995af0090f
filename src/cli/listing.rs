//! `suites` and `kernels`: what can be run.

use super::arguments::{OutputArguments, SuiteArguments};
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::kernels::{catalogue, detect};
use crate::report::{self, KernelLine};
use crate::suite;

/// Lists the built-in suites or shows one.
pub(super) fn suites(wanted: &SuiteArguments) -> Result<Exit, Failure> {
    if let Some(name) = &wanted.name {
        let Some(builtin) = suite::builtin(name) else {
            let known = suite::builtin_names().join("`, `");
            return Err(Failure::usage(anyhow::anyhow!(
                "no suite is called `{name}`; built in are `{known}`"
            )));
        };
        put(builtin.text);
        return Ok(Exit::Fine);
    }
    let kernels = suite::known_kernels();
    let mut known = Vec::new();
    for builtin in suite::builtin_names()
        .into_iter()
        .filter_map(suite::builtin)
    {
        let parsed = suite::parse_suite(builtin.origin, builtin.text, &kernels)?;
        known.push((builtin.name, parsed.length(), parsed.about));
    }
    if wanted.output.json {
        let suites: Vec<_> = known
            .iter()
            .map(|(name, length, about)| {
                serde_json::json!({"name": name, "length_s": length.as_secs(), "about": about})
            })
            .collect();
        put_json(&serde_json::json!({"schema": "soakproof.suites/1", "suites": suites}));
    } else {
        for (name, length, about) in known {
            let minutes = length.as_secs().div_ceil(60);
            put(&format!("{name:<10} {minutes:>4} min  {about}\n"));
        }
    }
    Ok(Exit::Fine)
}

/// Lists the kernels.
pub(super) fn kernels(wanted: &OutputArguments) -> Result<Exit, Failure> {
    let detected = detect();
    let lines: Vec<KernelLine> = catalogue()
        .into_iter()
        .map(|spec| KernelLine {
            name: spec.name.to_owned(),
            class: spec.class,
            units: spec.units.to_vec(),
            level: spec.level,
            code: spec.best_path(&detected),
            about: spec.about.to_owned(),
        })
        .collect();
    if wanted.json {
        put_json(&report::kernels_json(&lines));
    } else {
        put(&report::kernels_text(&lines, style()));
    }
    Ok(Exit::Fine)
}
