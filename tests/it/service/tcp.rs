//! TCP: who gets in, with what, and what becomes of those who ask too much.

use std::fs::{self, Permissions};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use serde_json::Value;

use super::{PATIENCE, Service, Site, suite};
use crate::program::{is_alive, workers_of};

pub(super) const TOKEN: &str = "q2vR0mXyTz7JkL4nB8sDfGhWc1PaEuIo";

impl Site {
    fn write_token(&self, token: &str, mode: u32) {
        fs::write(self.path("token"), format!("{token}\n")).expect("written");
        fs::set_permissions(self.path("token"), Permissions::from_mode(mode)).expect("set");
    }

    fn tcp_command(&self, listen: &str, more: &str) -> Command {
        let token = self.text("token");
        let text = format!("[service]\nlisten = \"{listen}\"\ntoken-file = \"{token}\"\n{more}");
        fs::write(self.path("soakproof.toml"), text).expect("written");
        let mut command = self.service_command();
        command.env("SOAKPROOF_CONFIG", self.path("soakproof.toml"));
        command
    }

    /// A service with TCP, and where that is.
    pub(super) fn serve_tcp(&self, more: &str) -> (Service, SocketAddr) {
        self.write_token(TOKEN, 0o600);
        let mut command = self.tcp_command("127.0.0.1:0", more);
        let service = Service {
            child: command.spawn().expect("starts"),
        };
        let listen = self.wait("the service to answer", || self.listen());
        (service, listen)
    }

    fn listen(&self) -> Option<SocketAddr> {
        let answer = super::try_raw(
            self,
            b"GET /v1/service HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n",
        )?;
        let facts: Value = serde_json::from_str(answer.split_once("\r\n\r\n")?.1).ok()?;
        facts["listen"].as_str()?.parse().ok()
    }
}

/// Everything that is answered to `request` before the other end closes.
pub(crate) fn ask(at: SocketAddr, request: &[u8]) -> String {
    let mut stream = TcpStream::connect(at).expect("connects");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    drop(stream.write_all(request));
    let mut answer = Vec::new();
    drop(stream.read_to_end(&mut answer));
    String::from_utf8_lossy(&answer).into_owned()
}

pub(crate) fn get(at: SocketAddr, path: &str, fields: &str) -> String {
    let head = format!("GET {path} HTTP/1.1\r\nconnection: close\r\n{fields}\r\n");
    ask(at, head.as_bytes())
}

pub(super) fn shown() -> String {
    format!("authorization: Bearer {TOKEN}\r\n")
}

/// Status, checked to be a problem with the same one and with `word` in its detail.
pub(super) fn problem(answer: &str, status: u16, word: &str) {
    assert!(
        answer.starts_with(&format!("HTTP/1.1 {status} ")),
        "{status} {word}: {answer}"
    );
    let (head, body) = answer.split_once("\r\n\r\n").expect("a body");
    assert!(
        head.to_ascii_lowercase()
            .contains("content-type: application/problem+json"),
        "{head}"
    );
    let body: Value = serde_json::from_str(body).expect("JSON");
    assert_eq!(body["status"], status);
    assert!(body["detail"].to_string().contains(word), "{word}: {body}");
}

#[test]
fn over_tcp_only_those_with_the_token_get_in_by_its_name_and_from_its_own_pages() {
    let site = Site::new();
    let (_service, at) = site.serve_tcp("hosts = [\"workbench.example\"]\n");
    let host = format!("host: {at}\r\n");
    let asked = |fields: &str| get(at, "/v1/queue", fields);
    let with = |more: &str| asked(&format!("{}{host}{more}", shown()));
    assert!(with("").starts_with("HTTP/1.1 200"), "{}", with(""));
    assert!(asked(&format!("host: workbench.EXAMPLE\r\n{}", shown())).starts_with("HTTP/1.1 200"));

    let answer = asked(&host);
    problem(&answer, 401, "a token is needed");
    assert!(
        answer.contains("www-authenticate: Bearer"),
        "RFC 6750 section 3: {answer}"
    );
    for wrong in [
        format!("authorization: Bearer {TOKEN}x\r\n"),
        format!("authorization: Bearer {}\r\n", &TOKEN[1..]),
        "authorization: Bearer \r\n".to_owned(),
    ] {
        problem(&asked(&format!("{host}{wrong}")), 401, "token");
    }
    problem(
        &asked(&format!("{host}authorization: Basic {TOKEN}\r\n")),
        401,
        "a token is needed",
    );
    // No path is open without it.
    for path in [
        "/v1/service",
        "/metrics",
        "/healthz",
        "/openapi.json",
        "/nothing",
    ] {
        problem(&get(at, path, &host), 401, "a token is needed");
    }

    // A name of somebody else's that was made to lead here (DNS rebinding).
    problem(
        &asked(&format!("host: evil.example\r\n{}", shown())),
        421,
        "Host",
    );
    problem(&asked(&shown()), 400, "exactly one `Host`");
    problem(&with("host: localhost\r\n"), 400, "exactly one `Host`");
    for from in ["https://evil.example", "null", "http://127.0.0.1:1"] {
        problem(&with(&format!("origin: {from}\r\n")), 403, "web page");
    }
    for from in [
        format!("http://{at}"),
        "https://workbench.example".to_owned(),
    ] {
        let answer = with(&format!("origin: {from}\r\n"));
        assert!(answer.starts_with("HTTP/1.1 200"), "{from}: {answer}");
    }
    // The same at the socket, whose browserless users need no token.
    let strange = "GET /v1/queue HTTP/1.1\r\nhost: evil.example\r\nconnection: close\r\n\r\n";
    problem(&super::raw(&site, strange.as_bytes()), 421, "Host");
    let page = "GET /v1/queue HTTP/1.1\r\nhost: localhost\r\norigin: http://evil.example\r\n\
                connection: close\r\n\r\n";
    problem(&super::raw(&site, page.as_bytes()), 403, "web page");
}

/// JSON of 100 MB, told at its head and sent all the same.
fn send_a_huge_body(at: SocketAddr, own: &str) {
    let mut stream = TcpStream::connect(at).expect("connects");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    let size = 100_000_000;
    let head = format!(
        "POST /v1/queue HTTP/1.1\r\n{own}content-type: application/json\r\ncontent-length: {size}\r\n\r\n"
    );
    stream.write_all(head.as_bytes()).expect("sent");
    let chunk = vec![b' '; 1 << 20];
    let sent = (0..size / chunk.len())
        .take_while(|_| stream.write_all(&chunk).is_ok())
        .count();
    let mut answer = Vec::new();
    drop(stream.read_to_end(&mut answer));
    assert!(sent < 90, "{sent} MiB were taken in");
    problem(&String::from_utf8_lossy(&answer), 413, "");
}

/// 1,000 connections that say nothing.
fn take_all_places(at: SocketAddr) -> Vec<TcpStream> {
    let idle: Vec<TcpStream> = (0..1000)
        .filter_map(|_| TcpStream::connect(at).ok())
        .collect();
    assert!(idle.len() >= 900, "{} connections", idle.len());
    let mut refused = 0;
    for mut stream in idle.iter().rev().take(50) {
        stream
            .set_read_timeout(Some(Duration::from_secs(5)))
            .expect("set");
        let mut answer = String::new();
        if stream.read_to_string(&mut answer).is_ok() && !answer.is_empty() {
            problem(&answer, 503, "try again");
            refused += 1;
        }
    }
    assert!(refused >= 40, "{refused} of 50 were told");
    idle
}

/// A head that never ends.
fn begin_and_fall_silent(at: SocketAddr) {
    let mut slow = TcpStream::connect(at).expect("connects");
    slow.set_read_timeout(Some(PATIENCE)).expect("set");
    slow.write_all(b"GET /v1/queue HTTP/1.1\r\nhost: loc")
        .expect("sent");
    let mut answer = String::new();
    slow.read_to_string(&mut answer).expect("text");
    problem(&answer, 408, "whole head");
}

#[test]
fn whoever_asks_too_much_is_told_so_and_the_run_goes_on() {
    let site = Site::new();
    let (service, at) = site.serve_tcp("");
    fs::write(site.path("work.toml"), suite(40)).expect("written");
    let id = site.add(&site.text("work.toml"), &[]);
    let workers = site.wait("workers", || {
        let workers = workers_of(service.pid());
        (!workers.is_empty()).then_some(workers)
    });
    let own = format!("host: {at}\r\n{}", shown());

    problem(
        &get(at, &format!("/{}", "x".repeat(5000)), &own),
        414,
        "4096",
    );
    let long = format!("{own}x-long: {}\r\n", "x".repeat(20_000));
    problem(&get(at, "/v1/queue", &long), 431, "16384 bytes");
    let many: String = (0..80).map(|at| format!("x-{at}: y\r\n")).collect();
    problem(
        &get(at, "/v1/queue", &format!("{own}{many}")),
        431,
        "64 fields",
    );
    assert!(
        get(
            at,
            "/v1/queue",
            &format!("{own}x: {}\r\n", "x".repeat(100_000))
        )
        .starts_with("HTTP/1.1 431")
    );

    send_a_huge_body(at, &own);
    let idle = take_all_places(at);
    // Whoever is at the machine still gets in.
    assert_eq!(site.state_of(id), "running");
    drop(idle);
    begin_and_fall_silent(at);

    let alive = workers.iter().all(|worker| is_alive(worker.pid));
    assert!(alive, "the run's own workers go on");
    site.wait_for_state(id, "done");
    let report = site.json(&["report", "last", "--json"]);
    assert_eq!(report["run"]["end"]["why"], "complete", "{report:#}");
    assert_eq!(report["run"]["findings"], Value::Array(Vec::new()));
}

#[test]
fn a_way_in_that_cannot_be_opened_is_refused_with_what_would_be_right() {
    let site = Site::new();
    let taken = TcpListener::bind("127.0.0.1:0").expect("bound");
    let taken = taken
        .local_addr()
        .map(|at| (taken, at))
        .expect("an address");
    site.write_token(TOKEN, 0o600);
    let said = site.refused(site.tcp_command(&taken.1.to_string(), ""), 1);
    assert!(
        said.contains(&format!("cannot listen at `{}`", taken.1)),
        "{said}"
    );
    assert!(
        said.contains("in use") && said.contains("another `listen`"),
        "{said}"
    );

    site.write_token(TOKEN, 0o640);
    let said = site.refused(site.tcp_command("127.0.0.1:0", ""), 1);
    assert!(
        said.contains("chmod 600") && said.contains("0640"),
        "{said}"
    );
    site.write_token("short", 0o600);
    let said = site.refused(site.tcp_command("127.0.0.1:0", ""), 1);
    assert!(said.contains("at least 24"), "{said}");
    assert!(!said.contains("`short`"), "a token is never shown");
    site.write_token(TOKEN, 0o600);
    let said = site.refused(site.tcp_command("0.0.0.0:0", ""), 2);
    assert!(
        said.contains("soakproof.toml:2:10: other machines reach"),
        "{said}"
    );
    assert!(
        said.contains("soakproof.toml:2:10: every address"),
        "{said}"
    );
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/tls");
    let crossed = format!(
        "certificate-file = \"{folder}/authority.pem\"\nkey-file = \"{folder}/server.key\"\n"
    );
    let said = site.refused(site.tcp_command("127.0.0.1:0", &crossed), 1);
    assert!(
        said.contains("authority.pem` and its key cannot be used"),
        "{said}"
    );
    let empty =
        format!("certificate-file = \"{folder}/server.key\"\nkey-file = \"{folder}/server.pem\"\n");
    let said = site.refused(site.tcp_command("127.0.0.1:0", &empty), 1);
    assert!(said.contains("in PEM"), "{said}");
    assert!(!site.path("socket").exists(), "nothing is left behind");
}

#[test]
fn an_encrypted_way_in_shows_its_certificate_and_speaks_nothing_else() {
    let site = Site::new();
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/tls");
    let (_service, at) = site.serve_tcp(&format!(
        "certificate-file = \"{folder}/server.pem\"\nkey-file = \"{folder}/server.key\"\n"
    ));
    let mut roots = rustls::RootCertStore::empty();
    let authority = CertificateDer::from_pem_file(format!("{folder}/authority.pem")).expect("PEM");
    roots.add(authority).expect("an authority");
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .expect("versions")
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = ServerName::try_from("localhost").expect("a name");
    let session = rustls::ClientConnection::new(Arc::new(config), name).expect("a session");
    let stream = TcpStream::connect(at).expect("connects");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    let mut stream = rustls::StreamOwned::new(session, stream);
    let head = format!(
        "GET /v1/queue HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n{}\r\n",
        shown()
    );
    stream.write_all(head.as_bytes()).expect("sent");
    let mut answer = Vec::new();
    drop(stream.read_to_end(&mut answer));
    let answer = String::from_utf8_lossy(&answer);
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    let clear = get(at, "/v1/queue", &format!("host: localhost\r\n{}", shown()));
    assert!(!clear.contains("HTTP/1.1"), "in clear: {clear}");
}

#[test]
fn no_program_is_started_for_those_who_come_over_tcp() {
    let site = Site::new();
    let (_service, at) = site.serve_tcp("");
    let program = "\n[[stage.program]]\nname = \"render\"\ncommand = [\"/bin/true\"]\nuser = \"nobody\"\n\
                   times = 1\nlimit = \"1s\"\n";
    let queue = |text: String| {
        let wish = serde_json::json!({ "wish": { "suite": "mine", "text": text } }).to_string();
        let head = format!(
            "POST /v1/queue HTTP/1.1\r\nhost: {at}\r\nconnection: close\r\ncontent-type: \
             application/json\r\ncontent-length: {}\r\n{}\r\n",
            wish.len(),
            shown()
        );
        ask(at, format!("{head}{wish}").as_bytes())
    };
    problem(&queue(suite(1) + program), 403, "render");
    let taken = queue(suite(1));
    assert!(taken.starts_with("HTTP/1.1 20"), "{taken}");
}
