//! `import`: runs that were exported elsewhere come on record here, and are graded again by what is in
//! them.

use std::path::Path;

use serde_json::{Value, json};

use super::arguments::ImportArguments;
use super::export::fold;
use super::run::open_store;
use super::{Exit, Failure, put, put_json, tell};
use crate::model::{Entry, Grade};
use crate::os;
use crate::report::{check_believable, escape, read_export};
use crate::service::as_stored;
use crate::store::{ImportRunError, Store, StoredRow};
use crate::verdict;

/// What became of one file.
struct Imported {
    number: i64,
    id: String,
    suite: String,
    host: String,
    simulated: bool,
    there: Grade,
    here: Grade,
}

/// Takes every file in; those before a bad one stay.
pub(super) fn import(wanted: &ImportArguments) -> Result<Exit, Failure> {
    let mut store = open_store(wanted.store.store.as_deref())?;
    let mut imported = Vec::new();
    for file in &wanted.files {
        imported.push(take_in(&mut store, file)?);
    }
    if wanted.store.output.json {
        put_json(&json!({
            "schema": "soakproof.import/1",
            "runs": imported.iter().map(form).collect::<Vec<Value>>(),
        }));
    } else {
        for run in &imported {
            put(&line(run));
        }
    }
    Ok(Exit::Fine)
}

fn form(run: &Imported) -> Value {
    json!({
        "number": run.number,
        "id": run.id,
        "suite": run.suite,
        "host": run.host,
        "simulated": run.simulated,
        "grade": run.here.to_string(),
        "grade_there": run.there.to_string(),
    })
}

fn line(run: &Imported) -> String {
    let simulated = if run.simulated {
        " (simulated machine)"
    } else {
        ""
    };
    let graded = if run.here == run.there {
        format!("graded again: {}, as there", run.here)
    } else {
        format!("graded again: {}, there it was {}", run.here, run.there)
    };
    format!(
        "run {}: suite `{}` on {}{simulated}; {graded}\n",
        run.number,
        escape(&run.suite),
        escape(&run.host)
    )
}

fn take_in(store: &mut Store, file: &Path) -> Result<Imported, Failure> {
    let place = |line: usize, what: &str| {
        let name = file.to_string_lossy();
        let told = format!("{}:{line}: {}", escape(&name), escape(what));
        Failure::usage(anyhow::anyhow!(told))
    };
    let opened = os::open_file(file).map_err(Failure::usage)?;
    let rows = read_export(opened).map_err(|error| place(error.line, &error.what))?;
    let rows: Vec<StoredRow> = rows.into_iter().map(as_stored).collect();
    // Before anything is reckoned with that a header from elsewhere says.
    let header = rows.first().map(StoredRow::header);
    if let Some(Ok(header)) = &header {
        check_believable(header).map_err(|what| place(2, &what))?;
    }
    let record = fold(0, rows.clone()).map_err(|error| place(2, &error.to_string()))?;
    let Some(there) = record.verdict() else {
        return Err(place(
            2,
            "the run was not judged yet; `soakproof runs close` on its own machine does, then export it",
        ));
    };
    let number = store.import_run(&rows).map_err(|error| match error {
        ImportRunError::Row { index, .. } => place(index + 2, &error.to_string()),
        ImportRunError::NoHeader => place(2, &error.to_string()),
        ImportRunError::Known { .. } | ImportRunError::Write(_) => {
            let name = escape(&file.to_string_lossy());
            let error = anyhow::Error::from(error);
            Failure::usage(error.context(format!("cannot take in `{name}`")))
        }
    })?;
    let here = verdict::judge(&record);
    if here.grade != there.grade {
        tell(&format!(
            "warning: version {} graded run {number} `{}`, this one `{}`; both verdicts stay on record",
            escape(&record.header.program),
            there.grade,
            here.grade
        ));
    }
    // Rows that were left out are a gap that the verdict from there knows nothing of.
    if here.grade != there.grade || here.gaps != there.gaps {
        store.append(number, &[Entry::Verdict(Box::new(here.clone()))])?;
    }
    let there = there.grade;
    Ok(Imported {
        number,
        id: record.header.id,
        suite: record.header.plan.suite,
        host: record.header.machine.host,
        simulated: record.header.machine.simulated,
        there,
        here: here.grade,
    })
}
