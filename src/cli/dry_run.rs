//! `run --dry-run`: the plan for this machine, and whether its checked time is enough for its claim.

use std::time::Duration;

use super::arguments::RunArguments;
use super::run::style;
use super::{Exit, put, put_json};
use crate::form::render_duration;
use crate::model::{Machine, Plan};
use crate::os;
use crate::report;
use crate::suite::{self, PlannedExposure, needed_exposure_s};

/// Shows the plan; starts nothing.
pub(super) fn show_plan(plan: &Plan, machine: &Machine, wanted: &RunArguments) -> Exit {
    let planned = suite::planned_exposure(plan, machine, &suite::known_kernels());
    let start = Some(os::moment().wall);
    let needs = needs(plan, &planned);
    if wanted.store.output.json {
        let mut value = report::plan_json(plan, start);
        let exposure: Vec<_> = needs
            .iter()
            .map(|need| {
                serde_json::json!({
                    "what": need.what, "planned_s": need.planned_s, "needed_s": need.needed_s,
                })
            })
            .collect();
        value["exposure"] = exposure.into();
        put_json(&value);
    } else {
        put(&report::plan_text(plan, start, style()));
        put("\nchecked time on every core, if no other program takes from it\n");
        for need in needs {
            let needed = match need.needed_s {
                Some(needed_s) => format!("; the claim needs {}", words(needed_s)),
                None => String::new(),
            };
            put(&format!(
                "{:<15} {}{needed}\n",
                need.what,
                words(need.planned_s)
            ));
        }
    }
    Exit::Fine
}

struct Need {
    what: &'static str,
    planned_s: f64,
    needed_s: Option<f64>,
}

fn needs(plan: &Plan, planned: &PlannedExposure) -> Vec<Need> {
    let claim = plan.claim.as_ref();
    let needed = |claim_s: f64| claim.map(|claim| needed_exposure_s(claim_s, claim.confidence));
    let total = claim.and_then(|claim| claim.total_s).and_then(needed);
    let mut needs = vec![Need {
        what: "in all",
        planned_s: planned.total_s,
        needed_s: total,
    }];
    for (class, planned_s) in &planned.per_class_s {
        let claims = claim.iter().flat_map(|claim| &claim.per_class_s);
        let of_class = claims.into_iter().find(|(known, _)| known == class);
        let needed_s = of_class.and_then(|(_, claim_s)| needed(*claim_s));
        needs.push(Need {
            what: class.words(),
            planned_s: *planned_s,
            needed_s,
        });
    }
    needs
}

fn words(seconds: f64) -> String {
    render_duration(Duration::from_secs_f64(seconds.max(0.0).round()))
}
