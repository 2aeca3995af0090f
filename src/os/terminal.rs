//! The terminal that a person sits at: whether there is one to draw on, and keys that stay signals.

use std::io::{self, IsTerminal};

use nix::libc::_POSIX_VDISABLE;
use nix::sys::signal::{Signal, raise};
use nix::sys::termios::{LocalFlags, SetArg, SpecialCharacterIndices, tcgetattr, tcsetattr};

/// True when a full screen can be drawn on standard error and keys be read: both are terminals, and one
/// that can move its cursor.
#[expect(
    clippy::disallowed_methods,
    reason = "this is the door to the environment"
)]
pub fn can_draw_screen() -> bool {
    let moves = std::env::var("TERM").is_ok_and(|name| !name.is_empty() && name != "dumb");
    moves && io::stderr().is_terminal() && io::stdin().is_terminal()
}

/// True where the person wants no colour (`NO_COLOR` set to anything, as no-color.org says).
pub fn wants_no_colour() -> bool {
    std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty())
}

/// True where texts may hold more than ASCII: the first of `LC_ALL`, `LC_CTYPE` and `LANG` that is set
/// (POSIX, 8.2) names UTF-8.
#[expect(
    clippy::disallowed_methods,
    reason = "this is the door to the environment"
)]
pub fn knows_unicode() -> bool {
    let names = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter();
    let set = names.filter_map(|name| std::env::var(name).ok());
    let mut set = set.filter(|value| !value.is_empty());
    set.next().is_some_and(|locale| {
        let locale = locale.to_ascii_lowercase();
        locale.contains("utf-8") || locale.contains("utf8")
    })
}

/// Has Ctrl-C stay a signal on a terminal that gives single keys, and takes the keys away that would end
/// or freeze this process without its screen being put back.
///
/// # Errors
/// The terminal refuses.
pub fn keep_interrupts() -> io::Result<()> {
    let input = io::stdin();
    let mut terminal = tcgetattr(&input)?;
    terminal.local_flags.insert(LocalFlags::ISIG);
    for key in [
        SpecialCharacterIndices::VSUSP,
        SpecialCharacterIndices::VQUIT,
    ] {
        terminal.control_chars[key as usize] = _POSIX_VDISABLE;
    }
    tcsetattr(&input, SetArg::TCSANOW, &terminal)?;
    Ok(())
}

/// The same as Ctrl-C, from within.
pub fn interrupt_self() {
    if let Err(error) = raise(Signal::SIGINT) {
        tracing::warn!(%error, "the wish to end did not get through");
    }
}
