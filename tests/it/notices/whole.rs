//! Notices with the real binary.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;
use soakproof::model::{NoticeEvent, Wall};
use soakproof::os::Secret;
use soakproof::service::notices::SigningKey;
use soakproof::store::{Announcement, Store};

use super::endpoint::{Endpoint, answer};
use super::notice;

const KEY: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";

/// The program forgets what is old by its own clock.
fn now() -> Wall {
    soakproof::os::moment().wall
}

fn soakproof(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_soakproof"));
    command
        .args(arguments)
        .env("SOAKPROOF_STORE", folder.join("store"))
        .env("SOAKPROOF_CONFIG", folder.join("soakproof.toml"))
        .env("SOAKPROOF_LOG", "debug")
        .env("COLUMNS", "200");
    command
}

fn output(folder: &Path, arguments: &[&str]) -> Output {
    soakproof(folder, arguments).output().unwrap()
}

fn both(output: &Output) -> String {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    format!("{}{}", text(&output.stdout), text(&output.stderr))
}

fn configure(folder: &Path, text: &str) {
    let text = text.replace("HERE", folder.to_str().unwrap());
    std::fs::write(folder.join("soakproof.toml"), text).unwrap();
}

fn signed(folder: &Path, endpoint: &Endpoint) {
    std::fs::write(folder.join("key"), KEY).unwrap();
    std::fs::write(folder.join("url"), format!("{}/t0ken", endpoint.url())).unwrap();
    configure(
        folder,
        "[[notice]]\nname = \"receiver\"\nurl-file = \"HERE/url\"\nsecret-file = \"HERE/key\"\n",
    );
}

#[test]
fn a_trial_notice_arrives_signed_and_shows_no_secret() {
    let folder = tempfile::tempdir().unwrap();
    let endpoint = Endpoint::answering("200 OK");
    signed(folder.path(), &endpoint);
    let output = output(folder.path(), &["notices", "test"]);
    assert_eq!(output.status.code(), Some(0), "{}", both(&output));
    assert_eq!(
        String::from_utf8_lossy(&output.stdout),
        "receiver: delivered\n"
    );
    let request = &endpoint.seen()[0];
    let key = SigningKey::parse(&Secret::new(KEY)).unwrap();
    let id = request.header("webhook-id").unwrap();
    let timestamp = request.header("webhook-timestamp").unwrap();
    let signature = key.sign(id, timestamp.parse().unwrap(), &request.body);
    assert_eq!(
        request.header("webhook-signature"),
        Some(signature.as_str())
    );
    let event: Value = serde_json::from_slice(&request.body).unwrap();
    assert_eq!(event["type"], "notice.test");
    assert!(!both(&output).contains(&KEY[6..]) && !both(&output).contains("t0ken"));
}

#[test]
fn a_credential_of_the_unit_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let endpoint = Endpoint::answering("200 OK");
    std::fs::write(folder.path().join("chat"), endpoint.url()).unwrap();
    configure(
        folder.path(),
        "[[notice]]\nname = \"chat\"\nurl-credential = \"chat\"\npayload = \"text\"\n",
    );
    let without = output(folder.path(), &["notices", "test", "chat"]);
    assert_eq!(without.status.code(), Some(1));
    assert!(
        both(&without).contains("LoadCredential=chat"),
        "{}",
        both(&without)
    );
    let mut command = soakproof(folder.path(), &["notices", "test", "chat"]);
    let with = command.env("CREDENTIALS_DIRECTORY", folder.path());
    assert_eq!(with.output().unwrap().status.code(), Some(0));
    assert_eq!(endpoint.seen().len(), 1);
}

#[test]
fn a_certificate_of_a_known_authority_is_accepted_and_another_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let endpoint = Endpoint::open_tls(|_, out| answer(out, "200 OK", ""));
    let port = endpoint.address.port();
    configure(
        folder.path(),
        &format!("[[notice]]\nname = \"tls\"\nurl = \"https://localhost:{port}/\"\n"),
    );
    let tls = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/tls");
    let mut command = soakproof(folder.path(), &["notices", "test"]);
    let known = command.env("SSL_CERT_FILE", format!("{tls}/authority.pem"));
    let output = known.output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", both(&output));
    let output = soakproof(folder.path(), &["notices", "test"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(both(&output).contains("certificate"), "{}", both(&output));
}

#[test]
fn a_machine_without_certificates_still_reaches_a_plain_receiver_and_says_what_another_needs() {
    let folder = tempfile::tempdir().unwrap();
    let none = folder.path().join("none");
    let plain = Endpoint::answering("200 OK");
    let targets = format!(
        "[[notice]]\nname = \"plain\"\nurl = \"{}\"\npayload = \"text\"\n\
         [[notice]]\nname = \"secret\"\nurl = \"https://localhost:1/\"\npayload = \"text\"\n",
        plain.url()
    );
    configure(folder.path(), &targets);
    let test = |name: &str| {
        let mut command = soakproof(folder.path(), &["notices", "test", name]);
        command
            .env("SSL_CERT_FILE", &none)
            .env("SSL_CERT_DIR", &none);
        command.output().unwrap()
    };
    let output = test("plain");
    assert_eq!(output.status.code(), Some(0), "{}", both(&output));
    let output = test("secret");
    assert_eq!(output.status.code(), Some(1), "{}", both(&output));
    assert!(
        both(&output).contains("`ca-certificates`"),
        "{}",
        both(&output)
    );
}

fn listed(folder: &Path) -> Vec<Value> {
    let output = output(folder, &["notices", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", both(&output));
    let list: Value = serde_json::from_slice(&output.stdout).unwrap();
    list["notices"].as_array().unwrap().clone()
}

#[test]
fn what_was_given_up_is_listed_and_can_be_tried_again_without_a_secret_on_disk() {
    let folder = tempfile::tempdir().unwrap();
    let broken = Endpoint::answering("500 Oops");
    signed(folder.path(), &broken);
    let announcement = Announcement {
        key: "k".to_owned(),
        notice: notice(NoticeEvent::RunFinished),
        targets: vec!["receiver".to_owned()],
    };
    Store::open(&folder.path().join("store"))
        .unwrap()
        .announce(&[announcement], now())
        .unwrap();
    let id = listed(folder.path())[0]["id"].as_str().unwrap().to_owned();
    let refused = output(folder.path(), &["notices", "retry", &id]);
    assert_eq!(refused.status.code(), Some(1), "{}", both(&refused));
    assert!(both(&refused).contains("receiver: waiting: answered 500: ok"));
    let line = &listed(folder.path())[0];
    assert_eq!(line["state"], "waiting");
    assert_eq!(line["attempts"], 1);

    let working = Endpoint::answering("200 OK");
    signed(folder.path(), &working);
    let taken = output(folder.path(), &["notices", "retry", &id[..id.len() - 2]]);
    assert_eq!(taken.status.code(), Some(0), "{}", both(&taken));
    assert_eq!(working.seen()[0].header("webhook-id"), Some(id.as_str()));
    let text = output(folder.path(), &["notices"]);
    assert!(both(&text).contains("delivered"), "{}", both(&text));

    let mut everything = both(&refused) + &both(&taken) + &both(&text);
    for entry in std::fs::read_dir(folder.path().join("store")).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        everything.push_str(&String::from_utf8_lossy(&bytes));
    }
    assert!(!everything.contains("t0ken") && !everything.contains(&KEY[6..]));
}

#[test]
fn an_endpoint_that_wants_nothing_more_is_asked_again_only_at_another_address() {
    let folder = tempfile::tempdir().unwrap();
    let gone = Endpoint::answering("410 Gone");
    signed(folder.path(), &gone);
    let put = |key: &str| {
        let announcement = Announcement {
            key: key.to_owned(),
            notice: notice(NoticeEvent::RunFinished),
            targets: vec!["receiver".to_owned()],
        };
        let mut store = Store::open(&folder.path().join("store")).unwrap();
        store.announce(&[announcement], now()).unwrap();
    };
    put("first");
    let id = listed(folder.path())[0]["id"].as_str().unwrap().to_owned();
    let output = output(folder.path(), &["notices", "retry", &id]);
    assert!(
        both(&output).contains("receiver: dead: answered 410"),
        "{}",
        both(&output)
    );
    put("second");
    let states = || -> Vec<Value> {
        let lines = listed(folder.path());
        lines.iter().map(|line| line["state"].clone()).collect()
    };
    assert_eq!(states(), ["dead", "dead"]);
    assert_eq!(gone.seen().len(), 1);
    let working = Endpoint::answering("200 OK");
    signed(folder.path(), &working);
    // Any desk sees at its opening that the address has changed.
    drop(
        soakproof(folder.path(), &["notices", "retry", &id])
            .output()
            .unwrap(),
    );
    put("third");
    assert_eq!(states(), ["delivered", "dead", "waiting"]);
}

#[test]
fn a_configuration_with_mistakes_is_refused_with_all_of_them() {
    let folder = tempfile::tempdir().unwrap();
    configure(folder.path(), "[servic]\n[[notice]]\nnam = \"a\"\n");
    for arguments in [&["config", "check"][..], &["notices"], &["notices", "test"]] {
        let output = output(folder.path(), arguments);
        assert_eq!(output.status.code(), Some(2));
        let told = both(&output);
        assert!(
            told.contains("soakproof.toml:1:2: unknown key `servic`"),
            "{told}"
        );
        assert!(
            told.contains("soakproof.toml:3:1: unknown key `nam`"),
            "{told}"
        );
    }
    std::fs::remove_file(folder.path().join("soakproof.toml")).unwrap();
    let output = output(folder.path(), &["config", "check"]);
    assert_eq!(
        output.status.code(),
        Some(2),
        "a file that was named must be there"
    );
    configure(folder.path(), "");
    let named = folder.path().join("soakproof.toml");
    let output = soakproof(folder.path(), &["config", "check", named.to_str().unwrap()]);
    let output = { output }.output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", both(&output));
}
