//! The hub's folder: who may speak to the message server, with which key and what rights. Written as files
//! that `nats-server` reads; users are nkeys (Ed25519), so the server holds no secret.
//!
//! A machine may read its own mailbox and words to itself, write its own results and signs of life, and hear
//! answers below its own name. It can neither see nor write what is another's.

use std::fmt::Write as _;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use nkeys::KeyPair;

use super::settings::{NewPages, NewSettings, Settings, parse_settings};
use crate::fleet::link::{LinkOptions, inbox_prefix};
use crate::fleet::protocol::{HUB_SUBJECT, JOBS, MachineName, SUBJECTS, subject};
use crate::form::CheckFormError;
use crate::os::{self, ReadSecretError, Root, SecretPlace};
use crate::web::{TcpOptions, random_word};

/// Name of the hub's own user.
const HUB: &str = "hub";
/// Largest payload that the server takes, in bytes: a chunk with its head.
const MOST_PAYLOAD: u32 = 512 << 10;
/// Comment behind a user in the server's file, by which it is found again.
const MARK: &str = "# machine ";

/// Enrolment did not come about.
#[derive(Debug, thiserror::Error)]
pub enum EnrolError {
    /// A file cannot be written or read.
    #[error("cannot use `{}`", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// There is no hub yet.
    #[error("`{}` is no hub's folder; `soakproof hub init` makes one", .0.display())]
    NoHub(PathBuf),
    /// There is one already.
    #[error("`{}` is a hub's folder already", .0.display())]
    IsHub(PathBuf),
    /// The hub's settings have mistakes: all of them.
    #[error(transparent)]
    Settings(#[from] CheckFormError),
    /// Taken.
    #[error(
        "a machine called `{0}` is enrolled already; `soakproof hub revoke {0}` takes its key back"
    )]
    Known(MachineName),
    /// Kept for the hub.
    #[error("`hub` is the hub's own name; choose another one")]
    Reserved,
    /// Not there.
    #[error("no machine called `{0}` is enrolled")]
    Unknown(MachineName),
    /// The hub's key cannot be read.
    #[error(transparent)]
    Secret(#[from] ReadSecretError),
    /// No key could be made.
    #[error("no key could be made: {0}")]
    Key(String),
}

/// What a new hub is to be.
#[derive(Debug, Clone)]
pub struct NewHub {
    /// Where the server listens.
    pub listen: String,
    /// Addresses by which machines reach it.
    pub servers: Vec<String>,
    /// Certificate chain and key of the server, PEM.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// Who signs the certificate; none: whom the systems trust.
    pub roots: Option<PathBuf>,
    /// Where to show pages: address and port, and what the host is called there.
    pub pages: Option<(SocketAddr, Vec<String>)>,
}

/// The folder of a hub.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HubFolder {
    path: PathBuf,
}

impl HubFolder {
    /// Makes the folder of a hub: settings, the hub's key, and the configuration of its message server.
    ///
    /// # Errors
    /// It is there already, or cannot be written.
    pub fn init(path: &Path, new: &NewHub) -> Result<Self, EnrolError> {
        let path = std::path::absolute(path).map_err(failed(path))?;
        let folder = Self { path };
        let settings = folder.settings_file();
        if Root::real().exists(&settings) {
            return Err(EnrolError::IsHub(folder.path));
        }
        let written = NewSettings {
            servers: new.servers.clone(),
            roots_file: new.roots.clone(),
            copies: 1,
            pages: new.pages.clone().map(|pages| folder.new_pages(pages, new)),
        };
        // Plain data of ours always has a TOML form.
        let text = toml::to_string(&written).unwrap_or_default();
        // What a command would refuse later is told now, and nothing is made.
        parse_settings("hub.toml", &text)?;
        for made in [folder.path.clone(), folder.path.join("machines")] {
            os::make_private_folder(&made).map_err(failed(&made))?;
        }
        let (seed, public) = new_key()?;
        folder.write(&folder.key_file(), &format!("{seed}\n"))?;
        folder.write(
            &folder.users_file(),
            &users_text(&[user_text(HUB, &public, &hub_rights())]),
        )?;
        folder.write(&folder.server_file(), &folder.server_text(new))?;
        if new.pages.is_some() {
            folder.write(&folder.token_file(), &format!("{}\n", random_word()))?;
        }
        folder.write(&settings, &text)?;
        Ok(folder)
    }

    /// A folder that [`init`](Self::init) made.
    ///
    /// # Errors
    /// It is none.
    pub fn open(path: &Path) -> Result<Self, EnrolError> {
        let path = std::path::absolute(path).map_err(failed(path))?;
        let folder = Self { path };
        if Root::real().exists(folder.settings_file()) {
            Ok(folder)
        } else {
            Err(EnrolError::NoHub(folder.path))
        }
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The configuration of its message server.
    pub fn server_file(&self) -> PathBuf {
        self.path.join("server.conf")
    }

    /// File with the server's process number, once it runs.
    pub fn pid_file(&self) -> PathBuf {
        self.path.join("server.pid")
    }

    fn settings_file(&self) -> PathBuf {
        self.path.join("hub.toml")
    }

    /// File with the token that the pages ask for.
    pub fn token_file(&self) -> PathBuf {
        self.path.join("pages.token")
    }

    fn key_file(&self) -> PathBuf {
        self.path.join("hub.nk")
    }

    fn users_file(&self) -> PathBuf {
        self.path.join("users.conf")
    }

    fn new_pages(&self, (listen, hosts): (SocketAddr, Vec<String>), new: &NewHub) -> NewPages {
        // What does not leave this machine needs no certificate.
        let tls = new.tls.clone().filter(|_| !listen.ip().is_loopback());
        let (certificate_file, key_file) = tls.unzip();
        NewPages {
            listen: listen.to_string(),
            token_file: self.token_file(),
            certificate_file,
            key_file,
            hosts,
        }
    }

    fn write(&self, path: &Path, text: &str) -> Result<(), EnrolError> {
        os::write_private(path, text).map_err(failed(path))
    }

    fn settings(&self) -> Result<Settings, EnrolError> {
        let path = self.settings_file();
        let text = Root::real()
            .read_text(&path)
            .map_err(|error| EnrolError::Io {
                path: path.clone(),
                source: error.source,
            })?;
        Ok(parse_settings(&path.display().to_string(), &text)?)
    }

    /// How the hub and its commands reach the server, and how many servers keep each stream.
    ///
    /// # Errors
    /// Settings or key cannot be read.
    pub fn link(&self) -> Result<(LinkOptions, usize), EnrolError> {
        let settings = self.settings()?;
        let link = LinkOptions {
            servers: settings.servers,
            seed: SecretPlace::File(self.key_file()).read()?,
            name: HUB.to_owned(),
            roots: settings.roots,
        };
        Ok((link, settings.copies))
    }

    /// Where the hub shows its pages, where it does.
    ///
    /// # Errors
    /// The settings cannot be read.
    pub fn pages(&self) -> Result<Option<TcpOptions>, EnrolError> {
        Ok(self.settings()?.pages)
    }

    /// Makes the key of a machine and lets the server know it. Gives the files that belong on the machine:
    /// its key, and the section of its configuration.
    ///
    /// # Errors
    /// The name is taken, or a file cannot be written.
    pub fn enrol(&self, machine: &MachineName) -> Result<(PathBuf, PathBuf), EnrolError> {
        if machine.as_str() == HUB {
            return Err(EnrolError::Reserved);
        }
        let mut users = self.users()?;
        if users
            .iter()
            .any(|user| user.starts_with(&mark(machine.as_str())))
        {
            return Err(EnrolError::Known(machine.clone()));
        }
        let (seed, public) = new_key()?;
        let key = self.path.join(format!("machines/{machine}.nk"));
        let section = self.path.join(format!("machines/{machine}.toml"));
        self.write(&key, &format!("{seed}\n"))?;
        self.write(&section, &self.section_text(machine)?)?;
        users.push(user_text(
            machine.as_str(),
            &public,
            &machine_rights(machine),
        ));
        self.write(&self.users_file(), &users_text(&users))?;
        Ok((key, section))
    }

    /// Takes the key of a machine back.
    ///
    /// # Errors
    /// There is no such machine, or a file cannot be written.
    pub fn revoke(&self, machine: &MachineName) -> Result<(), EnrolError> {
        let mut users = self.users()?;
        let before = users.len();
        users.retain(|user| !user.starts_with(&mark(machine.as_str())));
        if users.len() == before || machine.as_str() == HUB {
            return Err(EnrolError::Unknown(machine.clone()));
        }
        self.write(&self.users_file(), &users_text(&users))
    }

    /// The users that the server knows, each as text.
    fn users(&self) -> Result<Vec<String>, EnrolError> {
        let path = self.users_file();
        let text = Root::real()
            .read_text(&path)
            .map_err(|error| EnrolError::Io {
                path,
                source: error.source,
            })?;
        let begin = text.find(MARK).unwrap_or(text.len());
        let users = text[begin..].trim_end().trim_end_matches("  ]\n}");
        let users = users.split(MARK).filter(|user| !user.trim().is_empty());
        Ok(users
            .map(|user| format!("{MARK}{}\n", user.trim_end()))
            .collect())
    }

    fn section_text(&self, machine: &MachineName) -> Result<String, EnrolError> {
        let settings = self.settings()?;
        let servers: Vec<String> = settings
            .servers
            .iter()
            .map(|at| format!("{at:?}"))
            .collect();
        let mut text = format!(
            "# For the configuration of {machine}; its key goes to the place that is named here, mode 0600.\n\
             [fleet]\nservers = [{}]\nmachine = \"{machine}\"\nkey-file = \"/etc/soakproof/{machine}.nk\"\n",
            servers.join(", ")
        );
        if settings.roots.is_some() {
            text.push_str("roots-file = \"/etc/soakproof/fleet-roots.pem\"\n");
        }
        Ok(text)
    }

    fn server_text(&self, new: &NewHub) -> String {
        let at = |path: &Path| format!("{:?}", path.display().to_string());
        let mut text = format!(
            "# Configuration of the message server, for `nats-server -c`. Made by `soakproof hub init`; yours to\n\
             # alter. Users stand in users.conf, which `soakproof hub enrol` and `hub revoke` write.\n\
             server_name: soakproof-hub\nlisten: {:?}\nmax_payload: {MOST_PAYLOAD}\npid_file: {}\n\
             jetstream {{\n  store_dir: {}\n",
            new.listen,
            at(&self.pid_file()),
            at(&self.path.join("jetstream")),
        );
        text.push_str(
            "  # From server 2.12.6 on; earlier ones acknowledge before the disk has it:\n  \
             # sync_interval: always\n}\n",
        );
        if let Some((certificate, key)) = &new.tls {
            let _infallible = writeln!(
                text,
                "tls {{\n  cert_file: {}\n  key_file: {}\n}}",
                at(certificate),
                at(key)
            );
        }
        text.push_str("include \"users.conf\"\n");
        text
    }
}

fn failed(path: &Path) -> impl FnOnce(io::Error) -> EnrolError {
    let path = path.to_path_buf();
    move |source| EnrolError::Io { path, source }
}

/// Seed and public key of a new user.
fn new_key() -> Result<(String, String), EnrolError> {
    let pair = KeyPair::new_user();
    let seed = pair
        .seed()
        .map_err(|error| EnrolError::Key(error.to_string()))?;
    Ok((seed, pair.public_key()))
}

/// What a user may write and hear.
struct Rights {
    write: Vec<String>,
    hear: Vec<String>,
}

fn machine_rights(machine: &MachineName) -> Rights {
    Rights {
        write: vec![
            format!("$JS.API.CONSUMER.INFO.{JOBS}.{machine}"),
            format!("$JS.API.CONSUMER.MSG.NEXT.{JOBS}.{machine}"),
            format!("$JS.ACK.{JOBS}.{machine}.>"),
            subject("results", machine),
            subject("beat", machine),
            subject("live", machine),
        ],
        hear: vec![
            format!("{}.>", inbox_prefix(machine.as_str())),
            subject("word", machine),
            HUB_SUBJECT.to_owned(),
        ],
    }
}

fn hub_rights() -> Rights {
    Rights {
        write: vec![
            format!("{SUBJECTS}.>"),
            "$JS.API.>".to_owned(),
            "$JS.ACK.>".to_owned(),
        ],
        hear: vec![format!("{}.>", inbox_prefix(HUB)), format!("{SUBJECTS}.>")],
    }
}

fn mark(name: &str) -> String {
    format!("{MARK}{name}\n")
}

fn user_text(name: &str, public: &str, rights: &Rights) -> String {
    let list = |subjects: &[String]| {
        let quoted: Vec<String> = subjects.iter().map(|one| format!("{one:?}")).collect();
        quoted.join(", ")
    };
    format!(
        "{}    {{ nkey: {public}, permissions: {{\n      publish: {{ allow: [{}] }}\n      subscribe: {{ allow: [{}] }}\n    }} }}\n",
        mark(name),
        list(&rights.write),
        list(&rights.hear)
    )
}

fn users_text(users: &[String]) -> String {
    format!(
        "# Users of the message server. Written by `soakproof hub enrol` and `hub revoke`.\n\
         authorization {{\n  # A machine under full load is slow to answer.\n  timeout: 10\n  users: [\n{}  ]\n}}\n",
        users.concat()
    )
}
