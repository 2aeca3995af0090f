//! Known good profiles: settings with a name, and the run that shows that they hold.

use super::book::Ledger;
use super::outcome::Outcome;
use crate::model::{Amount, Grade, KnownGood, SettingValue};

const MOST_CHARS: usize = 40;

/// The present settings cannot be named as good.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NameGoodError {
    /// A name that cannot be typed or shown.
    #[error(
        "`{name}` is no name of a profile: up to {MOST_CHARS} letters, digits, hyphens and \
         underscores, and neither `list` nor `diff`"
    )]
    Name {
        /// The name.
        name: String,
    },
    /// Nothing is declared.
    #[error("no setting has a value yet, so there is nothing to name: `soakproof setting --help`")]
    NoSettings,
    /// No run held at them.
    #[error(
        "nothing shows yet that the present settings are good ({settings}): `soakproof run recheck` at \
         least, `soakproof run overnight` better"
    )]
    NotShown {
        /// Present settings.
        settings: String,
    },
    /// A later run says otherwise.
    #[error("the present settings are not good: run {run} at them ended {grade}")]
    Bad {
        /// Run.
        run: i64,
        /// What came out.
        grade: String,
    },
    /// No such profile.
    #[error("no profile is called `{name}`{}", known_words(known))]
    Unknown {
        /// The name.
        name: String,
        /// Known ones.
        known: Vec<String>,
    },
}

fn known_words(known: &[String]) -> String {
    if known.is_empty() {
        "; none is named yet: `soakproof good NAME`".to_owned()
    } else {
        format!("; known are `{}`", known.join("`, `"))
    }
}

/// The profile that names the present settings.
///
/// # Errors
/// When no run at exactly these settings held, or one found something after it.
pub fn check_good(
    ledger: &Ledger,
    name: &str,
    slot: Option<&str>,
) -> Result<KnownGood, NameGoodError> {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    let reserved = matches!(name, "list" | "diff");
    if name.is_empty() || name.len() > MOST_CHARS || !name.chars().all(plain) || reserved {
        let name = name.escape_debug().collect();
        return Err(NameGoodError::Name { name });
    }
    let settings = ledger.values();
    if settings.is_empty() {
        return Err(NameGoodError::NoSettings);
    }
    let here = || ledger.outcomes().iter().filter(|o| o.ran_at(&settings));
    let bad = here().filter(|o| o.failed(ledger.boot_id()) || o.grade == Some(Grade::Marginal));
    if let Some(bad) = bad.max_by_key(|bad| bad.run) {
        let grade = bad.grade.map_or("cut short".to_owned(), |g| g.to_string());
        return Err(NameGoodError::Bad {
            run: bad.run,
            grade,
        });
    }
    let held = here().filter(|outcome| outcome.held() && !outcome.is_confounded());
    let strength = |outcome: &&Outcome| (outcome.grade, outcome.claim_shown, outcome.run);
    let Some(best) = held.max_by_key(strength) else {
        let settings: Vec<String> = settings.iter().map(ToString::to_string).collect();
        return Err(NameGoodError::NotShown {
            settings: settings.join(", "),
        });
    };
    Ok(KnownGood {
        name: name.to_owned(),
        slot: slot.map(|slot| slot.chars().filter(|c| !c.is_control()).collect()),
        run: best.run,
        settings,
    })
}

/// The profile called `name`.
///
/// # Errors
/// Names those that are known.
pub fn find_profile<'a>(ledger: &'a Ledger, name: &str) -> Result<&'a KnownGood, NameGoodError> {
    let profiles = || ledger.profiles().iter().map(|(_, profile)| profile);
    profiles()
        .find(|profile| profile.name == name)
        .ok_or_else(|| NameGoodError::Unknown {
            name: name.escape_debug().collect(),
            known: profiles().map(|profile| profile.name.clone()).collect(),
        })
}

/// A setting whose value differs between two profiles.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Setting.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Value in the one; none where it is not in it.
    pub one: Option<Amount>,
    /// Value in the other.
    pub other: Option<Amount>,
}

/// Settings that differ between `one` and `other`.
pub fn compare_settings(one: &[SettingValue], other: &[SettingValue]) -> Vec<Difference> {
    let value = |settings: &[SettingValue], name: &str| {
        settings
            .iter()
            .find(|known| known.name == name)
            .map(|known| known.value)
    };
    let only_other = other
        .iter()
        .filter(|known| value(one, &known.name).is_none());
    let differences = one.iter().chain(only_other).map(|known| Difference {
        name: known.name.clone(),
        unit: known.unit.clone(),
        one: value(one, &known.name),
        other: value(other, &known.name),
    });
    differences
        .filter(|difference| difference.one != difference.other)
        .collect()
}
