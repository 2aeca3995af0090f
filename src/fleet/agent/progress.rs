//! How far the run under way is, read from the record like anybody else does.

use std::time::Duration;

use crate::fleet::protocol::Progress;
use crate::model::{Entry, RunHeader};
use crate::store::{ReadStoreError, Store};

/// Rows that are read at once.
const PAGE: u32 = 500;

/// Follows one run after the other.
#[derive(Debug, Default)]
pub(super) struct Follower {
    run: Option<Followed>,
}

#[derive(Debug)]
struct Followed {
    number: i64,
    header: RunHeader,
    length: Duration,
    after: i64,
    progress: Progress,
}

impl Follower {
    /// How far run `number` is.
    pub(super) fn look(&mut self, store: &Store, number: i64) -> Result<Progress, ReadStoreError> {
        if self.run.as_ref().is_none_or(|run| run.number != number) {
            self.run = Some(begin(store, number)?);
        }
        let Some(run) = &mut self.run else {
            return Ok(Progress::default());
        };
        loop {
            let rows = store.rows(number, run.after, PAGE)?;
            let Some(last) = rows.last() else { break };
            run.after = last.seq;
            // A damaged row shows nothing; the verdict says what it is worth.
            rows.iter()
                .filter_map(|row| row.entry().ok())
                .for_each(|entry| run.take(&entry));
        }
        Ok(run.progress.clone())
    }
}

fn begin(store: &Store, number: i64) -> Result<Followed, ReadStoreError> {
    let header = store.header(number)?;
    let stages = &header.plan.stages;
    let length: Duration = stages.iter().map(crate::model::Stage::length).sum();
    let progress = Progress {
        suite: header.plan.suite.clone(),
        stages: u32::try_from(stages.len()).unwrap_or(u32::MAX),
        left_s: length.as_secs(),
        ..Progress::default()
    };
    Ok(Followed {
        number,
        header,
        length,
        after: 0,
        progress,
    })
}

impl Followed {
    fn take(&mut self, entry: &Entry) {
        match entry {
            Entry::Stage(mark) if !mark.finished => self.enter(mark.stage),
            Entry::Sample(sample) => {
                self.enter(sample.stage);
                let passed = sample.at.mono.since(self.header.started.mono);
                self.progress.left_s = self.length.saturating_sub(passed).as_secs();
                let hottest = self.header.hottest_of_processor(sample);
                self.progress.hottest_c = hottest.map(|(_, celsius)| celsius);
            }
            Entry::Finding(_) => self.progress.findings += 1,
            Entry::Stage(_)
            | Entry::WorkerDone(_)
            | Entry::ProgramRun(_)
            | Entry::Repeated { .. }
            | Entry::Gap(_)
            | Entry::StopMark(_)
            | Entry::Aftermath(_)
            | Entry::End(_)
            | Entry::Note(_)
            | Entry::Verdict(_) => {}
        }
    }

    fn enter(&mut self, stage: u16) {
        let name = self.header.plan.stages.get(usize::from(stage));
        self.progress.stage = name.map_or_else(String::new, |stage| stage.name.clone());
        self.progress.stage_number = u32::from(stage) + 1;
    }
}
