//! From what is on record to what is told: pure, and the same again for the same record, so that a
//! service that died can go on where it was.

use super::cooling::{Earlier, judge_cooling};
use crate::model::{
    End, Entry, Finding, FindingKind, Grade, Notice, NoticeEvent, NoticeRun, RunHeader, Stamped,
    Urgency, Verdict, Wall,
};
use crate::report::{Style, escape, finding_words};
use crate::store::QueueStanding;

/// Most characters of a notice's text; bodies stay far below the 20 kB that Standard Webhooks 1.0
/// recommends.
const MOST_TEXT: usize = 1500;

/// A notice with the key by which it is told once only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// The same for the same event of the same run.
    pub key: String,
    /// What is told.
    pub notice: Notice,
}

/// A run as far as notices need it.
#[derive(Debug)]
pub struct Followed<'a> {
    /// Number in the store.
    pub number: i64,
    /// Its header.
    pub header: &'a RunHeader,
    /// True when a finding stands before the entries that are looked at.
    pub had_finding: bool,
    /// Grade of the last verdict before them.
    pub grade: Option<Grade>,
    /// Verdicts of earlier runs, oldest first.
    pub earlier: &'a [Earlier],
}

/// The notice of a run that began.
pub fn tell_start(run: &Followed<'_>) -> Told {
    let minutes = run.header.plan.length().as_secs().div_ceil(60);
    let text = format!(
        "About {minutes} min of checked load. It makes heat and draws power; `soakproof runs` shows \
         how it stands."
    );
    let at = run.header.started.wall;
    run.told(0, (NoticeEvent::RunStarted, at), "started", text)
}

/// The notices that entries of a run lead to; `entries` come with their numbers, in order.
pub fn tell_entries(run: &mut Followed<'_>, entries: &[(i64, Entry)], style: &Style) -> Vec<Told> {
    let mut told = Vec::new();
    for (seq, entry) in entries {
        match entry {
            Entry::Finding(finding) => {
                told.extend(run.tell_finding(*seq, finding, style));
                run.had_finding = true;
            }
            Entry::End(end) => told.extend(run.tell_end(*seq, end)),
            Entry::Verdict(verdict) => {
                // A verdict has no time of its own; it follows the end.
                let at = last_instant(run.header, entries, *seq);
                told.extend(run.tell_verdict((*seq, at), verdict));
                run.grade = Some(verdict.grade);
            }
            Entry::Stage(_)
            | Entry::Sample(_)
            | Entry::WorkerDone(_)
            | Entry::ProgramRun(_)
            | Entry::Repeated { .. }
            | Entry::Gap(_)
            | Entry::StopMark(_)
            | Entry::Aftermath(_)
            | Entry::Note(_) => {}
        }
    }
    told
}

/// The notice that nothing is left in the queue; none when it was empty before, too.
pub fn tell_queue(before: &QueueStanding, now: &QueueStanding, at: Wall) -> Option<Told> {
    let last = now.last.filter(|_| before.open > 0 && now.open == 0)?;
    let host = escape(&now.host);
    let stamp = if now.simulated { " (simulated)" } else { "" };
    Some(Told {
        key: format!("queue/{last}"),
        notice: Notice {
            event: NoticeEvent::QueueEmpty,
            at,
            simulated: now.simulated,
            title: format!("{host}{stamp}: the queue is empty"),
            host,
            text: "Nothing waits and nothing runs. `soakproof runs` shows what came out."
                .to_owned(),
            urgency: urgency(NoticeEvent::QueueEmpty),
            run: None,
        },
    })
}

/// Wall time of the last entry before number `seq` that has one.
fn last_instant(header: &RunHeader, entries: &[(i64, Entry)], seq: i64) -> Wall {
    let before = entries.iter().filter(|(number, _)| *number < seq);
    let mut instants = before.filter_map(|(_, entry)| match entry {
        Entry::Stage(mark) => Some(mark.at.wall),
        Entry::Finding(finding) => Some(finding.at.wall),
        Entry::End(end) => Some(end.at.wall),
        Entry::WorkerDone(done) => Some(done.at.wall),
        Entry::ProgramRun(run) => Some(run.at.wall),
        Entry::Sample(sample) => Some(sample.at.wall),
        Entry::StopMark(mark) => Some(mark.at.wall),
        Entry::Aftermath(aftermath) => Some(aftermath.at.wall),
        Entry::Note(note) => Some(note.at.wall),
        Entry::Repeated { .. } | Entry::Gap(_) | Entry::Verdict(_) => None,
    });
    instants.next_back().unwrap_or(header.started.wall)
}

impl Followed<'_> {
    fn tell_finding(&self, seq: i64, finding: &Finding, style: &Style) -> Option<Told> {
        let words = finding_words(finding, style);
        let at = finding.at.wall;
        if let FindingKind::Reset { .. } = finding.kind {
            let event = (NoticeEvent::ResetDiscovered, at);
            let text = format!("{words}. The queue is held until you release it.");
            return Some(self.told(seq, event, "was cut short: the machine went down", text));
        }
        if self.had_finding {
            return None;
        }
        Some(self.told(
            seq,
            (NoticeEvent::FirstFinding, at),
            "has a first finding",
            words,
        ))
    }

    fn tell_end(&self, seq: i64, end: &Stamped<End>) -> Option<Told> {
        let End::Guard { reason } = &end.what else {
            return None;
        };
        let event = (NoticeEvent::GuardStopped, end.at.wall);
        let text = format!(
            "{}. Look after the cooling before more load is put on.",
            escape(reason)
        );
        Some(self.told(seq, event, "was stopped by the guard", text))
    }

    fn tell_verdict(&self, (seq, at): (i64, Wall), verdict: &Verdict) -> Vec<Told> {
        let grade = verdict.grade;
        let what = match self.grade {
            None => format!("ended: {grade}"),
            Some(before) => format!("has a revised verdict: {grade}, before {before}"),
        };
        let mut text = verdict.headline.clone();
        if let Some(next) = verdict.next.first() {
            text.push_str(&format!(" Try next: {next}."));
        }
        text.push_str(&format!(" More: `soakproof report {}`.", self.number));
        let mut finished = self.told(seq, (NoticeEvent::RunFinished, at), &what, text);
        if let Some(run) = &mut finished.notice.run {
            run.grade = Some(grade);
        }
        finished.notice.urgency = match grade {
            Grade::Failed => Urgency::High,
            Grade::Marginal | Grade::Inconclusive | Grade::Provisional | Grade::Proven => {
                Urgency::Normal
            }
        };
        let worse = judge_cooling(self.header, verdict, self.earlier);
        let worse = worse.map(|words| {
            let event = (NoticeEvent::CoolingWorse, at);
            self.told(seq, event, "ran hotter than before", words)
        });
        std::iter::once(finished).chain(worse).collect()
    }

    fn told(&self, seq: i64, (event, at): (NoticeEvent, Wall), what: &str, text: String) -> Told {
        let RunHeader { id, machine, .. } = self.header;
        let suite = escape(&self.header.plan.suite);
        let host = escape(&machine.host);
        let stamp = if machine.simulated {
            " (simulated)"
        } else {
            ""
        };
        let notice = Notice {
            event,
            at,
            simulated: machine.simulated,
            title: format!("{host}{stamp}: run {} `{suite}` {what}", self.number),
            host,
            text: text.chars().take(MOST_TEXT).collect(),
            urgency: urgency(event),
            run: Some(NoticeRun {
                number: self.number,
                id: id.clone(),
                suite,
                grade: self.grade,
            }),
        };
        Told {
            key: format!("run/{id}/{seq}/{event}"),
            notice,
        }
    }
}

fn urgency(event: NoticeEvent) -> Urgency {
    match event {
        NoticeEvent::FirstFinding | NoticeEvent::GuardStopped | NoticeEvent::ResetDiscovered => {
            Urgency::High
        }
        NoticeEvent::RunFinished | NoticeEvent::CoolingWorse => Urgency::Normal,
        NoticeEvent::RunStarted | NoticeEvent::QueueEmpty | NoticeEvent::Test => Urgency::Low,
    }
}

/// An invented notice of each event, for trying out templates and ways.
pub fn example_notice(event: NoticeEvent, host: &str, at: Wall) -> Notice {
    let run = NoticeRun {
        number: 12,
        id: "019aba5e-7c00-7000-8000-000000000012".to_owned(),
        suite: "overnight".to_owned(),
        grade: (event == NoticeEvent::RunFinished).then_some(Grade::Provisional),
    };
    let about_run = !matches!(event, NoticeEvent::QueueEmpty | NoticeEvent::Test);
    Notice {
        event,
        at,
        host: host.to_owned(),
        simulated: false,
        title: format!("{host}: a notice of kind {event}"),
        text: "This is a trial. Nothing has happened; \"quotes\", \\ and line\nbreaks must arrive."
            .to_owned(),
        urgency: urgency(event),
        run: about_run.then_some(run),
    }
}
