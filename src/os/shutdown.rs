//! Whether the system is going down in an orderly way. Asked when this program is told to end, because
//! that is the difference between a shutdown and a crash for whoever reads the record later.

use std::time::Duration;

use super::program::{AskProgramError, Patience, ask_program};
use super::root::Root;

/// Made when logins end, which is early in a shutdown (pam_nologin(8), systemd-user-sessions.service(8)).
const NO_LOGINS: &str = "run/nologin";
const PATIENCE: Patience = Patience {
    time: Duration::from_secs(3),
    bytes: 200,
};

/// True while the system of `root` is being shut down. May take some seconds.
pub fn is_shutting_down(root: &Root) -> bool {
    if root.exists(NO_LOGINS) {
        return true;
    }
    if root.is_simulated() {
        return false;
    }
    // systemctl(1): says `stopping`, and ends with another status than 0, while a shutdown is under way.
    match ask_program("systemctl", &["is-system-running"], PATIENCE) {
        Err(AskProgramError::Status(_, _, words)) => words.trim() == "stopping",
        Ok(_) | Err(_) => false,
    }
}
