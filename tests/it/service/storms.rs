//! Storms of connections and of signals while a run goes on: the run must not notice.
#![expect(clippy::print_stdout, reason = "a campaign tells its figures")]

use std::io::Write;
use std::net::TcpStream;
use std::os::unix::process::CommandExt;
use std::time::Duration;

use nix::sys::resource::{RLIM_INFINITY, Resource, getrlimit};
use nix::sys::signal::Signal;
use serde_json::Value;
use soakproof::store::Store;

use super::tcp::{get, shown};
use super::{Service, Site, sleep, suite};
use crate::program::{COMPUTE, Trial, send, workers_of};

const CONNECTIONS: usize = 10_000;
/// As many at a time as a machine's browsers and monitors never are.
const AT_ONCE: usize = 50;
/// Fewer than the service has places, so that those who ask properly still get in.
const SLOW: usize = 40;
/// Signals that mean nothing to us.
const STORM: [Signal; 5] = [
    Signal::SIGCHLD,
    Signal::SIGWINCH,
    Signal::SIGURG,
    Signal::SIGPIPE,
    Signal::SIGCONT,
];
const SIGNALS: u32 = 5_000;

/// What the run says of its own sampler.
struct Account {
    samples: usize,
    longest_ms: u64,
    late: usize,
    end: String,
}

/// Of the run with this number, from the record itself.
fn account(site: &Site, run: i64) -> Account {
    let store = Store::open(&site.path("store")).expect("opens");
    let record = store.record(run).expect("a record");
    let moments: Vec<_> = record.samples.iter().map(|sample| sample.at.mono).collect();
    let between = moments.windows(2).map(|pair| pair[1].since(pair[0]));
    let late = |gap: &&soakproof::model::Gap| gap.kind == soakproof::model::GapKind::SamplerLate;
    Account {
        samples: moments.len(),
        longest_ms: between
            .max()
            .map_or(0, |span| u64::try_from(span.as_millis()).expect("short")),
        late: record.gaps.iter().filter(late).count(),
        end: format!("{:?}", record.end.map(|end| end.what)),
    }
}

fn start(site: &Site, service: &Service, seconds: u32) -> i64 {
    let name = format!("storm-{seconds}.toml");
    std::fs::write(site.path(&name), suite(seconds)).expect("written");
    let id = site.add(&site.text(&name), &[]);
    site.wait("workers", || {
        (!workers_of(service.pid()).is_empty()).then_some(())
    });
    id
}

fn assert_unharmed(site: &Site, seconds: usize) {
    let account = account(site, 1);
    println!(
        "{} samples, at most {} ms apart, {} gaps of the sampler, {}",
        account.samples, account.longest_ms, account.late, account.end
    );
    assert!(account.end.contains("Complete"), "{}", account.end);
    assert_eq!(account.late, 0);
    assert!(account.samples >= seconds, "{} samples", account.samples);
    // Three periods late the guard would have ended it; a missed one shows as two between two samples.
    assert!(
        account.longest_ms < 2_000,
        "{} ms between two samples",
        account.longest_ms
    );
}

/// A request that comes byte by byte and never ends.
fn slow_clients(at: std::net::SocketAddr) -> Vec<TcpStream> {
    let clients = (0..SLOW).filter_map(|_| TcpStream::connect(at).ok());
    clients.collect()
}

#[test]
#[ignore = "a campaign of a minute or two"]
fn ten_thousand_connections_and_slow_clients_cost_a_run_no_sample() {
    let site = Site::new();
    let (service, at) = site.serve_tcp("");
    let seconds = 60;
    let id = start(&site, &service, seconds);
    let head = format!("host: {at}\r\n{}", shown());
    let (mut answered, mut sent_away, mut lost) = (0, 0, 0);
    let mut slow = slow_clients(at);
    for _ in 0..CONNECTIONS / AT_ONCE {
        // One byte of a head that never ends from each, to look alive; who was thrown out comes again.
        slow.retain_mut(|client| client.write_all(b"G").is_ok());
        while slow.len() < SLOW {
            slow.push(TcpStream::connect(at).expect("connects"));
        }
        let answers = std::thread::scope(|scope| {
            let ask = || get(at, "/v1/queue", &head);
            let asked: Vec<_> = (0..AT_ONCE).map(|_| scope.spawn(ask)).collect();
            let answers = asked.into_iter().map(|one| one.join().expect("asks"));
            answers.collect::<Vec<String>>()
        });
        for answer in answers {
            match answer.get(9..12) {
                Some("200") => answered += 1,
                Some("503") => sent_away += 1,
                _ => lost += 1,
            }
        }
    }
    println!(
        "{CONNECTIONS} connections: {answered} answered, {sent_away} sent away, {lost} closed"
    );
    assert_eq!(site.state_of(id), "running", "longer than the storm");
    assert!(answered > CONNECTIONS / 10 && lost < CONNECTIONS / 10);
    site.wait_for_state(id, "done");
    assert_unharmed(&site, usize::try_from(seconds).expect("few"));
}

/// With so few descriptors that connections alone use them up.
#[test]
fn a_service_without_descriptors_left_goes_on_with_its_run() {
    let site = Site::new();
    let service = site.serve();
    let id = start(&site, &service, 12);
    let open = std::fs::read_dir(format!("/proc/{}/fd", service.pid())).expect("its own child");
    let most = u64::try_from(open.count()).expect("few") + 12;
    let limits = format!("--nofile={most}:{most}");
    let set = std::process::Command::new("prlimit")
        .args([&format!("--pid={}", service.pid()), &limits])
        .status();
    assert!(set.expect("util-linux").success());
    let connect = |_| std::os::unix::net::UnixStream::connect(site.path("socket"));
    let held: Vec<_> = (0..60).filter_map(|at| connect(at).ok()).collect();
    sleep(Duration::from_secs(3));
    let used = std::fs::read_dir(format!("/proc/{}/fd", service.pid())).expect("alive");
    assert!(
        u64::try_from(used.count()).expect("few") >= most - 1,
        "none was short"
    );
    drop(held);
    site.wait_for_state(id, "done");
    let account = account(&site, 1);
    println!(
        "{} samples, {} ms, {}",
        account.samples, account.longest_ms, account.end
    );
    assert!(
        account.end.contains("Complete") && account.late == 0,
        "{}",
        account.end
    );
}

/// The kernel does not bind root by this limit, so root's service runs as this user here (`nobody` by Debian).
const NOBODY: u32 = 65_534;

/// A service that its user's limit of processes binds; none where its user may not start our program.
fn serve_bound(site: &Site) -> Option<Service> {
    let mut command = site.service_command();
    if nix::unistd::geteuid().is_root() {
        for entry in ["", "machine", "machine/proc", "machine/proc/uptime"] {
            std::os::unix::fs::chown(site.path(entry), Some(NOBODY), Some(NOBODY)).expect("root");
        }
        command.uid(NOBODY).gid(NOBODY);
    }
    let child = command.spawn();
    if let Err(error) = &child
        && error.kind() == std::io::ErrorKind::PermissionDenied
    {
        println!("passed over: user {NOBODY} cannot start what was built here");
        return None;
    }
    let child = child.expect("starts");
    site.wait("the service to answer", || {
        std::os::unix::net::UnixStream::connect(site.path("socket"))
            .is_ok()
            .then_some(())
    });
    Some(Service { child })
}

fn limit_processes(service: &Service, limit: &str) {
    let limit = format!("--nproc={limit}:");
    let mut command = std::process::Command::new("prlimit");
    command.args([&format!("--pid={}", service.pid()), &limit]);
    // Another's limits are for whoever may exceed limits, which root of a container may not.
    if nix::unistd::geteuid().is_root() {
        command.uid(NOBODY).gid(NOBODY);
    }
    assert!(command.status().expect("util-linux").success());
}

/// Neither a worker of the next stage nor the thread of the next run can be had meanwhile.
#[test]
fn a_service_without_processes_left_ends_its_run_in_words_and_lives() {
    let site = Site::new();
    let Some(service) = serve_bound(&site) else {
        return;
    };
    let more = "\n[[stage]]\nname = \"more\"\ntime = \"5s\"\n\n[[stage.load]]\n\
                kernels = [\"int-ntt.l1\"]\ncores = \"all\"\n";
    std::fs::write(site.path("two.toml"), suite(6) + more).expect("written");
    let first = site.add(&site.text("two.toml"), &[]);
    site.wait("workers", || {
        (!workers_of(service.pid()).is_empty()).then_some(())
    });
    limit_processes(&service, "1");
    site.wait_for_state(first, "done");
    let report = site.json(&["report", "1", "--json"]);
    let end = &report["run"]["end"];
    assert_eq!(end["why"], "interrupted", "{report:#}");
    let reason = end["reason"].as_str().expect("words");
    assert!(reason.contains("limit of processes"), "{reason}");
    assert_eq!(report["verdict"]["findings"], Value::Array(Vec::new()));

    let second = site.add(&site.suite(2), &[]);
    let why = site.dropped_why(second);
    assert!(why.contains("limit of processes"), "{why}");

    // As many as this very process may have.
    let (most, _) = getrlimit(Resource::RLIMIT_NPROC).expect("asked");
    let most = Some(most).filter(|most| *most != RLIM_INFINITY);
    limit_processes(
        &service,
        &most.map_or("unlimited".to_owned(), |most| most.to_string()),
    );
    let third = site.add(&site.suite(2), &[]);
    site.wait_for_state(third, "done");
    let report = site.json(&["report", "last", "--json"]);
    assert_eq!(report["run"]["end"]["why"], "complete", "{report:#}");
}

#[test]
#[ignore = "a campaign of half a minute"]
fn a_storm_of_signals_costs_the_service_no_sample_and_two_wishes_to_end_give_one_verdict() {
    let site = Site::new();
    let service = site.serve();
    let id = start(&site, &service, 15);
    for _ in 0..SIGNALS {
        for signal in STORM {
            service.send(signal);
        }
        sleep(Duration::from_millis(1));
    }
    site.wait_for_state(id, "done");
    assert_unharmed(&site, 15);

    start(&site, &service, 40);
    service.send(Signal::SIGTERM);
    service.send(Signal::SIGTERM);
    site.wait("the service to end", || {
        std::os::unix::net::UnixStream::connect(site.path("socket"))
            .is_err()
            .then_some(())
    });
    drop(service);
    let store = Store::open(&site.path("store")).expect("opens");
    let record = store.record(2).expect("the second run");
    assert_eq!(record.verdicts.len(), 1, "{:?}", record.end);
    assert!(record.end.is_some());
}

#[test]
#[ignore = "a campaign of half a minute"]
fn a_run_in_the_foreground_outlives_a_storm_of_signals_and_ends_once_when_told_a_thousand_times() {
    let trial = Trial::new();
    let running = trial.start(&COMPUTE.replace("20s", "60s"));
    let pid = running.pid();
    for _ in 0..SIGNALS {
        for signal in STORM {
            send(pid, signal);
        }
        sleep(Duration::from_millis(1));
    }
    for _ in 0..1_000 {
        for signal in [Signal::SIGTERM, Signal::SIGHUP, Signal::SIGINT] {
            send(pid, signal);
        }
    }
    let (code, report) = running.finish();
    assert_eq!(report["run"]["end"]["why"], "stopped", "{report:#}");
    assert_eq!(report["verdict"]["findings"], Value::Array(Vec::new()));
    assert_eq!(code, 5);
}
