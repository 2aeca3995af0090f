//! `runs`: the list of runs, and what can be done with those on record.

use std::time::Duration;

use super::arguments::{
    CheckArguments, CloseArguments, EndCause, NoteArguments, RunsAction, RunsArguments,
    StoreArguments,
};
use super::run::{open_store, style};
use super::through::{Service, find};
use super::{Exit, Failure, put, put_json, tell};
use crate::kernels;
use crate::model::{Entry, Note, NotedCause};
use crate::os::{self, Root};
use crate::report::{self, RunLine};
use crate::run::{Recovery, add_late_errors, has_unfinished_runs, recover_cut_runs};
use crate::sensors::read_machine;
use crate::service::{ClosedLine, RecoveryBody, run_line};
use crate::store::Store;

/// Runs the command.
pub(super) fn runs(wanted: &RunsArguments) -> Result<Exit, Failure> {
    match &wanted.action {
        None => list(&wanted.store),
        Some(RunsAction::Note(wanted)) => note(wanted),
        Some(RunsAction::Check(wanted)) => check(wanted),
        Some(RunsAction::Close(wanted)) => close(wanted),
    }
}

fn list(wanted: &StoreArguments) -> Result<Exit, Failure> {
    let runs = match find(wanted, None)? {
        Some(service) => service.wait(async |client| client.runs().await)?,
        None => {
            let mut store = open_store(wanted.store.as_deref())?;
            recover(&mut store, &Root::real(), Again::CutShort);
            store.runs()?
        }
    };
    let lines: Vec<RunLine> = runs.into_iter().map(run_line).collect();
    if wanted.output.json {
        put_json(&report::runs_json(&lines));
    } else {
        put(&report::runs_text(&lines, style()));
    }
    Ok(Exit::Fine)
}

/// A record that is held for longer belongs to a run that is alive.
const HELD_FOR: Duration = Duration::from_secs(3);

/// Which past runs are looked at again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Again {
    /// Those that were cut short.
    CutShort,
    /// Also those after whose end the hardware may have reported an error; asking for that takes a while.
    Late,
}

/// Looks at past runs again and tells of each that was closed or judged anew. What cannot be done now
/// stays for the next command, and is no reason not to do what was asked for.
pub(super) fn recover(store: &mut Store, root: &Root, again: Again) {
    match try_to_recover(store, root, again) {
        Ok(recovery) => told(&RecoveryBody::from(&recovery)),
        Err(error) => tell(&format!(
            "warning: runs that were cut short could not be closed: {}",
            os::with_cause(&error)
        )),
    }
}

fn try_to_recover(
    store: &mut Store,
    root: &Root,
    again: Again,
) -> Result<Recovery, crate::run::RecoverRunsError> {
    // Reading a whole machine takes longer than most commands.
    if again == Again::CutShort && !has_unfinished_runs(store)? {
        return Ok(Recovery::default());
    }
    let machine = read_machine(root, &os::allowed_cpus(), kernels::detect().sets());
    let patience = match again {
        Again::CutShort => Duration::ZERO,
        Again::Late => HELD_FOR,
    };
    let mut recovery = recover_cut_runs(store, root, &machine, patience)?;
    if again == Again::Late {
        recovery.revised = add_late_errors(store, root, &machine)?;
    }
    Ok(recovery)
}

fn told(recovery: &RecoveryBody) {
    for line in &recovery.closed {
        tell(&format!(
            "run {} (`{}`) had no verdict and is closed now: {}: {} See `soakproof report {}`.",
            line.run,
            report::escape(&line.suite),
            line.grade,
            report::escape(&line.headline),
            line.run
        ));
    }
    for line in &recovery.revised {
        tell(&format!(
            "run {}: the hardware reported an error after its end; judged again: {}: {}",
            line.run,
            line.grade,
            report::escape(&line.headline)
        ));
    }
    for line in &recovery.left {
        let reason = report::escape(&line.reason);
        tell(&format!(
            "run {} has no verdict and is left as it is: {reason}",
            line.run
        ));
    }
}

fn close(wanted: &CloseArguments) -> Result<Exit, Failure> {
    let recovery = match find(&wanted.store, Some(&wanted.machine))? {
        Some(service) => service.wait(async |client| client.close_runs().await)?,
        None => {
            let mut store = open_store(wanted.store.store.as_deref())?;
            let recovery = try_to_recover(&mut store, &wanted.machine.root(), Again::Late)?;
            RecoveryBody::from(&recovery)
        }
    };
    told(&recovery);
    let numbers =
        |lines: &[ClosedLine]| -> Vec<i64> { lines.iter().map(|line| line.run).collect() };
    let (closed, revised) = (numbers(&recovery.closed), numbers(&recovery.revised));
    let left: Vec<i64> = recovery.left.iter().map(|line| line.run).collect();
    if wanted.store.output.json {
        put_json(&report::closed_json(&closed, &revised, &left));
    } else if closed.is_empty() && revised.is_empty() && left.is_empty() {
        put("No run was cut short.\n");
    }
    Ok(Exit::Fine)
}

fn note(wanted: &NoteArguments) -> Result<Exit, Failure> {
    let cause = wanted.cause.map(|cause| match cause {
        EndCause::PowerCut => NotedCause::PowerCut,
        EndCause::Button => NotedCause::Button,
        EndCause::Other => NotedCause::Other,
    });
    if let Some(service) = find(&wanted.store, None)? {
        let (run, text) = (&wanted.run, &wanted.text);
        service.wait(async |client| client.note_run(run, cause, text).await)?;
        return Ok(Exit::Fine);
    }
    let mut store = open_store(wanted.store.store.as_deref())?;
    let number = store.find_run(&wanted.run).map_err(Failure::usage)?;
    let note = Note {
        at: os::moment(),
        cause,
        text: wanted.text.clone(),
    };
    store.append(number, &[Entry::Note(note)])?;
    Ok(Exit::Fine)
}

/// Numbers of the runs that were looked at, and every damaged row in words.
type Looked = (Vec<i64>, Vec<String>);

fn check(wanted: &CheckArguments) -> Result<Exit, Failure> {
    let (numbers, rows) = match find(&wanted.store, None)? {
        Some(service) => check_there(&service, wanted)?,
        None => check_here(wanted)?,
    };
    if wanted.store.output.json {
        put_json(&report::check_json(&numbers, &rows));
    } else {
        put(&report::check_text(&numbers, &rows));
    }
    Ok(if rows.is_empty() {
        Exit::Fine
    } else {
        Exit::Other
    })
}

fn check_there(service: &Service, wanted: &CheckArguments) -> Result<Looked, Failure> {
    service.wait(async |client| {
        let words = match &wanted.run {
            Some(word) => vec![word.clone()],
            None => {
                let runs = client.runs().await?;
                runs.iter().map(|run| run.number.to_string()).collect()
            }
        };
        let (mut numbers, mut rows) = (Vec::new(), Vec::new());
        for word in words {
            let (number, damaged) = client.damage(&word).await?;
            numbers.push(number);
            rows.extend(damaged);
        }
        Ok((numbers, rows))
    })
}

fn check_here(wanted: &CheckArguments) -> Result<Looked, Failure> {
    let store = open_store(wanted.store.store.as_deref())?;
    let numbers = match &wanted.run {
        Some(word) => vec![store.find_run(word).map_err(Failure::usage)?],
        None => store.runs()?.iter().map(|run| run.number).collect(),
    };
    let mut rows = Vec::new();
    for number in &numbers {
        rows.extend(store.check_run(*number)?.iter().map(ToString::to_string));
    }
    Ok((numbers, rows))
}
