//! The configuration file: the example holds, and every mistake is named with its place.

use std::time::Duration;

use proptest::prelude::*;
use soakproof::model::NoticeEvent;
use soakproof::os::SecretPlace;
use soakproof::service::config::{Configuration, EXAMPLE, parse_configuration};
use soakproof::service::notices::{Address, Body, Method, Way};

/// The example with everything that it shows taken out of its comments.
fn uncommented() -> String {
    let shows = |line: &&str| {
        let key = line.split(" = ").next().unwrap_or_default();
        let word = |c: char| c.is_ascii_lowercase() || c == '-';
        line.starts_with("[[") || (line.contains(" = ") && key.chars().all(word))
    };
    let lines = EXAMPLE.lines().map(|line| match line.strip_prefix("# ") {
        Some(shown) if shows(&shown) => shown,
        _ => line,
    });
    lines.collect::<Vec<_>>().join("\n")
}

fn complaints(text: &str) -> Vec<String> {
    let error = parse_configuration("soakproof.toml", text).expect_err("has mistakes");
    error.to_string().lines().map(str::to_owned).collect()
}

#[test]
fn the_example_as_installed_changes_nothing() {
    let read = parse_configuration("soakproof.toml", EXAMPLE).expect("right");
    assert_eq!(read, Configuration::default());
}

#[test]
fn everything_that_the_example_shows_can_be_used() {
    let text = uncommented();
    let read = parse_configuration("soakproof.toml", &text).unwrap_or_else(|e| panic!("{e}"));
    let names: Vec<&str> = read
        .notices
        .iter()
        .map(|target| target.name.as_str())
        .collect();
    assert_eq!(names, ["receiver", "chat", "phone", "room", "own", "mail"]);
    let tcp = read.service.tcp.as_ref().expect("it listens");
    assert_eq!(tcp.listen.port(), 7625);
    assert!(matches!(&tcp.token, SecretPlace::File(path) if path.ends_with("token")));
    assert!(tcp.tls.is_some());
    assert_eq!(tcp.hosts, ["workbench.example"]);
    assert!(!read.watchdog.enabled);
    let [receiver, chat, phone, room, own, mail] = read.notices.as_slice() else {
        panic!("six");
    };
    assert_eq!(receiver.time_limit, Duration::from_secs(20));
    assert_eq!(receiver.events, NoticeEvent::CHOICES);
    assert_eq!(chat.events.len(), 4);
    let webhook = |way: &Way| match way {
        Way::Webhook(webhook) => (**webhook).clone(),
        Way::Command { .. } => panic!("a webhook"),
    };
    assert_eq!(webhook(&receiver.way).body, Body::Event);
    assert!(matches!(webhook(&chat.way).address, Address::Kept(_)));
    assert_eq!(
        webhook(&phone.way).authorization,
        Some(SecretPlace::Credential("push-token".to_owned()))
    );
    assert_eq!(webhook(&room.way).method, Method::Put);
    assert!(matches!(
        webhook(&own.way).body,
        Body::Template { json: true, .. }
    ));
    assert!(matches!(&mail.way, Way::Command { arguments, .. } if arguments.len() == 1));
}

#[test]
fn every_key_stands_in_the_example() {
    let text = "zzz = 1\n[service]\nzzz = 1\n[watchdog]\nzzz = 1\n[recheck]\nzzz = 1\n[[schedule]]\nzzz = 1\n[[notice]]\nzzz = 1\n";
    let mut seen = 0;
    for complaint in complaints(text) {
        let Some((_, known)) = complaint.split_once("known: ") else {
            continue;
        };
        for key in known.split(", ").map(|key| key.trim_matches('`')) {
            let shown =
                EXAMPLE.contains(&format!("{key} =")) || EXAMPLE.contains(&format!("[{key}]"));
            // Ready payloads and alternatives are told in words.
            let told = EXAMPLE.contains(&format!("`{key}`")) || key.ends_with("-credential");
            assert!(shown || told, "{key} is not in the example");
            seen += 1;
        }
    }
    assert!(seen >= 35, "only {seen} keys were found");
}

/// Each mistake with its line and column and what would be right, all at once.
#[test]
#[expect(clippy::too_many_lines, reason = "a table of cases")]
fn each_mistake_is_told_with_its_place_and_what_would_be_right() {
    let text = r#"[service]
store = "records"
listen = "0.0.0.0:7625"
sockt = "/run/x"
[watchdog]
enabled = "yes"
[[notice]]
name = "chat room"
url = "https://chat.example/hook"
events = ["run.finishd"]
payload = "txt"
time-limit = "5min"
[[notice]]
name = "two"
url = "ftp://chat.example/hook"
command = ["/bin/true"]
[[notice]]
name = "two"
command = ["mail"]
secret-file = "/x"
[[notice]]
url = "http://push.example/"
authorization-file = "token"
payload = "push"
[[notice]]
name = "own"
url = "https://chat.example/hook"
events = ["queue.empty"]
body = '{"run": {{ run.numbr }}}'
secret-credential = "../x"
[[notice]]
name = "bad-json"
url = "https://chat.example/hook"
body = '{"text": "{{ title }}"}'
[[notice]]
name = "nowhere"
"#;
    let expected = [
        "soakproof.toml:2:9: `store` is `records`; it must be a whole path that begins with `/`: a service \
         has no folder of its own",
        "soakproof.toml:3:10: every address of this machine is meant: name in `hosts` what clients call it",
        "soakproof.toml:3:10: other machines reach this address, and everyone on the way could read the \
         token: give `certificate-file` and `key-file`, or say `behind-proxy = true`",
        "soakproof.toml:3:10: whoever connects over TCP must show a token: give `token-file` or \
         `token-credential`",
        "soakproof.toml:4:1: unknown key `sockt` in [service]; did you mean `socket`?",
        "soakproof.toml:6:11: `enabled` must be `true` or `false` (found: string)",
        "soakproof.toml:8:8: `name` must be 1 to 40 letters, digits, `-` and `_`, such as `\"chat\"`",
        "soakproof.toml:10:11: unknown event `run.finishd`; did you mean `run.finished`?",
        "soakproof.toml:11:11: unknown payload `txt`; did you mean `text`?",
        "soakproof.toml:12:14: `time-limit` is `5min`; it must be from 1s to 1min",
        "soakproof.toml:16:11: only one of `url`, `command` can be given",
        "soakproof.toml:18:8: a second notice is called `two`: give it another name",
        "soakproof.toml:19:12: `mail` must be the whole path of the program: a service does not search for it",
        "soakproof.toml:20:15: `secret-file` says nothing for a command, which gets the event as JSON: take \
         it out",
        "soakproof.toml:21:1: the notice has no `name`: give it a short one",
        "soakproof.toml:23:22: `authorization-file` is `token`; it must be a whole path that begins with `/`: \
         a service has no folder of its own",
        "soakproof.toml:24:11: this payload needs a `topic`",
        "soakproof.toml:29:8: with event `queue.empty`: undefined value",
        "soakproof.toml:30:21: `secret-credential` must be the name of a credential, not a path",
        "soakproof.toml:34:8: with event `run.started`: what comes out is not JSON",
        "soakproof.toml:35:1: the notice goes nowhere: give one of `url`, `url-file`, `url-credential`, \
         `command`",
    ];
    let told = complaints(text);
    for (line, start) in told.iter().zip(expected) {
        assert!(line.starts_with(start), "\n{line}\ninstead of\n{start}");
    }
    assert_eq!(told.len(), expected.len(), "{told:#?}");
}

#[test]
fn what_belongs_to_tcp_is_held_together() {
    let case = |text: &str| complaints(&format!("[service]\n{text}\n"));
    let fits =
        |text: &str| parse_configuration("soakproof.toml", &format!("[service]\n{text}\n")).is_ok();
    let token = "listen = \"127.0.0.1:7625\"\ntoken-file = \"/t\"\n";
    assert!(fits(token));
    let far = "listen = \"192.0.2.7:7625\"\ntoken-credential = \"token\"\n";
    let right = [
        "certificate-file = \"/c\"\nkey-file = \"/k\"",
        "behind-proxy = true",
    ];
    for more in right {
        assert!(fits(&format!("{far}{more}")), "{more}");
    }
    let wrong = [
        (far.to_owned(), "2:10: other machines reach this address"),
        (
            format!("{far}behind-proxy = false"),
            "2:10: other machines reach",
        ),
        (
            format!("{far}key-file = \"/k\""),
            "4:12: `key-file` needs `certificate-file`",
        ),
        (
            format!("{token}certificate-file = \"/c\""),
            "4:20: `certificate-file` needs `key-file`",
        ),
        (
            "listen = \"localhost:7625\"".to_owned(),
            "2:10: `listen` is `localhost:7625`; it must be",
        ),
        (
            "listen = \"[::1]:7625\"".to_owned(),
            "2:10: whoever connects over TCP must show a token",
        ),
        (
            "token-file = \"/t\"".to_owned(),
            "2:14: `token-file` says nothing without `listen`",
        ),
        (
            "hosts = [\"x\"]".to_owned(),
            "2:9: `hosts` says nothing without `listen`",
        ),
        (
            format!("{token}token-credential = \"t\""),
            "4:20: only one of `token-file`, `token-credential`",
        ),
        (
            format!("{token}hosts = [\"https://x\"]"),
            "4:10: `https://x` is no name of a host",
        ),
        (
            format!("{token}hosts = [\"x:80\"]"),
            "4:10: `x:80` is no name of a host",
        ),
        (
            format!("{token}hosts = [\"[::1]:80\"]"),
            "4:10: `[::1]:80` is no name of a host",
        ),
    ];
    for (text, start) in wrong {
        let told = case(&text);
        let start = format!("soakproof.toml:{start}");
        assert!(
            told.len() == 1 && told[0].starts_with(&start),
            "{told:#?}\ninstead of\n{start}"
        );
    }
}

#[test]
fn a_schedule_is_read_and_its_mistakes_are_told_with_their_places() {
    let read = parse_configuration("soakproof.toml", &uncommented()).expect("right");
    let [entry] = read.schedule.as_slice() else {
        panic!("one");
    };
    assert_eq!(
        (entry.name.as_str(), entry.when.as_str()),
        ("friday night", "0 22 * * FRI")
    );
    assert_eq!(entry.zone.as_deref(), Some("Europe/Berlin"));
    let window = entry.conditions.window.as_ref().expect("a window");
    assert_eq!(window.minutes(), 9 * 60);
    assert_eq!(entry.conditions.idle_s, Some(600));
    assert!(read.recheck.enabled);

    let text = r#"
[recheck]
enabled = "no"
suite = "rechek"

[[schedule]]
name = "a"
when = "0 25 * * *"
suite = "smoke"
priority = 1.5

[[schedule]]
name = "a"
when = "0 22 * * *"
zone = "Mars/Olympus"
suite = "overnight"
window = "22:00-23:00"

[[schedule]]
when-idel = "10min"
"#;
    let expected = [
        "soakproof.toml:3:11: `enabled` must be `true` or `false`",
        "soakproof.toml:4:9: no suite is called `rechek`; did you mean `recheck`?",
        "soakproof.toml:8:8: `0 25 * * *` is not a calendar expression of five fields",
        "soakproof.toml:10:12: `priority` must be a whole number",
        "soakproof.toml:12:1: a second entry is called `a`",
        "soakproof.toml:15:8: no time zone is called `Mars/Olympus`",
        "soakproof.toml:17:10: `overnight` takes 4",
        "soakproof.toml:19:1: the entry has no `name`",
        "soakproof.toml:19:1: the entry has no `suite`",
        "soakproof.toml:19:1: the entry has no `when`",
        "soakproof.toml:20:1: unknown key `when-idel` in [[schedule]]; did you mean `when-idle`?",
    ];
    let told = complaints(text);
    for (line, start) in told.iter().zip(expected) {
        assert!(line.starts_with(start), "\n{line}\ninstead of\n{start}");
    }
    assert_eq!(told.len(), expected.len(), "{told:#?}");
}

#[test]
fn an_authorization_does_not_travel_in_clear() {
    let with = |url: &str| {
        let text =
            format!("[[notice]]\nname = \"a\"\nurl = \"{url}\"\nauthorization-file = \"/x\"\n");
        parse_configuration("soakproof.toml", &text).map_err(|error| error.to_string())
    };
    let refused = with("http://push.example/").expect_err("refused");
    assert!(
        refused.contains(":3:7: `url`: over `http://` everyone"),
        "{refused}"
    );
    with("https://push.example/").expect("right");
    with("http://127.0.0.1:9/").expect("right");
    with("http://[::1]:9/").expect("right");
    with("http://127.0.0.1.push.example/").expect_err("another machine");
}

#[test]
fn a_complaint_never_repeats_an_address() {
    for url in [
        "htp://chat.example/s3cret",
        "https://:s3cret",
        "https://x/{{ s3cret }}",
    ] {
        let text = format!("[[notice]]\nname = \"a\"\nurl = \"{url}\"\n");
        let told = complaints(&text).join("\n");
        assert!(!told.contains("s3cret"), "{told}");
    }
    let text = "[[notice]]\nname = \"a\"\nurl = \"https://chat.example/s3cret\"\n";
    let read = parse_configuration("soakproof.toml", text).expect("right");
    assert!(!format!("{read:?}").contains("s3cret"), "{read:?}");
}

proptest! {
    #[test]
    fn no_text_is_too_strange_to_be_answered(
        head in "\\PC{0,60}",
        key in "(name|url|events|body|payload|command|time-limit|zz)",
        value in "(\"[^\"\n]{0,20}\"|[0-9]{1,4}|true|\\[\\]|\\[\"/x\"\\]|\\{\\})",
    ) {
        drop(parse_configuration("x.toml", &head));
        drop(parse_configuration("x.toml", &format!("[[notice]]\n{key} = {value}\n")));
        drop(parse_configuration("x.toml", &format!("[service]\n{key} = {value}\n{head}")));
    }
}

#[test]
fn a_trial_goes_by_the_configuration_that_is_named_behind_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let [file, told] = ["soakproof.toml", "told"].map(|name| folder.path().join(name));
    let text = format!(
        "[[notice]]\nname = \"file\"\ncommand = [\"/usr/bin/tee\", {:?}]\n",
        told.display().to_string()
    );
    std::fs::write(&file, text).expect("can be written");
    assert_cmd::Command::cargo_bin("soakproof")
        .expect("built")
        .args(["notices", "test", "--config"])
        .arg(&file)
        .assert()
        .success();
    #[expect(
        clippy::disallowed_methods,
        reason = "the person's file, and what came of it"
    )]
    let told = std::fs::read_to_string(told).expect("told");
    assert!(told.contains("notice.test"), "{told}");
}
