//! `hub init`, `hub enrol`, `hub revoke`, `hub circuit`: who there is.

use std::path::PathBuf;
use std::time::Duration;

use super::super::{Exit, Failure, put, tell};
use super::Counter;
use super::arguments::{CircuitArguments, EnrolArguments, HubPlace, InitArguments};
use crate::fleet::hub::{HubFolder, NewHub};
use crate::fleet::protocol::{Circuit, DeskEntry, MachineName, Registration};
use crate::os::{self, Patience};
use crate::web::Lacks;

/// The server needs a moment to take its users in anew.
const RELOADS_WITHIN: Patience = Patience {
    time: Duration::from_secs(5),
    bytes: 4096,
};

/// Makes a hub's folder.
pub(super) fn init(wanted: &InitArguments) -> Result<Exit, Failure> {
    check_pages(wanted)?;
    let scheme = if wanted.certificate.is_some() {
        "tls"
    } else {
        "nats"
    };
    let servers = if wanted.server.is_empty() {
        vec![format!("{scheme}://{}", wanted.listen)]
    } else {
        wanted.server.clone()
    };
    let absolute = |path: &Option<PathBuf>| path.as_deref().map(std::path::absolute).transpose();
    let new = NewHub {
        listen: wanted.listen.clone(),
        servers,
        tls: absolute(&wanted.certificate)?.zip(absolute(&wanted.key)?),
        roots: absolute(&wanted.roots)?,
        pages: wanted
            .pages
            .map(|listen| (listen, wanted.pages_host.clone())),
    };
    let folder = HubFolder::init(&wanted.place.path()?, &new).map_err(Failure::usage)?;
    put(&format!(
        "The hub is in `{}`. Start its message server, then the hub:\n\n    nats-server -c {}\n    \
         soakproof hub serve\n",
        folder.path().display(),
        folder.server_file().display()
    ));
    if let Some(listen) = wanted.pages {
        put(&format!(
            "\nIts pages are at {listen}; they ask for the token in `{}`.\n",
            folder.token_file().display()
        ));
    }
    if wanted.certificate.is_none() {
        tell(
            "warning: without --certificate nothing is encrypted; keep to this machine or a line of your own",
        );
    }
    Ok(Exit::Fine)
}

/// The file that these options become would be refused as well, but in words of a file that nobody has written.
fn check_pages(wanted: &InitArguments) -> Result<(), Failure> {
    let Some(listen) = wanted.pages else {
        return Ok(());
    };
    let named = !wanted.pages_host.is_empty();
    let lacks = Lacks::of(listen, wanted.certificate.is_some(), named);
    if lacks.encryption {
        return Err(Failure::usage(anyhow::anyhow!(
            "other machines reach `--pages {listen}`, and everyone on the way could read its token: give \
             `--certificate` and `--key`, or keep to `--pages 127.0.0.1:{}` and let a proxy encrypt",
            listen.port()
        )));
    }
    if lacks.names {
        return Err(Failure::usage(anyhow::anyhow!(
            "`--pages {listen}` means every address of this machine: say by `--pages-host` what browsers call it"
        )));
    }
    Ok(())
}

/// Enrols a machine, or alters what is known of it.
pub(super) fn enrol(wanted: &EnrolArguments) -> Result<Exit, Failure> {
    let folder = wanted.place.folder()?;
    let mut counter = Counter::open(&folder)?;
    let known = counter.floor.machine(&wanted.machine).cloned();
    let known = known.filter(|known| known.enrolled);
    if wanted.alter && known.is_none() {
        return Err(Failure::usage(anyhow::anyhow!(
            "no machine called `{}` is enrolled",
            wanted.machine
        )));
    }
    check_serial(&counter, wanted)?;
    let before = known.unwrap_or_else(|| Registration {
        name: wanted.machine.clone(),
        serial: None,
        owner: String::new(),
        note: String::new(),
        group: None,
        circuit: None,
        enrolled: true,
    });
    let registration = Registration {
        serial: wanted.serial.clone().or(before.serial),
        owner: wanted.owner.clone().unwrap_or(before.owner),
        note: wanted.note.clone().unwrap_or(before.note),
        group: wanted.group.clone().or(before.group),
        circuit: wanted.circuit.clone().or(before.circuit),
        ..before
    };
    let files = if wanted.alter {
        None
    } else {
        Some(folder.enrol(&wanted.machine).map_err(Failure::usage)?)
    };
    // The desk knows it before the server lets it speak.
    counter.say(DeskEntry::Machine(registration))?;
    let Some((key, section)) = files else {
        return Ok(Exit::Fine);
    };
    reload(&folder);
    put(&format!(
        "{} is enrolled. It needs two files:\n\n    {}    its key, mode 0600\n    {}    for its \
         configuration\n",
        wanted.machine,
        key.display(),
        section.display()
    ));
    Ok(Exit::Fine)
}

fn check_serial(counter: &Counter, wanted: &EnrolArguments) -> Result<(), Failure> {
    let other = counter.floor.machines().find(|other| {
        other.name != wanted.machine && other.serial.is_some() && other.serial == wanted.serial
    });
    match other {
        None => Ok(()),
        Some(other) => Err(Failure::usage(anyhow::anyhow!(
            "that is the serial number of {}",
            other.name
        ))),
    }
}

/// Takes the key of a machine back.
pub(super) fn revoke(machine: &MachineName, place: &HubPlace) -> Result<Exit, Failure> {
    let folder = place.folder()?;
    folder.revoke(machine).map_err(Failure::usage)?;
    reload(&folder);
    let mut counter = Counter::open(&folder)?;
    if let Some(known) = counter.floor.machine(machine).cloned() {
        counter.say(DeskEntry::Machine(Registration {
            enrolled: false,
            ..known
        }))?;
    }
    put(&format!(
        "{machine} may not speak any more; its results stay.\n"
    ));
    Ok(Exit::Fine)
}

/// Says what a circuit bears, or releases it.
pub(super) fn circuit(wanted: &CircuitArguments) -> Result<Exit, Failure> {
    let folder = wanted.place.folder()?;
    let mut counter = Counter::open(&folder)?;
    let known = counter.floor.circuit(&wanted.name).cloned();
    let (most, held) = known.map_or((None, None), |known| (known.most, known.held));
    let held = held.filter(|_| !wanted.release);
    let most = wanted.most.or(most);
    put(&match (&held, most) {
        (Some(why), _) => format!("{} is held: {why}\n", wanted.name),
        (None, Some(most)) => format!("{}: at most {most} under load at once\n", wanted.name),
        (None, None) => format!("{}: as many as there are\n", wanted.name),
    });
    if wanted.release || wanted.most.is_some() {
        let name = wanted.name.clone();
        counter.say(DeskEntry::Circuit(Circuit { name, most, held }))?;
    }
    Ok(Exit::Fine)
}

/// Has the message server read its users anew, where it runs here.
fn reload(folder: &HubFolder) {
    let pid = folder.pid_file();
    let word = format!("reload={}", pid.display());
    let asked = os::ask_program("nats-server", &["--signal", &word], RELOADS_WITHIN);
    if let Err(error) = asked {
        tracing::debug!(error = os::with_cause(&error), "no reload");
        tell(&format!(
            "warning: the message server does not know it yet; tell it: `nats-server --signal {word}`"
        ));
    }
}
