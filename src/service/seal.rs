//! Who may have put a job with programs into the queue. What a program runs as was checked when the job was
//! asked for, by what the kernel told of the asker. Where others than the service's user can write the
//! record (its group, which sends the notices), a job in it proves nothing: there only those start that bear
//! the service's seal, made with a key that nobody else can read.

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use crate::model::Job;
use crate::os;
use crate::run::read_suite;
use crate::store::Store;

/// Its name in the service's private folder.
const KEY_FILE: &str = "seal.key";

/// Seals jobs, and knows its own seal.
#[derive(Clone)]
pub(super) struct Sealer(Hmac<Sha256>);

impl std::fmt::Debug for Sealer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Sealer")
    }
}

impl Sealer {
    /// With the key in the folder that the service manager keeps for this service alone, made there when it
    /// is missing. Without such a folder the key lasts as long as the service.
    ///
    /// # Errors
    /// The system gives no random bytes.
    pub(super) fn open() -> std::io::Result<Self> {
        let folder = os::private_state_folder();
        let kept = folder.and_then(|folder| {
            let key = os::keep_random_key(&folder.join(KEY_FILE));
            key.inspect_err(|error| tracing::warn!(%error, "no lasting key for seals"))
                .ok()
        });
        let key = kept.map_or_else(os::random_key, Ok)?;
        let state = Hmac::new_from_slice(&key);
        state.map(Self).map_err(std::io::Error::other)
    }

    /// `job` with the seal: its number and all that it wishes for come from this service.
    #[must_use]
    pub(super) fn seal(&self, mut job: Job) -> Job {
        let tag = self.over(&job).finalize().into_bytes();
        job.seal = Some(tag.iter().map(|byte| format!("{byte:02x}")).collect());
        job
    }

    /// True when `job` may start: it starts no program, or nobody else can write `store`, or it is sealed.
    pub(super) fn vouches_for(&self, job: &Job, store: &Store) -> bool {
        let Ok(suite) = read_suite(&job.wish) else {
            // Whoever would run it tells what is wrong with it.
            return true;
        };
        let programs = suite.stages.iter().any(|stage| !stage.programs.is_empty());
        !programs || is_ours_alone(store) || self.is_sealed(job)
    }

    fn is_sealed(&self, job: &Job) -> bool {
        let bytes = |text: &str| -> Option<Vec<u8>> {
            let pairs = text.as_bytes().chunks(2).map(std::str::from_utf8);
            pairs
                .map(|pair| u8::from_str_radix(pair.ok()?, 16).ok())
                .collect()
        };
        let seal = job.seal.as_deref().and_then(bytes);
        seal.is_some_and(|seal| self.over(job).verify_slice(&seal).is_ok())
    }

    fn over(&self, job: &Job) -> Hmac<Sha256> {
        let mut state = self.0.clone();
        let text = serde_json::to_vec(&(job.id, &job.wish)).unwrap_or_default();
        state.update(&text);
        state
    }
}

fn is_ours_alone(store: &Store) -> bool {
    let folder = store.path().parent();
    folder.is_some_and(os::only_we_write) && os::only_we_write(store.path())
}
