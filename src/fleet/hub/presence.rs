//! Signs of life, as they come; who falls silent in mid-job is written down at once.

use std::collections::BTreeMap;
use std::time::Duration;

use async_nats::{Client, Message};
use futures_util::StreamExt;
use tokio::time::{MissedTickBehavior, interval};

use super::keep::Keep;
use super::live::{LiveKeep, LiveLine};
use super::query::Lost;
use super::shop::{Presence, SharedShop};
use crate::fleet::protocol::{Beat, MachineName, machine_of_subject, parse_message, subject};
use crate::model::{Moment, Mono};
use crate::os;

/// Between two looks at who is silent; what was heard is in the file after this time.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Signs of life that one machine may show within a second; it shows one.
const MOST_A_SECOND: u32 = 10;
/// Longest text of a sign of life that is kept, in bytes.
const MOST_BEAT: usize = 16 << 10;

/// Listens until it is dropped.
pub(super) async fn listen(
    client: Client,
    shop: SharedShop,
    (mut keep, mut live): (Keep, LiveKeep),
) -> Result<(), async_nats::SubscribeError> {
    remember(&shop, &live);
    let any = |kind: &str| format!("{}.{kind}.*", crate::fleet::protocol::SUBJECTS);
    let mut beats = client.subscribe(any("beat")).await?;
    let mut lives = client.subscribe(any("live")).await?;
    let mut looks = interval(LOOK_EVERY);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut heard: BTreeMap<MachineName, u32> = BTreeMap::new();
    loop {
        tokio::select! {
            Some(message) = beats.next() => hear(&shop, &message, &mut heard),
            Some(message) = lives.next() => hear(&shop, &message, &mut heard),
            _ = looks.tick() => {
                for (machine, count) in &heard {
                    if *count > MOST_A_SECOND {
                        tracing::warn!(%machine, count, "a flood of signs of life; most are passed over");
                    }
                }
                heard.clear();
                look(&shop, &mut keep, &mut live);
            }
        }
    }
}

/// What a hub before this one heard: a machine that fell silent meanwhile is noticed too.
fn remember(shop: &SharedShop, live: &LiveKeep) {
    let now = os::monotonic();
    match live.lines() {
        Ok(lines) => {
            let present = lines.into_iter().map(|(name, line)| {
                let presence = Presence {
                    line,
                    heard: now,
                    lost: false,
                    remembered: true,
                    fresh: false,
                    unanswered: false,
                };
                (name, presence)
            });
            shop.lock().present = present.collect();
        }
        Err(error) => tracing::warn!(%error, "earlier signs of life cannot be read"),
    }
}

fn hear(shop: &SharedShop, message: &Message, heard: &mut BTreeMap<MachineName, u32>) {
    let Some(machine) = machine_of_subject(&message.subject) else {
        return;
    };
    let count = heard.entry(machine.clone()).or_default();
    *count += 1;
    if *count > MOST_A_SECOND {
        return;
    }
    let beat = if message.payload.len() > MOST_BEAT {
        Err(format!("{} bytes", message.payload.len()))
    } else {
        parse_message::<Beat>(&message.payload).map_err(|error| error.to_string())
    };
    match beat {
        Ok(beat) if beat.machine == machine => take(shop, beat, os::moment()),
        Ok(beat) => {
            tracing::warn!(%machine, says = %beat.machine, "a machine speaks in the name of another");
        }
        Err(why) => tracing::warn!(%machine, why, "a sign of life cannot be read"),
    }
}

fn take(shop: &SharedShop, beat: Beat, now: Moment) {
    let mut shop = shop.lock();
    let machine = beat.machine.clone();
    let lost = shop.present.get(&machine).is_some_and(|before| before.lost);
    let presence = Presence {
        unanswered: !beat.owed.is_empty() || beat.job.is_some(),
        line: LiveLine {
            beat,
            heard: now.wall,
        },
        heard: now.mono,
        lost,
        remembered: false,
        fresh: true,
    };
    shop.present.insert(machine, presence);
}

/// Writes down who fell silent in mid-job, who came back, and what was heard.
fn look(shop: &SharedShop, keep: &mut Keep, live: &mut LiveKeep) {
    let now = os::moment();
    let (lost, back, fresh) = sort_out(shop, now.mono);
    for lost in lost {
        tracing::error!(
            machine = %lost.machine,
            job = lost.job,
            doing = lost.doing,
            "a machine vanished in mid-job"
        );
        if let Err(error) = keep.put_lost(&lost) {
            tracing::error!(error = os::with_cause(&error), "that cannot be kept");
        }
    }
    for machine in back {
        tracing::info!(%machine, "a machine that had vanished is heard again");
        if let Err(error) = keep.put_back(&machine, now.wall) {
            tracing::error!(error = os::with_cause(&error), "that cannot be kept");
        }
    }
    if let Err(error) = live.put(fresh.iter()) {
        tracing::warn!(%error, "signs of life cannot be kept");
    }
}

fn sort_out(shop: &SharedShop, now: Mono) -> (Vec<Lost>, Vec<MachineName>, Vec<LiveLine>) {
    let (mut lost, mut back, mut fresh) = (Vec::new(), Vec::new(), Vec::new());
    for (machine, presence) in &mut shop.lock().present {
        let silent = presence.is_silent(now);
        if silent && presence.is_loaded() && !presence.lost {
            presence.lost = true;
            let beat = &presence.line.beat;
            lost.push(Lost {
                machine: machine.clone(),
                at: presence.line.heard,
                job: beat.job.clone(),
                doing: beat.doing.to_string(),
                back: None,
            });
        }
        if !silent && presence.lost {
            presence.lost = false;
            back.push(machine.clone());
        }
        if std::mem::take(&mut presence.fresh) {
            fresh.push(presence.line.clone());
        }
    }
    (lost, back, fresh)
}

/// Where `machine` hears words of the hub's.
pub(super) fn word_subject(machine: &MachineName) -> String {
    subject("word", machine)
}
