//! What a run means for the ledger: at which settings it ran, and what came out.

use crate::model::{
    Cause, Grade, LoadClass, RuleEffect, RunHeader, SettingValue, Standing, Verdict, Wall,
};

/// What stood at its edge in a run whose every answer was right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Edge {
    /// Hardware corrected errors: the margin is nearly gone.
    Corrected,
    /// Heat, throttling, cooling or clock.
    Heat,
}

/// A run with the place of the ledger at which it ran.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Number in the store.
    pub run: i64,
    /// Suite.
    pub suite: String,
    /// Boot during which it ran.
    pub boot_id: String,
    /// When it began.
    pub started: Wall,
    /// Where the ledger stood.
    pub standing: Standing,
    /// Grade of the verdict that holds; none while it runs, or when it was cut short.
    pub grade: Option<Grade>,
    /// Why it failed.
    pub causes: Vec<Cause>,
    /// Whether the suite ran to its end.
    pub complete: bool,
    /// Completed, checked time of the machine, seconds.
    pub exposure_s: f64,
    /// Faults in it.
    pub faults: u64,
    /// True when the suite claims a mean time between errors and its claims were shown.
    pub claim_shown: bool,
    /// True when the suite claims one.
    pub claims: bool,
    /// What stood at its edge.
    pub edge: Option<Edge>,
    /// Clock of the fastest core per load class, MHz.
    pub clocks: Vec<(LoadClass, f64)>,
}

impl Outcome {
    /// What `header` and the verdict that holds say; none for runs made without a ledger.
    pub fn of(run: i64, header: &RunHeader, verdict: Option<&Verdict>) -> Option<Self> {
        let standing = header.declared.standing.as_deref()?.clone();
        let claims = header.plan.claim.is_some();
        let rules = || verdict.iter().flat_map(|verdict| &verdict.rules);
        let mut claim_rules = rules().filter(|rule| rule.name == "claim");
        let shown = claim_rules.all(|rule| rule.effect == RuleEffect::Met);
        let edges = || rules().filter(|rule| rule.effect == RuleEffect::Marginal);
        let edge = if edges().any(|rule| rule.name == "hardware-errors") {
            Some(Edge::Corrected)
        } else {
            edges().next().map(|_| Edge::Heat)
        };
        Some(Self {
            run,
            suite: header.plan.suite.clone(),
            boot_id: header.machine.boot_id.clone(),
            started: header.started.wall,
            standing,
            grade: verdict.map(|verdict| verdict.grade),
            causes: verdict.map_or_else(Vec::new, |verdict| verdict.causes.clone()),
            complete: verdict.is_some_and(|verdict| verdict.complete),
            exposure_s: verdict.map_or(0.0, |verdict| verdict.total.exposure.machine_s),
            faults: verdict.map_or(0, |verdict| verdict.total.faults),
            claim_shown: claims && verdict.is_some() && shown,
            claims,
            edge,
            clocks: verdict.map_or_else(Vec::new, |verdict| {
                let clocks = verdict.clocks.iter();
                clocks
                    .map(|clock| (clock.class, clock.fastest_core_mhz))
                    .collect()
            }),
        })
    }

    /// True when it says something about the settings: it failed, stood at its edge, or ran to its end.
    pub fn judges(&self) -> bool {
        match self.grade {
            Some(Grade::Failed | Grade::Marginal) => true,
            Some(Grade::Provisional | Grade::Proven) => self.complete,
            Some(Grade::Inconclusive) | None => false,
        }
    }

    /// True when nothing was found in a whole suite.
    pub fn held(&self) -> bool {
        matches!(self.grade, Some(Grade::Provisional | Grade::Proven)) && self.complete
    }

    /// True when it began in an earlier boot and never ended: the machine went down under it.
    pub fn was_cut_short(&self, boot_id: &str) -> bool {
        self.grade.is_none() && self.boot_id != boot_id
    }

    /// True when it failed, or the machine went down under it.
    pub fn failed(&self, boot_id: &str) -> bool {
        self.grade == Some(Grade::Failed) || self.was_cut_short(boot_id)
    }

    /// True when what the machine showed was not what was declared.
    pub fn is_confounded(&self) -> bool {
        !self.standing.unexplained.is_empty() || !self.standing.unshown.is_empty()
    }

    /// True when it ran at exactly these settings.
    pub fn ran_at(&self, settings: &[SettingValue]) -> bool {
        self.standing.settings == settings
    }
}
