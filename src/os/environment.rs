//! What the process finds around it: state folder, terminal.
#![expect(
    clippy::disallowed_methods,
    reason = "this is the door to the environment"
)]

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// No folder for the record could be named.
#[derive(Debug, thiserror::Error)]
#[error("no place for the record: neither `XDG_STATE_HOME` nor `HOME` is set; give `--store DIR`")]
pub struct StateFolderError;

/// `$XDG_STATE_HOME/soakproof`, else `~/.local/state/soakproof` (XDG Base Directory
/// Specification 0.8). Relative values are ignored, as it says.
///
/// # Errors
/// Neither variable holds an absolute path.
pub fn state_folder() -> Result<PathBuf, StateFolderError> {
    absolute("XDG_STATE_HOME")
        .or_else(|| absolute("HOME").map(|home| home.join(".local/state")))
        .map(|base| base.join("soakproof"))
        .ok_or(StateFolderError)
}

/// Name of the service's socket within its folder.
const SOCKET_NAME: &str = "soakproof.sock";

/// Where a service started here listens: in `$RUNTIME_DIRECTORY` (systemd.exec(5)), else in
/// `$XDG_RUNTIME_DIR`, else in `/run/soakproof`.
pub fn own_socket() -> PathBuf {
    own_runtime_folder()
        .unwrap_or_else(system_runtime_folder)
        .join(SOCKET_NAME)
}

/// Where a service may be found: the person's own first, then that of the machine.
pub fn known_sockets() -> Vec<PathBuf> {
    let own = own_runtime_folder();
    let folders = own.into_iter().chain([system_runtime_folder()]);
    folders.map(|folder| folder.join(SOCKET_NAME)).collect()
}

fn own_runtime_folder() -> Option<PathBuf> {
    let first_of = |list: std::ffi::OsString| std::env::split_paths(&list).next();
    std::env::var_os("RUNTIME_DIRECTORY")
        .and_then(first_of)
        .or_else(|| std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from))
        .filter(|path| path.is_absolute())
}

fn system_runtime_folder() -> PathBuf {
    PathBuf::from("/run/soakproof")
}

/// The configuration that the environment names (`SOAKPROOF_CONFIG`).
pub fn named_configuration() -> Option<PathBuf> {
    std::env::var_os("SOAKPROOF_CONFIG").map(PathBuf::from)
}

/// Where the configuration is looked for when nobody names it: the machine's for root, else
/// `$XDG_CONFIG_HOME/soakproof`, else `~/.config/soakproof` (XDG Base Directory Specification 0.8).
pub fn configuration_file() -> Option<PathBuf> {
    const NAME: &str = "soakproof/soakproof.toml";
    if nix::unistd::geteuid().is_root() {
        return Some(Path::new("/etc").join(NAME));
    }
    absolute("XDG_CONFIG_HOME")
        .or_else(|| absolute("HOME").map(|home| home.join(".config")))
        .map(|base| base.join(NAME))
}

/// Where systemd has put the credentials of this unit (systemd.exec(5)).
pub fn credentials_folder() -> Option<PathBuf> {
    absolute("CREDENTIALS_DIRECTORY")
}

fn absolute(name: &str) -> Option<PathBuf> {
    std::env::var_os(name)
        .map(PathBuf::from)
        .filter(|path| path.is_absolute())
}

/// True when progress may be drawn over itself.
pub fn stderr_is_terminal() -> bool {
    std::io::stderr().is_terminal()
}

/// Width for text: `COLUMNS` where set and sensible, else 80.
pub fn terminal_width() -> u16 {
    let columns = std::env::var("COLUMNS")
        .ok()
        .and_then(|text| text.parse().ok());
    columns
        .filter(|width| (40..=400).contains(width))
        .unwrap_or(80)
}

/// Name of the machine's time zone (`Europe/Oslo`), by where `/etc/localtime` leads.
pub fn time_zone_name(root: &super::Root) -> Option<String> {
    let place = std::fs::read_link(root.path("etc/localtime")).ok()?;
    let place = place.to_string_lossy().into_owned();
    place
        .split_once("zoneinfo/")
        .map(|(_, zone)| zone.to_owned())
}

/// An error with its direct cause, in one line.
pub fn with_cause(error: &dyn std::error::Error) -> String {
    match error.source() {
        Some(source) => format!("{error}: {source}"),
        None => error.to_string(),
    }
}

/// Number of the user whose rights this process has.
pub fn own_uid() -> u32 {
    nix::unistd::geteuid().as_raw()
}
