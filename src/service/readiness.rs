//! The system's service manager, where there is one: told how the service does, its watchdog fed while all
//! is alive. Whether it listens never matters to the queue.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use sd_notify::NotifyState;

use crate::os;
use crate::run::Pulse;

/// Sleeps; tells the system's watchdog meanwhile that everything is alive, and only while it is.
pub(super) async fn sleep(span: Duration, watchdog: Option<Duration>, pulse: Option<Pulse>) {
    let Some(period) = watchdog else {
        return tokio::time::sleep(span).await;
    };
    let pings = async {
        loop {
            let now = os::monotonic();
            if pulse.as_ref().is_none_or(|pulse| pulse.is_alive(now)) {
                ping();
            } else {
                tracing::error!("the run under way shows no life; the watchdog is not fed");
            }
            tokio::time::sleep(period).await;
        }
    };
    tokio::select! {
        () = tokio::time::sleep(span) => {}
        () = pings => {}
    }
}

/// Feeds the system's watchdog from a thread of its own: a service manager that does not read its socket
/// must not stop the queue.
fn ping() {
    static UNDER_WAY: AtomicBool = AtomicBool::new(false);
    if !UNDER_WAY.swap(true, Ordering::AcqRel) {
        let fed = os::start_aside("feed the system's watchdog", || {
            tell_system(&[NotifyState::Watchdog]);
            UNDER_WAY.store(false, Ordering::Release);
        });
        if !fed {
            UNDER_WAY.store(false, Ordering::Release);
        }
    }
}

/// Tells the system's service manager, where there is one; it does not matter whether it hears.
pub(super) fn tell_system(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "the service manager does not hear");
    }
}
