//! `run`: check everything that can be checked before load is put on, run, show the verdict.

use std::path::Path;

use anyhow::Context;
use tokio::signal::unix::SignalKind;

use super::arguments::{Required, RunArguments, SuiteNamed};
use super::configuration::{record_folder, usual_configuration, usual_record_folder};
use super::dry_run::show_plan;
use super::notices::{close_desk, start_desk};
use super::progress::Screen;
use super::runs::{Again, recover};
use super::through::{Service, find, interrupts, told_to_leave};
use super::{Exit, Failure, put, put_json, tell};
use crate::model::{Declared, EFFICIENCY, Gap, Grade, LoadClass, RunWish};
use crate::os::{self, HardwareWatchdog, LoadLock, Root, WATCHDOG_TIME};
use crate::report::{self, Style};
use crate::run::{
    Companions, Pulse, RunOutcome, RunSetup, Stops, open_whole_store, plan_run, prepare_run,
    run_suite, set_aside_gap, stand_on_ledger,
};
use crate::store::Store;

/// Runs the command.
pub(super) fn run(wanted: &RunArguments) -> Result<Exit, Failure> {
    let root = wanted.machine.root();
    let wish = wish(&wanted.named)?;
    if wanted.dry_run {
        let (plan, machine) = plan_run(&root, &wish).map_err(Failure::usage)?;
        return Ok(show_plan(&plan, &machine, wanted));
    }
    match find(&wanted.store, Some(&wanted.machine))? {
        Some(service) => run_there(&service, wish, wanted),
        None => run_here(&root, &wish, wanted),
    }
}

/// Through a service, which goes on with the run when this process is gone.
fn run_there(service: &Service, wish: RunWish, wanted: &RunArguments) -> Result<Exit, Failure> {
    let mut screen = Screen::new(wanted.lines, Some(Box::new(os::interrupt_self)));
    let followed = service.wait(async |client| {
        let run = client.start_run(wish).await?;
        let mut interrupts = interrupts();
        let followed = client.follow(run, &mut screen, &mut interrupts);
        let seen = tokio::select! {
            followed = followed => followed.map(|()| true)?,
            () = told_to_leave([SignalKind::terminate(), SignalKind::hangup()]) => false,
        };
        let shown = client.record(&run.to_string()).await?;
        Ok((seen, shown))
    });
    screen.clear();
    let (seen, (number, record)) = followed?;
    if !seen {
        let error = anyhow::anyhow!(
            "told to end; run {number} goes on in the service: `soakproof watch {number}`"
        );
        return Err(error.into());
    }
    let verdict = record
        .verdict()
        .cloned()
        .context("the run has ended without a verdict")?;
    let outcome = RunOutcome {
        number,
        record,
        verdict,
        stored: true,
    };
    show(&outcome, wanted)
}

/// Without a service: the run is this process's own.
fn run_here(root: &Root, wish: &RunWish, wanted: &RunArguments) -> Result<Exit, Failure> {
    let mut prepared = prepare_run(root, wish).map_err(Failure::usage)?;
    let _lock = LoadLock::take()?;
    let configuration = usual_configuration()?;
    let folder = record_folder(wanted.store.store.as_deref(), &configuration)?;
    let (mut store, aside) = open_whole(&folder)?;
    // Before recovery, so that a reset that is discovered now is told.
    let desk = start_desk(&store, configuration.notices);
    recover(&mut store, root, Again::Late);
    prepared.header.gaps.extend(aside);
    stand_on_ledger(root, &store, &mut prepared.header)?;
    let companions = companions(root, wanted.watchdog || configuration.watchdog.enabled)?;
    let mut screen = Screen::new(wanted.lines, Some(Box::new(os::interrupt_self)));
    let runtime = os::event_loop().context("cannot start the event loop")?;
    let outcome = runtime.block_on(async {
        let setup = RunSetup {
            prepared,
            store,
            stops: Stops::signals().context("cannot listen for signals")?,
            pulse: Pulse::default(),
            companions,
        };
        anyhow::Ok(run_suite(setup, &mut screen).await?)
    });
    screen.clear();
    let shown = outcome
        .map_err(Failure::from)
        .and_then(|outcome| show(&outcome, wanted));
    close_desk(desk);
    shown
}

fn show(outcome: &RunOutcome, wanted: &RunArguments) -> Result<Exit, Failure> {
    if wanted.store.output.json {
        put_json(&report::report_json(Some(outcome.number), &outcome.record));
    } else {
        put(&report::verdict_text(
            &outcome.record,
            &outcome.verdict,
            style().of_run(outcome.number),
        ));
    }
    if !outcome.stored {
        let error = anyhow::anyhow!(
            "part of the record of run {} could not be written; the verdict above is all there is: \
             free room in the store's folder or name another one with --store DIR",
            outcome.number
        );
        return Err(Failure {
            error,
            exit: Exit::Other,
        });
    }
    let required = wanted.require.map(|Required::Proven| Grade::Proven);
    Ok(Exit::of(&outcome.verdict, required))
}

/// How texts are drawn: plain, so that they read the same everywhere.
pub(super) fn style() -> Style {
    Style::new(false, os::terminal_width()).in_zone(jiff::tz::TimeZone::system())
}

/// Opens the record in `folder` or in the usual one.
pub(super) fn open_store(folder: Option<&Path>) -> Result<Store, Failure> {
    Ok(Store::open(&usual_record_folder(folder)?)?)
}

fn companions(root: &Root, watchdog: bool) -> Result<Companions, Failure> {
    let watchdog = watchdog.then(|| HardwareWatchdog::arm(root, WATCHDOG_TIME));
    let watchdog = watchdog.transpose().map_err(Failure::usage)?;
    if let Some(armed) = &watchdog {
        let facts = armed.facts();
        tell(&format!(
            "the watchdog `{}` is armed: it fires after {} s without a sign of life, and is stopped at \
             the end of the run",
            report::escape(&facts.name),
            facts.timeout.as_secs()
        ));
    }
    Ok(Companions {
        watchdog,
        awake: !root.is_simulated(),
        clocks: Some(root.clone()),
    })
}

/// Opens the record in `folder`, checked first; a damaged one is set aside and told.
pub(super) fn open_whole(folder: &Path) -> Result<(Store, Option<Gap>), Failure> {
    let (store, aside) = open_whole_store(folder, os::moment().wall)?;
    let gap = aside.as_ref().map(set_aside_gap);
    if let Some(gap) = &gap {
        tell(&format!(
            "warning: {}: {}",
            report::escape(&gap.about),
            gap.remedy
        ));
    }
    Ok((store, gap))
}

/// The suite and the declarations as typed; a file is read here, with the person's rights.
pub(super) fn wish(named: &SuiteNamed) -> Result<RunWish, Failure> {
    let name = &named.suite;
    let is_path = name.contains('/') || name.ends_with(".toml");
    let text = if is_path {
        let path = std::path::absolute(name).context("cannot find the suite file")?;
        let text = Root::real().read_bytes(path).map_err(|error| {
            Failure::usage(anyhow::Error::from(error).context("no such suite file"))
        })?;
        let text = String::from_utf8(text)
            .map_err(|_| Failure::usage(anyhow::anyhow!("`{name}` is not UTF-8 text")))?;
        Some(text)
    } else {
        None
    };
    Ok(RunWish {
        suite: name.clone(),
        text,
        declared: declared(named),
        maker_limit_c: named.maker_limit,
        without_thermometer: named.without_thermometer,
    })
}

fn declared(named: &SuiteNamed) -> Declared {
    let given = |class| match class {
        LoadClass::WideVector => named.wide_clock.or(named.clock),
        LoadClass::ScalarInteger
        | LoadClass::ScalarFloat
        | LoadClass::Memory
        | LoadClass::Contention => named.clock,
    };
    let clocks = LoadClass::ALL.into_iter();
    Declared {
        clock_mhz: clocks
            .filter_map(|class| Some((class, given(class)?)))
            .collect(),
        kind_clock_mhz: named
            .efficiency_clock
            .map(|mhz| (EFFICIENCY.to_owned(), mhz))
            .into_iter()
            .collect(),
        ambient_c: named.ambient,
        hottest_day_c: named.hottest_day,
        note: named.note.clone(),
        standing: None,
    }
}
