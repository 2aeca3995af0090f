//! Forms that start, stop, queue and note. What they ask for becomes the same [`Action`]s as what commands ask
//! for.

use axum::Extension;
use axum::extract::State;

use super::{Desk, Done, Shown, go_on, shown};
use crate::model::{Conditions, Declared, JobId, RunWish};
use crate::report::{SuiteLine, note_page, start_page, stop_page};
use crate::service::action::{Action, Answer};
use crate::service::agenda::NewJob;
use crate::service::http::past::put_note;
use crate::service::http::read::look;
use crate::service::http::refusals::astray;
use crate::suite;
use crate::web::{Fields, HttpProblem, Path, Peer, Sent, Visitor};

/// What to run.
pub(super) async fn ask_start(Extension(visitor): Extension<Visitor>) -> Shown {
    let kernels = suite::known_kernels();
    let builtins = suite::builtin_names()
        .into_iter()
        .filter_map(suite::builtin);
    let lines = builtins.filter_map(|builtin| {
        let parsed = suite::parse_suite(builtin.origin, builtin.text, &kernels).ok()?;
        Some(SuiteLine {
            name: builtin.name.to_owned(),
            length: parsed.length(),
            about: parsed.about,
        })
    });
    let lines: Vec<SuiteLine> = lines.collect();
    shown(start_page(&lines, &visitor.site()))
}

/// Starts a run, or queues one.
pub(super) async fn start(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Sent(fields): Sent,
) -> Done {
    if fields.text("ready") != "yes" {
        return Err(HttpProblem::unfit(
            "say first that work on that machine is saved and that you know its makers' limits",
        ));
    }
    let wish = wish(&fields)?;
    if fields.text("what") != "queue" {
        return match desk.ask(&peer, Action::Run(Box::new(wish))).await? {
            Answer::Begun { .. } => go_on("/"),
            Answer::Done | Answer::Queue(_) | Answer::Added(_) => Err(astray()),
        };
    }
    let idle_min = fields.figure("idle_min", "the time of idleness")?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a float cast saturates"
    )]
    let idle_s = idle_min.map(|minutes| (minutes.max(0.0) * 60.0) as u64);
    let job = NewJob {
        wish,
        conditions: Conditions {
            idle_s,
            after_change: fields.text("after_change") == "yes",
            ..Conditions::default()
        },
        priority: 0,
    };
    desk.ask(&peer, Action::Add(Box::new(job))).await?;
    go_on("/queue")
}

/// A suite that is built in; texts of suites do not come through a form.
fn wish(fields: &Fields) -> Result<RunWish, HttpProblem> {
    Ok(RunWish {
        suite: fields.text("suite").to_owned(),
        text: None,
        declared: Declared {
            ambient_c: fields.figure("ambient_c", "the air temperature")?,
            note: fields.text("note").to_owned(),
            ..Declared::default()
        },
        maker_limit_c: fields.figure("maker_limit_c", "the maker's limit")?,
        without_thermometer: false,
    })
}

/// Whether a run shall end.
pub(super) async fn ask_stop(
    Extension(visitor): Extension<Visitor>,
    Path(run): Path<i64>,
) -> Shown {
    shown(stop_page(run, &visitor.site()))
}

/// Ends a run.
pub(super) async fn stop(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Path(run): Path<i64>,
    Sent(fields): Sent,
) -> Done {
    let at_once = fields.text("how") == "at-once";
    desk.ask(&peer, Action::Stop { run, at_once }).await?;
    go_on("/")
}

/// A word on a run.
pub(super) async fn ask_note(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
    Path(word): Path<String>,
) -> Shown {
    let run = look(desk.facts.store, move |store| Ok(store.find_run(&word)?)).await?;
    shown(note_page(run, &visitor.site()))
}

/// Puts it on record.
pub(super) async fn note(
    State(desk): State<Desk>,
    Path(word): Path<String>,
    Sent(fields): Sent,
) -> Done {
    let text = fields.text("text").to_owned();
    if text.is_empty() {
        return Err(HttpProblem::unfit("a note has words"));
    }
    let run = put_note(desk, word, (None, text)).await?;
    go_on(&format!("/runs/{run}"))
}

/// Holds the queue, or lets it go on.
pub(super) async fn queue(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Sent(fields): Sent,
) -> Done {
    let action = match fields.text("what") {
        "pause" => Action::Pause,
        "resume" => Action::Resume,
        "release" => Action::Release,
        other => return Err(HttpProblem::unfit(format!("no `what` is called `{other}`"))),
    };
    desk.ask(&peer, action).await?;
    go_on("/queue")
}

/// Moves a job, or takes it out.
pub(super) async fn job(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Path(job): Path<i64>,
    Sent(fields): Sent,
) -> Done {
    let job = JobId(job);
    let action = match fields.text("place") {
        "out" => Action::Cancel(job),
        place => Action::Move {
            job,
            place: place
                .parse()
                .map_err(|_| HttpProblem::unfit(format!("`{place}` is no place")))?,
        },
    };
    desk.ask(&peer, action).await?;
    go_on("/queue")
}
