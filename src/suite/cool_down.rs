//! The end of a suite with a claim: errors that hardware corrected and that do not announce themselves are
//! only looked for every now and then, so the machine is watched that long after the last load.

use std::time::Duration;

use crate::model::{Plan, Segment, Stage, StageGate};

/// Name of the stage that is added where a suite does not end idle.
const ADDED: &str = "watch for late errors";

/// Makes the idle end of `plan` at least `span` long when the plan claims an error rate.
pub fn cool_down_at_least(plan: &mut Plan, span: Duration) {
    if plan.claim.is_none() {
        return;
    }
    let idle = |stage: &Stage| stage.is_idle() && !stage.segments.is_empty();
    match plan.stages.last_mut().filter(|stage| idle(stage)) {
        Some(stage) => {
            let missing = span.saturating_sub(stage.length());
            if let Some(last) = stage.segments.last_mut() {
                last.length += missing;
            }
        }
        None => plan.stages.push(Stage {
            name: ADDED.to_owned(),
            segments: vec![Segment {
                length: span,
                loads: Vec::new(),
                programs: Vec::new(),
            }],
            gate: StageGate::Open,
        }),
    }
}
