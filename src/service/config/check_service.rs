//! `[service]`: where things are kept and where the service listens. TCP always needs a token, and an
//! address that other machines reach needs TLS or a proxy that does it.

use std::net::SocketAddr;

use super::check::{absolute_path, secret_place};
use super::written::ServiceSection;
use crate::form::{At, Draft, Keys};
use crate::web::{TcpOptions, TlsFiles};

/// Most names of hosts.
const MOST_HOSTS: usize = 16;

const KEYS: [&str; 9] = [
    "store",
    "socket",
    "listen",
    "token-file",
    "token-credential",
    "certificate-file",
    "key-file",
    "behind-proxy",
    "hosts",
];
/// Keys that say nothing where nobody listens.
const TCP_ONLY: [&str; 6] = [
    "token-file",
    "token-credential",
    "certificate-file",
    "key-file",
    "behind-proxy",
    "hosts",
];

pub(super) fn check_service(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> ServiceSection {
    let Some((table, _)) = keys.table(draft, "service") else {
        return ServiceSection::default();
    };
    let keys = Keys::open(draft, table, "[service]", &KEYS);
    ServiceSection {
        store: absolute_path(draft, &keys, "store"),
        socket: absolute_path(draft, &keys, "socket"),
        tcp: check_tcp(draft, &keys),
    }
}

fn check_tcp(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<TcpOptions> {
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
    if !listen.value.ip().is_loopback() && !encrypted && !proxied {
        draft.report(
            &listen.span,
            "other machines reach this address, and everyone on the way could read the token: give \
             `certificate-file` and `key-file`, or say `behind-proxy = true` where a proxy on a \
             trusted network encrypts; keep to `127.0.0.1` or `[::1]` otherwise",
        );
    }
    if listen.value.ip().is_unspecified() && keys.lacks("hosts") {
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
    let certificate = absolute_path(draft, keys, "certificate-file");
    let key = absolute_path(draft, keys, "key-file");
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
    for key in TCP_ONLY {
        if let Some(value) = keys.get(key) {
            let message =
                format!("`{key}` says nothing without `listen`: give it, or take this out");
            draft.report(&value.span(), message);
        }
    }
}
