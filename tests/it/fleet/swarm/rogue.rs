//! A machine with a key of its own that was taken over: it says as much as it can, and nothing that is true.

use std::time::{Duration, Instant};

use soakproof::fleet::link::{LinkOptions, connect};
use soakproof::fleet::protocol::{MachineName, Outcome, RunTold, subject, write_message};
use soakproof::model::{Grade, Wall};

/// How much got through to the server.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Flood {
    pub(crate) beats: u64,
    pub(crate) results: u64,
}

/// Floods for `span` as `own`, with words in the name of `victim`, whose serial number is `serial`.
pub(crate) async fn flood(
    (own, link): (MachineName, LinkOptions),
    (victim, serial): (MachineName, String),
    span: Duration,
) -> Flood {
    let mut flood = Flood::default();
    let Ok(client) = connect(&link, true).await else {
        return flood;
    };
    let of = |machine: &MachineName, serial: Option<String>, run: Option<RunTold>| Outcome {
        id: "made up".to_owned(),
        machine: machine.clone(),
        serial,
        at: Wall(0),
        job: None,
        run,
    };
    let run = RunTold {
        id: "00000000-0000-7000-8000-000000000000".to_owned(),
        suite: "night".to_owned(),
        started: Wall(0),
        grade: Grade::Proven,
        rows: 3,
        record: None,
    };
    let lies = [
        b"no message at all".to_vec(),
        write_message(&of(&victim, None, None)),
        write_message(&of(&own, Some(serial), Some(run))),
    ];
    let ends = Instant::now() + span;
    while Instant::now() < ends {
        for lie in &lies {
            for (kind, count) in [("beat", &mut flood.beats), ("results", &mut flood.results)] {
                let said = client
                    .publish(subject(kind, &own), lie.clone().into())
                    .await;
                *count += u64::from(said.is_ok());
            }
        }
        // The server drops what is another's, and the client's own buffer bounds the pace.
        let forged = client
            .publish(subject("beat", &victim), lies[1].clone().into())
            .await;
        drop(forged);
    }
    // More than the server takes at all.
    let whole = vec![0_u8; 100 << 20];
    let whole = client.publish(subject("results", &own), whole.into()).await;
    assert!(whole.is_err(), "100 MB in one message");
    drop(client.flush().await);
    flood
}
