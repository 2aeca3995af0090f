//! The run under way as pages show it: one view for all who look, brought up to date from the store when
//! somebody does.

use std::sync::{Arc, Mutex, PoisonError};

use crate::model::RunHeader;
use crate::report::Style;
use crate::report::live::LiveView;
use crate::service::http::runs::PAGE_ROWS;
use crate::store::Store;
use crate::web::HttpProblem;

/// The view, where somebody has looked at a run.
#[derive(Debug, Clone, Default)]
pub(in crate::service) struct Followed(Arc<Mutex<Option<Seen>>>);

#[derive(Debug)]
struct Seen {
    run: i64,
    after: i64,
    view: LiveView,
}

impl Followed {
    /// Lets `show` look at `run` as it is by now; without a run what was known of the last one goes.
    pub(super) fn look<T>(
        &self,
        (store, run): (&Store, Option<i64>),
        style: &Style,
        show: impl FnOnce(Option<&LiveView>) -> T,
    ) -> Result<T, HttpProblem> {
        let mut seen = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(run) = run else {
            *seen = None;
            return Ok(show(None));
        };
        let mut known = match seen.take().filter(|known| known.run == run) {
            Some(known) => known,
            None => begin(store, run, style)?,
        };
        catch_up(store, &mut known)?;
        let shown = show(Some(&known.view));
        *seen = Some(known);
        Ok(shown)
    }
}

fn begin(store: &Store, run: i64, style: &Style) -> Result<Seen, HttpProblem> {
    let header: RunHeader = store.header(run)?;
    Ok(Seen {
        run,
        after: 0,
        view: LiveView::new(run, &header, style),
    })
}

fn catch_up(store: &Store, known: &mut Seen) -> Result<(), HttpProblem> {
    loop {
        let rows = store.rows(known.run, known.after, PAGE_ROWS)?;
        let Some(last) = rows.last() else {
            return Ok(());
        };
        known.after = last.seq;
        // What is damaged is told by the report.
        let entries = rows.iter().filter_map(|row| row.entry().ok());
        entries.for_each(|entry| known.view.take(&entry));
    }
}
