//! The keys of a file that describe a way in over TCP. It always needs a token, and an address that other
//! machines reach needs TLS or a proxy that does it.

use std::net::SocketAddr;

use super::tcp::{TcpOptions, TlsFiles};
use crate::form::{At, Draft, Keys};
use crate::os::SecretPlace;

/// Most names of hosts.
const MOST_HOSTS: usize = 16;

/// The keys.
pub(crate) const TCP_KEYS: [&str; 7] = [
    "listen",
    "token-file",
    "token-credential",
    "certificate-file",
    "key-file",
    "behind-proxy",
    "hosts",
];

/// What an address does not go without.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lacks {
    /// Other machines reach it, and everyone on the way could read the token.
    pub(crate) encryption: bool,
    /// It is every address of this machine, and what clients call it cannot be known.
    pub(crate) names: bool,
}

impl Lacks {
    pub(crate) fn of(listen: SocketAddr, encrypted: bool, named: bool) -> Self {
        Self {
            encryption: !listen.ip().is_loopback() && !encrypted,
            names: listen.ip().is_unspecified() && !named,
        }
    }
}

/// What a table with [`TCP_KEYS`] says; none where nobody is to listen.
pub(crate) fn check_tcp(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<TcpOptions> {
    let listen = check_listen(draft, keys);
    let token = secret_place(draft, keys, ("token-file", "token-credential"));
    let tls = check_tls(draft, keys);
    let behind_proxy = keys.flag(draft, "behind-proxy");
    let hosts = check_hosts(draft, keys);
    let Some(listen) = listen else {
        if keys.lacks("listen") {
            report_useless(draft, keys);
        }
        return None;
    };
    if keys.lacks("token-file") && keys.lacks("token-credential") {
        draft.report(
            &listen.span,
            "whoever connects over TCP must show a token: give `token-file` or `token-credential` \
             (`head -c 32 /dev/urandom | base64` makes one)",
        );
    }
    let encrypted = !keys.lacks("certificate-file") || !keys.lacks("key-file");
    let proxied = behind_proxy.is_some_and(|flag| flag.value);
    let lacks = Lacks::of(listen.value, encrypted || proxied, !keys.lacks("hosts"));
    if lacks.encryption {
        draft.report(
            &listen.span,
            "other machines reach this address, and everyone on the way could read the token: give \
             `certificate-file` and `key-file`, or say `behind-proxy = true` where a proxy on a \
             trusted network encrypts; keep to `127.0.0.1` or `[::1]` otherwise",
        );
    }
    if lacks.names {
        draft.report(
            &listen.span,
            "every address of this machine is meant: name in `hosts` what clients call it, like \
             `[\"workbench.example\", \"192.0.2.7\"]`",
        );
    }
    Some(TcpOptions {
        listen: listen.value,
        token: token?,
        tls,
        proxied,
        hosts,
    })
}

fn check_listen(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<At<SocketAddr>> {
    let written = keys.text(draft, "listen", "like `\"127.0.0.1:7625\"`")?;
    match written.value.parse::<SocketAddr>() {
        Ok(value) => Some(At {
            value,
            span: written.span,
        }),
        Err(_) => {
            let message = format!(
                "`listen` is `{}`; it must be an address with a port, `\"127.0.0.1:7625\"` or \
                 `\"[::1]:7625\"`",
                written.value
            );
            draft.report(&written.span, message);
            None
        }
    }
}

fn check_tls(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<TlsFiles> {
    let certificate = keys.path(draft, "certificate-file");
    let key = keys.path(draft, "key-file");
    for (here, other) in [
        ("certificate-file", "key-file"),
        ("key-file", "certificate-file"),
    ] {
        if let Some(value) = keys.get(here).filter(|_| keys.lacks(other)) {
            draft.report(&value.span(), format!("`{here}` needs `{other}` beside it"));
        }
    }
    Some(TlsFiles {
        certificate: certificate?,
        key: key?,
    })
}

fn check_hosts(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Vec<String> {
    let Some(hosts) = keys.texts(draft, "hosts") else {
        return Vec::new();
    };
    if let Some(host) = hosts.get(MOST_HOSTS) {
        draft.report(&host.span, format!("more than {MOST_HOSTS} `hosts`"));
    }
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':' | '[' | ']');
    for host in &hosts {
        let has_port = host.value.parse::<SocketAddr>().is_ok()
            || (host.value.contains(':') && !host.value.starts_with('['));
        if host.value.is_empty() || !host.value.chars().all(fits) || has_port {
            let message = format!(
                "`{}` is no name of a host; write it without protocol and port, like \
                 `\"workbench.example\"` or `\"[2001:db8::7]\"`",
                host.value
            );
            draft.report(&host.span, message);
        }
    }
    hosts
        .into_iter()
        .map(|host| host.value.to_ascii_lowercase())
        .collect()
}

fn report_useless(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) {
    for key in TCP_KEYS {
        if let Some(value) = keys.get(key) {
            let message =
                format!("`{key}` says nothing without `listen`: give it, or take this out");
            draft.report(&value.span(), message);
        }
    }
}

/// A secret in a file or in a systemd credential, by the keys for either.
pub(crate) fn secret_place(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    (file, credential): (&str, &str),
) -> Option<SecretPlace> {
    let named = keys.text(draft, credential, "with the name of a systemd credential");
    if let (Some(named), true) = (&named, keys.get(file).is_some()) {
        let message = format!("only one of `{file}`, `{credential}` can be given");
        draft.report(&named.span, message);
    }
    if let Some(named) = named {
        // systemd.exec(5): a credential's name is that of a file.
        if named.value.is_empty() || named.value.contains('/') || named.value.starts_with('.') {
            let message = format!("`{credential}` must be the name of a credential, not a path");
            draft.report(&named.span, message);
        }
        return Some(SecretPlace::Credential(named.value.to_owned()));
    }
    keys.path(draft, file).map(SecretPlace::File)
}
