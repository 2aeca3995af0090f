//! Why a job waits, in words.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::agenda::{Checked, Wait};
use crate::model::{HoldKind, Wall};

/// One reason, as a phrase that goes on from 'waits:'.
pub(super) fn wait_words(wait: &Wait, zone: &TimeZone) -> String {
    match wait {
        Wait::Held(kind) => hold_words(*kind).to_owned(),
        Wait::Until(at) => format!("until {}", time_words(*at, zone)),
        Wait::Window(at) => format!("for its window, {}", time_words(*at, zone)),
        Wait::NeverFits => "it fits into its window on none of the next days".to_owned(),
        Wait::Change => "for the first boot after a declared change".to_owned(),
        Wait::Recheck(Checked::NotClean { run }) => format!(
            "run {run} rechecked these settings and did not come out clean; queue it with \
             --unchecked to start it all the same"
        ),
        Wait::Recheck(Checked::Never | Checked::Clean { .. }) => {
            "for a `recheck` that finds nothing at these settings (`soakproof queue add recheck`); \
             --unchecked starts it without"
                .to_owned()
        }
        Wait::Hub => "the hub that ordered it is not heard".to_owned(),
        Wait::Settling => "until the machine has settled after its start".to_owned(),
        Wait::Session => "somebody uses the machine".to_owned(),
        Wait::Load => "other programs compute".to_owned(),
        Wait::Idle => "until the machine has been idle long enough".to_owned(),
        Wait::Room(job, at) => format!(
            "it would still run at {}, when job {job} may start",
            time_words(*at, zone)
        ),
    }
}

fn hold_words(kind: HoldKind) -> &'static str {
    match kind {
        HoldKind::Paused => "the queue is paused (`soakproof queue resume`)",
        HoldKind::AfterReset => "held after a reset (`soakproof queue release`)",
        HoldKind::KernelCommandLine => "held by the kernel command line",
        HoldKind::HoldFile => "held by a file",
        HoldKind::Storage => "the queue cannot be written down",
    }
}

fn time_words(at: Wall, zone: &TimeZone) -> String {
    match Timestamp::from_millisecond(at.0) {
        Ok(time) => time
            .to_zoned(zone.clone())
            .strftime("%Y-%m-%d %H:%M %Z")
            .to_string(),
        Err(_) => "a time that cannot be shown".to_owned(),
    }
}
