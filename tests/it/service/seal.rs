//! Jobs that somebody wrote into the record past the service: they start nothing in anybody's name.

use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

use soakproof::model::{Job, JobId, JobState, QueueChange};
use soakproof::store::Store;

use super::{Service, Site};

fn open_to(path: &Path, mode: u32) {
    fs::set_permissions(path, Permissions::from_mode(mode)).expect("altered");
}

/// A suite of one program that leaves `mark` behind; root must name somebody else.
fn program(site: &Site, mark: &str) -> String {
    let user = if nix::unistd::geteuid().is_root() {
        "user = \"nobody\"\n"
    } else {
        ""
    };
    let path = site.text(&format!("{mark}.toml"));
    let folder = site.text("work");
    let text = format!(
        "about = \"own programs\"\nasserts = [\"answers\"]\n\n[[stage]]\nname = \"own\"\ntime = \"2s\"\n\n\
         [[stage.program]]\nname = \"mark\"\ncommand = [\"/bin/sh\", \"-c\", \"touch {mark}\"]\n\
         folder = \"{folder}\"\ntimes = 1\nlimit = \"20s\"\n{user}"
    );
    fs::write(&path, text).expect("written");
    path
}

/// A record that a group may write, as the one that is shared with the sender of the notices.
fn shared() -> Site {
    let site = Site::new();
    fs::create_dir(site.path("work")).expect("made");
    open_to(&site.path("work"), 0o777);
    open_to(site.folder.path(), 0o755);
    site.json(&["queue", "--json"]);
    open_to(&site.path("store"), 0o770);
    site
}

fn serve(site: &Site, keep: bool) -> Service {
    let mut command: Command = site.service_command();
    if keep {
        fs::create_dir_all(site.path("private")).expect("made");
        command.env("STATE_DIRECTORY", site.path("private"));
    } else {
        command.env_remove("STATE_DIRECTORY");
    }
    let service = Service {
        child: command.spawn().expect("starts"),
    };
    site.wait("the service to answer", || {
        let answers = std::os::unix::net::UnixStream::connect(site.path("socket")).is_ok();
        answers.then_some(())
    });
    service
}

/// Writes a job past every service: `like` with another number and the suite at `path`.
fn forge(site: &Site, like: &Job, path: &str) -> i64 {
    let mut store = Store::open(&site.path("store")).expect("opens");
    let mut job = like.clone();
    job.id = JobId(store.queue().expect("read").0.next_id().0);
    job.state = JobState::Waiting;
    job.starts = 0;
    job.wish.suite = path.to_owned();
    job.wish.text = Some(fs::read_to_string(path).expect("read"));
    let id = job.id.0;
    store
        .change_queue(&[QueueChange::Put(Box::new(job))])
        .expect("written");
    id
}

fn job(site: &Site, id: i64) -> Job {
    let store = Store::open(&site.path("store")).expect("opens");
    let (queue, _) = store.queue().expect("read");
    queue.job(JobId(id)).expect("known").clone()
}

fn ran(site: &Site, mark: &str) -> bool {
    site.path("work").join(mark).exists()
}

fn assert_dropped(site: &Site, id: i64) {
    let why = site.dropped_why(id);
    assert!(why.contains("queue it again"), "{why}");
}

#[test]
fn a_forged_job_with_programs_does_not_start_and_one_that_was_asked_for_does() {
    let site = shared();
    let plain = site.add(&site.suite(1), &[]);
    let forged = forge(&site, &job(&site, plain), &program(&site, "forged"));
    let service = serve(&site, true);
    assert_dropped(&site, forged);
    site.wait_for_state(plain, "done");
    let asked = site.add(&program(&site, "asked"), &[]);
    site.wait_for_state(asked, "done");
    assert!(ran(&site, "asked") && !ran(&site, "forged"));
    // The seal of one job is none for another, nor for another suite under its number.
    site.json(&["queue", "pause", "--json"]);
    let waiting = site.add(&program(&site, "waiting"), &[]);
    service.die();
    let copied = forge(&site, &job(&site, asked), &program(&site, "copied"));
    let again = forge(&site, &job(&site, asked), &site.text("asked.toml"));
    let _service = serve(&site, true);
    site.json(&["queue", "resume", "--json"]);
    assert_dropped(&site, copied);
    assert_dropped(&site, again);
    site.wait_for_state(waiting, "done");
    assert!(ran(&site, "waiting") && !ran(&site, "copied"));
}

#[test]
fn without_a_lasting_key_a_job_with_programs_is_asked_for_again_after_the_death_of_the_service() {
    let site = shared();
    let service = serve(&site, false);
    site.json(&["queue", "pause", "--json"]);
    let waiting = site.add(&program(&site, "waiting"), &[]);
    service.die();
    let _service = serve(&site, false);
    site.json(&["queue", "resume", "--json"]);
    assert_dropped(&site, waiting);
    assert!(!ran(&site, "waiting"));
}

#[test]
fn a_record_that_nobody_else_can_write_needs_no_seal() {
    let site = shared();
    open_to(&site.path("store"), 0o700);
    let entries = fs::read_dir(site.path("store")).expect("a folder");
    entries
        .flatten()
        .for_each(|entry| open_to(&entry.path(), 0o600));
    // Before any service was there.
    let id = site.add(&program(&site, "own"), &[]);
    let _service = serve(&site, false);
    site.wait_for_state(id, "done");
    assert!(ran(&site, "own"));
}
