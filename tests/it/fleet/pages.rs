//! The hub's pages, as a browser or a program asks for them: who may look, and that what they show is what the
//! commands say. A real browser drives them in `.ci/outside/hub.mjs`.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpStream};

use soakproof::os::write_private;

use super::{PATIENCE, Shop, wait};
use crate::service::tcp::get;

const TOKEN: &str = "dGhlIHRva2VuIG9mIHRoZSBwYWdlcw";
const HOSTILE: &str = "<img src=x onerror=alert(1)>";

/// A shop whose hub shows pages, and where.
fn shown_shop() -> Option<(Shop, super::Running, SocketAddr)> {
    let shop = Shop::open(&["bench-1", "bench-10"])?;
    let settings = shop.path("hub/hub.toml");
    let token = shop.path("hub/pages.token");
    write_private(&token, &format!("{TOKEN}\n")).expect("written");
    let mut text = fs::read_to_string(&settings).expect("settings");
    text.push_str(&format!(
        "[pages]\nlisten = \"127.0.0.1:0\"\ntoken-file = \"{}\"\n",
        token.display()
    ));
    fs::write(&settings, text).expect("written");
    let hub = shop.start_hub("hub");
    let at = wait("the hub's pages", || {
        let log = shop.log("hub");
        let (_, rest) = log.split_once("looked at")?;
        let (_, rest) = rest.split_once("127.0.0.1:")?;
        let port: String = rest.chars().take_while(char::is_ascii_digit).collect();
        format!("127.0.0.1:{port}").parse().ok()
    });
    Some((shop, hub, at))
}

struct Reader(SocketAddr);

impl Reader {
    fn fields(&self) -> String {
        format!("host: {}\r\nauthorization: Bearer {TOKEN}\r\n", self.0)
    }

    /// The body of a page that is there.
    fn page(&self, path: &str) -> String {
        let answer = get(self.0, path, &self.fields());
        let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
        assert!(head.starts_with("HTTP/1.1 200 "), "{path}: {answer}");
        body.to_owned()
    }

    fn refused(&self, path: &str, status: u16) {
        let answer = get(self.0, path, &self.fields());
        let wanted = format!("HTTP/1.1 {status} ");
        assert!(answer.starts_with(&wanted), "{path}: {answer}");
    }
}

#[test]
fn pages_whose_token_could_be_read_on_the_way_are_refused_in_words_of_the_options() {
    let folder = tempfile::tempdir().expect("a folder");
    let hub = folder.path().join("hub");
    let init = |more: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_soakproof"));
        command.env("SOAKPROOF_HUB", &hub).args(["hub", "init"]);
        let output = command.args(more).output().expect("starts");
        let said = String::from_utf8(output.stderr).expect("text");
        (output.status.code(), said)
    };
    let (code, said) = init(&["--pages", "192.0.2.7:7626"]);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("`--certificate`"), "{said}");
    assert!(!said.contains("hub.toml"), "{said}");
    let certificate = ["--certificate", "/etc/c.pem", "--key", "/etc/k.pem"];
    let (code, said) = init(&[&["--pages", "0.0.0.0:7626"], &certificate[..]].concat());
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("`--pages-host`"), "{said}");
    assert!(!hub.exists(), "nothing is made");
    let (code, said) = init(&["--pages", "127.0.0.1:7626"]);
    assert_eq!(code, Some(0), "{said}");
}

#[test]
fn nobody_sees_a_page_of_a_hub_without_its_token() {
    let Some((_shop, _hub, at)) = shown_shop() else {
        return;
    };
    for path in [
        "/",
        "/results",
        "/results.csv",
        "/sheets",
        "/machines/bench-1",
        "/runs/1",
        "/live",
    ] {
        let answer = get(at, path, &format!("host: {at}\r\n"));
        assert!(answer.starts_with("HTTP/1.1 401 "), "{path}: {answer}");
        let browser = get(at, path, &format!("host: {at}\r\naccept: text/html\r\n"));
        assert!(browser.contains("location: /sign-in"), "{path}: {browser}");
    }
}

#[test]
fn the_pages_of_a_hub_show_what_its_commands_say() {
    let Some((shop, _hub, at)) = shown_shop() else {
        return;
    };
    let reader = Reader(at);
    shop.ok(&["enrol", "bench-1", "--alter", "--note", HOSTILE]);
    let _machine = shop.start_machine("bench-1");
    shop.wait_for_state("bench-1", "idle");
    let order = shop.order(2, &["--to", "bench-1"]);
    shop.wait_for(&order, "bench-1", "done");
    let result = shop.results().remove(0);
    let run = result["number"].as_i64().expect("a record");
    let grade = result["grade"].as_str().expect("a grade").to_owned();

    let board = wait("the board to tell the grade", || {
        let board = reader.page("/");
        board.contains(&grade).then_some(board)
    });
    assert!(board.contains("data-part=\"bench-1\""), "{board}");
    let one = reader.page("/?state=never+heard");
    assert!(!one.contains("data-part=\"bench-1\"") && one.contains("data-part=\"bench-10\""));
    assert!(
        one.contains("data-live=\"/live?state=never+heard\""),
        "{one}"
    );
    let machine = reader.page("/machines/bench-1");
    assert!(
        !machine.contains(HOSTILE) && machine.contains("&lt;img src=x"),
        "{machine}"
    );
    assert!(
        reader
            .page(&format!("/results?grade={grade}"))
            .contains("bench-1")
    );
    assert!(
        reader
            .page("/results?serial=another")
            .contains("No such result")
    );
    reader.refused("/results?since=yesterday", 422);
    reader.refused("/results?grade=fine", 422);
    reader.refused("/machines/bench-7", 404);
    reader.refused("/runs/99", 404);
    reader.refused("/etc/passwd", 404);
    papers(&shop, &reader, run);
}

/// Tables and sheets are what the commands write, byte for byte.
fn papers(shop: &Shop, reader: &Reader, run: i64) {
    assert_eq!(reader.page("/results.csv"), shop.ok(&["export"]));
    let folder = shop.path("sheets");
    shop.ok(&["sheets", folder.to_str().expect("text")]);
    let mut sheets = fs::read_dir(&folder).expect("a folder");
    let sheet = sheets.next().expect("one sheet").expect("an entry").path();
    let sheet = fs::read_to_string(sheet).expect("a sheet");
    assert_eq!(reader.page(&format!("/runs/{run}/sheet")), sheet);
    let (_, digest) = sheet
        .rsplit_once("<span class=\"mono\">")
        .expect("how to check it");
    assert!(digest.contains("--verify"));
    let printed = reader.page("/sheets");
    let (_, footer) = sheet.split_once("SHA-256<br>").expect("a digest");
    let (digest, _) = footer.split_once("<br>").expect("its line");
    assert!(printed.contains(digest), "{digest}");
    assert!(
        reader
            .page(&format!("/runs/{run}"))
            .contains("Course of the run")
    );
}

#[test]
fn a_board_that_is_looked_at_hears_of_a_machine_that_goes_and_of_nothing_else() {
    let Some((shop, _hub, at)) = shown_shop() else {
        return;
    };
    let machine = shop.start_machine("bench-1");
    shop.wait_for_state("bench-1", "idle");
    let mut stream = TcpStream::connect(at).expect("connects");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    let fields = Reader(at).fields();
    write!(stream, "GET /live HTTP/1.1\r\n{fields}\r\n").expect("asked");
    let mut lines = BufReader::new(stream).lines();
    let mut event = || {
        let mut text = String::new();
        loop {
            let line = lines.next().expect("more").expect("a line");
            if line.is_empty() && text.contains("data: ") {
                return text;
            }
            text.push_str(&line);
        }
    };
    let first = event();
    assert!(first.contains("data-part=\"bench-1\"") && first.contains("data-part=\"bench-10\""));
    drop(machine);
    let next = event();
    assert!(
        next.contains("data-part=\"bench-1\"") && next.contains("silent"),
        "{next}"
    );
    assert!(!next.contains("data-part=\"bench-10\""), "{next}");
}
