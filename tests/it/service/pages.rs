//! The pages of the service, as a browser asks for them: who may look, whose forms are taken, and that no
//! foreign text becomes markup. A real browser drives them in `.ci/outside/site.mjs`.

use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpStream};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use super::tcp::{TOKEN, ask, get, problem, shown};
use super::{PATIENCE, Site};

const HOSTILE: &str = "<img src=x onerror=alert(1)>\"'&\u{202e}";

/// A browser that has signed in, or not.
struct Browser {
    at: SocketAddr,
    cookie: Option<String>,
}

impl Browser {
    fn new(at: SocketAddr) -> Self {
        Self { at, cookie: None }
    }

    fn fields(&self) -> String {
        let cookie = self.cookie.as_ref();
        let cookie = cookie.map_or_else(String::new, |cookie| format!("cookie: {cookie}\r\n"));
        format!("host: {}\r\naccept: text/html\r\n{cookie}", self.at)
    }

    fn get(&self, path: &str) -> String {
        get(self.at, path, &self.fields())
    }

    /// A form as a browser sends it from one of our pages.
    fn send(&self, path: &str, pairs: &[(&str, &str)]) -> String {
        self.send_from(path, pairs, &format!("origin: http://{}\r\n", self.at))
    }

    fn send_from(&self, path: &str, pairs: &[(&str, &str)], from: &str) -> String {
        let body: Vec<String> = pairs
            .iter()
            .map(|(name, value)| format!("{name}={}", in_percent(value)))
            .collect();
        let body = body.join("&");
        let head = format!(
            "POST {path} HTTP/1.1\r\nconnection: close\r\n{}{from}content-type: \
             application/x-www-form-urlencoded\r\ncontent-length: {}\r\n\r\n{body}",
            self.fields(),
            body.len()
        );
        ask(self.at, head.as_bytes())
    }

    fn signed_in(at: SocketAddr) -> Self {
        let mut browser = Self::new(at);
        let answer = browser.send("/sign-in", &[("token", TOKEN)]);
        leads_to(&answer, "/");
        let set = field(&answer, "set-cookie").expect("a cookie");
        browser.cookie = set.split(';').next().map(str::to_owned);
        browser
    }

    /// What the forms of this visit hand back.
    fn proof(&self) -> String {
        let page = self.get("/queue");
        let (_, rest) = page.split_once("name=\"proof\" value=\"").expect("a form");
        rest.split('"').next().expect("a value").to_owned()
    }
}

fn in_percent(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02X}")).collect()
}

fn field<'a>(answer: &'a str, name: &str) -> Option<&'a str> {
    let (head, _) = answer.split_once("\r\n\r\n")?;
    let mut lines = head.lines().filter_map(|line| line.split_once(": "));
    let found = lines.find(|(known, _)| known.eq_ignore_ascii_case(name));
    found.map(|(_, value)| value)
}

fn is(answer: &str, status: u16) {
    let wanted = format!("HTTP/1.1 {status} ");
    assert!(answer.starts_with(&wanted), "{status}: {answer}");
}

fn leads_to(answer: &str, path: &str) {
    is(answer, 303);
    assert_eq!(field(answer, "location"), Some(path), "{answer}");
}

const PAGES: [&str; 7] = [
    "/", "/runs", "/queue", "/ledger", "/machine", "/start", "/page.js",
];

#[test]
fn only_a_visit_that_began_with_the_token_sees_pages_and_it_alters_nothing_but_by_forms() {
    let site = Site::new();
    let (_service, at) = site.serve_tcp("");
    let stranger = Browser::new(at);
    for path in PAGES {
        leads_to(&stranger.get(path), "/sign-in");
        let program = get(at, path, &format!("host: {at}\r\n"));
        problem(&program, 401, "a token is needed");
    }
    is(&stranger.get("/sign-in"), 200);
    let answer = stranger.send("/sign-in", &[("token", &format!("{TOKEN}x"))]);
    is(&answer, 403);
    assert!(answer.contains("the token is another one") && !answer.contains("set-cookie"));
    let foreign = "origin: http://evil.example\r\n";
    is(
        &stranger.send_from("/sign-in", &[("token", TOKEN)], foreign),
        403,
    );
    is(
        &stranger.send_from("/sign-in", &[("token", TOKEN)], ""),
        403,
    );

    let browser = Browser::signed_in(at);
    for path in PAGES {
        is(&browser.get(path), 200);
    }
    // The same rights of reading as the token, and none of altering.
    is(&browser.get("/v1/queue"), 200);
    let answer = browser.send("/v1/queue/pause", &[]);
    problem(&answer, 403, "a cookie is for the pages");
    let forged = Browser {
        at,
        cookie: Some("soakproof-visit=AAAA".to_owned()),
    };
    leads_to(&forged.get("/runs"), "/sign-in");

    let proof = browser.proof();
    let answer = browser.send("/sign-out", &[("proof", &proof)]);
    leads_to(&answer, "/sign-in");
    assert!(field(&answer, "set-cookie").is_some_and(|set| set.contains("Max-Age=0")));
    leads_to(&browser.get("/runs"), "/sign-in");
}

#[test]
fn a_form_is_taken_from_our_own_page_of_the_same_visit_only() {
    let site = Site::new();
    let (_service, at) = site.serve_tcp("");
    let (browser, other) = (Browser::signed_in(at), Browser::signed_in(at));
    let proof = browser.proof();
    let held = || {
        let queue = get(at, "/v1/queue", &format!("host: {at}\r\n{}", shown()));
        queue.contains("\"kind\":\"paused\"")
    };
    let pause = |proof: &str| [("proof", proof.to_owned()), ("what", "pause".to_owned())];
    let sent = |by: &Browser, proof: &str, from: &str| {
        let pairs = pause(proof);
        let pairs: Vec<(&str, &str)> = pairs.iter().map(|(n, v)| (*n, v.as_str())).collect();
        by.send_from("/queue", &pairs, from)
    };
    let own = format!("origin: http://{at}\r\n");
    for (by, proof, from) in [
        (&browser, "", own.as_str()),
        (&browser, "guessed", &own),
        (&browser, &other.proof(), &own),
        (&browser, &proof, ""),
        (&browser, &proof, "origin: null\r\n"),
        (&browser, &proof, "origin: http://evil.example\r\n"),
    ] {
        is(&sent(by, proof, from), 403);
    }
    problem(
        &sent(&Browser::new(at), &proof, &own),
        401,
        "a token is needed",
    );
    assert!(!held());
    leads_to(&sent(&browser, &proof, &own), "/queue");
    assert!(held());
    // Whoever came by token is no browser and gets no form.
    let page = get(at, "/queue", &format!("host: {at}\r\n{}", shown()));
    assert!(page.contains("paused") && !page.contains("<form"), "{page}");
}

#[test]
fn ten_wrong_tokens_make_an_address_wait_but_no_one_who_is_in() {
    let site = Site::new();
    let (_service, at) = site.serve_tcp("");
    let (inside, outside) = (Browser::signed_in(at), Browser::new(at));
    for _ in 0..10 {
        is(&outside.send("/sign-in", &[("token", "wrong")]), 403);
    }
    for token in ["wrong", TOKEN] {
        let answer = outside.send("/sign-in", &[("token", token)]);
        is(&answer, 429);
        assert_eq!(field(&answer, "retry-after"), Some("60"));
    }
    is(&inside.get("/runs"), 200);
    is(
        &get(at, "/v1/queue", &format!("host: {at}\r\n{}", shown())),
        200,
    );
}

#[test]
fn every_page_allows_only_its_own_style_and_script() {
    let site = Site::new();
    let (_service, at) = site.serve_tcp("");
    let browser = Browser::signed_in(at);
    let wrong = browser.get("/runs/99");
    is(&wrong, 404);
    let pages = PAGES.map(|path| browser.get(path));
    for page in pages
        .iter()
        .chain([&wrong, &Browser::new(at).get("/sign-in")])
    {
        let policy = field(page, "content-security-policy").expect("a policy");
        assert!(policy.starts_with("default-src 'none'; script-src 'self'; "));
        assert!(policy.contains("frame-ancestors 'none'") && !policy.contains("unsafe"));
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "same-origin"),
            ("cache-control", "no-store"),
        ] {
            assert_eq!(field(page, name), Some(value), "{page}");
        }
        // Each style stands in the policy by its digest (Content Security Policy Level 3, section 8.3).
        for style in page.split("<style>").skip(1) {
            let (style, _) = style.split_once("</style>").expect("an end");
            let digest = STANDARD.encode(Sha256::digest(style));
            assert!(policy.contains(&format!("'sha256-{digest}'")));
        }
        let bare = page.replace("<script src=\"/page.js\" defer></script>", "");
        for inline in ["<script", " style=", " onclick", " onload", "javascript:"] {
            assert!(!bare.contains(inline), "{inline}: {page}");
        }
    }
}

#[test]
fn a_run_is_started_seen_without_scripts_followed_and_stopped_by_plain_forms() {
    let site = Site::new();
    let (_service, at) = site.serve_tcp("");
    let browser = Browser::signed_in(at);
    let proof = browser.proof();
    let start = |more: &[(&str, &str)]| {
        let mut pairs = vec![("proof", proof.as_str()), ("what", "start")];
        pairs.extend(more);
        browser.send("/start", &pairs)
    };
    // The cautions come first, figures are figures, and no text of a suite comes through a form.
    is(&start(&[("suite", "smoke")]), 422);
    is(
        &start(&[("suite", "smoke"), ("ready", "yes"), ("ambient_c", "warm")]),
        422,
    );
    let text = super::suite(5);
    let unknown = start(&[("suite", HOSTILE), ("text", &text), ("ready", "yes")]);
    is(&unknown, 422);
    assert!(
        unknown.contains("&lt;img src=x") && !unknown.contains("<img"),
        "{unknown}"
    );

    let started = start(&[("suite", "smoke"), ("ready", "yes"), ("note", HOSTILE)]);
    leads_to(&started, "/");
    let page = browser.get("/");
    for part in [
        "<noscript><meta http-equiv=\"refresh\"",
        "Run 1: smoke on larch",
        "(simulated machine)",
        "href=\"/runs/1/stop\"",
        "Will it pass?",
        "idle before",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    let events = follow(&browser, 2);
    assert!(
        events
            .iter()
            .all(|event| event.contains("data-key=\"run 1\""))
    );
    assert_ne!(events[0], events[1], "an event tells something new");
    let page = browser.get("/runs/1");
    assert!(
        page.contains("&lt;img src=x") && !page.contains("<img"),
        "{page}"
    );

    is(&browser.get("/runs/1/stop"), 200);
    assert!(
        browser.get("/").contains("Run 1: smoke"),
        "a question stops nothing"
    );
    let stop = [("proof", proof.as_str()), ("how", "at-once")];
    leads_to(&browser.send("/runs/1/stop", &stop), "/");
    site.wait("the run to end", || {
        let page = browser.get("/");
        page.contains("No run is under way").then_some(())
    });
    is(&browser.send("/runs/1/stop", &stop), 404);
    let note = [("proof", proof.as_str()), ("text", HOSTILE)];
    leads_to(&browser.send("/runs/1/note", &note), "/runs/1");
    let page = browser.get("/runs/1");
    assert!(page.contains("Noted:") && !page.contains("<img") && !page.contains('\u{202e}'));
}

/// The first `number` events of the page under way.
fn follow(browser: &Browser, number: usize) -> Vec<String> {
    let mut stream = TcpStream::connect(browser.at).expect("connects");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    let head = format!("GET /live HTTP/1.1\r\n{}\r\n", browser.fields());
    stream.write_all(head.as_bytes()).expect("sent");
    let mut events = vec![String::new()];
    for line in BufReader::new(stream).lines() {
        let line = line.expect("a line");
        if let Some(data) = line.strip_prefix("data: ") {
            events.last_mut().expect("one").push_str(data);
        } else if line.is_empty() && !events.last().expect("one").is_empty() {
            if events.len() == number {
                return events;
            }
            events.push(String::new());
        }
    }
    panic!("the stream ended: {events:?}")
}

#[test]
fn at_the_socket_pages_need_no_token_and_forms_still_their_proof() {
    let site = Site::new();
    let service = site.serve();
    let asked = |request: &str| super::try_raw(&site, request.as_bytes()).expect("answers");
    let page = asked("GET /queue HTTP/1.1\r\nhost: localhost:8080\r\nconnection: close\r\n\r\n");
    is(&page, 200);
    assert!(
        !page.contains("Sign out"),
        "there is nothing to sign out of"
    );
    let (_, rest) = page.split_once("name=\"proof\" value=\"").expect("a form");
    let proof = rest.split('"').next().expect("a value");
    let send = |proof: &str, from: &str| {
        let body = format!("what=pause&proof={proof}");
        asked(&format!(
            "POST /queue HTTP/1.1\r\nhost: localhost:8080\r\nconnection: close\r\n{from}content-type: \
             application/x-www-form-urlencoded\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        ))
    };
    let own = "origin: http://localhost:8080\r\n";
    is(&send("", own), 403);
    is(&send(proof, ""), 403);
    is(&send(proof, "origin: http://localhost:9\r\n"), 403);
    leads_to(&send(proof, own), "/queue");
    drop(service);
}
