//! Visits by browsers: a person shows the token once, and the browser then holds a random cookie that
//! stands for it. Visits live in memory, are few, and end by themselves; what their cookie allows is less than
//! what the token does: reading, and the forms of the pages.
//!
//! Cookies know no ports: another server on the same name sees them. That is why nothing but memory knows
//! them and why they end.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

use crate::model::Mono;

/// Most visits at once; one more ends the one that was idle for longest.
const MOST_VISITS: usize = 32;
/// A visit ends when nothing was asked for so long.
pub(crate) const VISIT_LASTS: Duration = Duration::from_secs(12 * 60 * 60);
/// Most wrong tokens from one address within [`TRIES_WITHIN`].
const MOST_TRIES: u32 = 10;
const TRIES_WITHIN: Duration = Duration::from_secs(60);
/// Most addresses whose tries are counted; one more forgets the oldest.
const MOST_ADDRESSES: usize = 256;

/// A word that nobody can guess: 256 random bits.
pub(crate) fn random_word() -> String {
    URL_SAFE_NO_PAD.encode(rand::random::<[u8; 32]>())
}

#[derive(Debug)]
struct Visit {
    /// What the forms of this visit hand back.
    proof: String,
    last: Mono,
}

/// By the digest of its cookie, so that looking for one tells nothing of the others by the time that it takes.
type Visits = BTreeMap<[u8; 32], Visit>;

#[derive(Debug, Clone, Copy)]
struct Tries {
    number: u32,
    since: Mono,
}

/// Who is in, and who tried in vain.
#[derive(Debug, Default)]
pub(crate) struct Book {
    visits: Mutex<Visits>,
    tries: Mutex<BTreeMap<IpAddr, Tries>>,
}

fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn key(cookie: &str) -> [u8; 32] {
    Sha256::digest(cookie.as_bytes()).into()
}

impl Book {
    /// Begins a visit and gives the cookie that stands for it.
    pub(crate) fn begin(&self, now: Mono) -> String {
        let cookie = random_word();
        let mut visits = held(&self.visits);
        visits.retain(|_, visit| now.since(visit.last) < VISIT_LASTS);
        if visits.len() >= MOST_VISITS {
            let longest = visits.iter().min_by_key(|(_, visit)| visit.last);
            if let Some(longest) = longest.map(|(key, _)| *key) {
                visits.remove(&longest);
            }
        }
        let visit = Visit {
            proof: random_word(),
            last: now,
        };
        visits.insert(key(&cookie), visit);
        cookie
    }

    /// What the forms of this visit hand back; none when there is no such visit. It goes on from now.
    pub(crate) fn find(&self, cookie: &str, now: Mono) -> Option<String> {
        let mut visits = held(&self.visits);
        let visit = visits.get_mut(&key(cookie))?;
        if now.since(visit.last) >= VISIT_LASTS {
            return None;
        }
        visit.last = now;
        Some(visit.proof.clone())
    }

    /// Ends a visit.
    pub(crate) fn end(&self, cookie: &str) {
        held(&self.visits).remove(&key(cookie));
    }

    /// False when `address` has shown too many wrong tokens and has to wait.
    pub(crate) fn may_try(&self, address: IpAddr, now: Mono) -> bool {
        let tries = held(&self.tries);
        tries
            .get(&network(address))
            .is_none_or(|tries| tries.number < MOST_TRIES || now.since(tries.since) >= TRIES_WITHIN)
    }

    /// Counts a wrong token from `address`.
    pub(crate) fn tried(&self, address: IpAddr, now: Mono) {
        let mut tries = held(&self.tries);
        tries.retain(|_, tries| now.since(tries.since) < TRIES_WITHIN);
        let address = network(address);
        if tries.len() >= MOST_ADDRESSES && !tries.contains_key(&address) {
            let oldest = tries.iter().min_by_key(|(_, tries)| tries.since);
            if let Some(oldest) = oldest.map(|(address, _)| *address) {
                tries.remove(&oldest);
            }
        }
        let fresh = Tries {
            number: 0,
            since: now,
        };
        tries.entry(address).or_insert(fresh).number += 1;
    }
}

/// Whoever has one address of IPv6 has 2^64 of them.
fn network(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V4(_) => address,
        IpAddr::V6(address) => IpAddr::V6((u128::from(address) >> 64 << 64).into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: u64 = 3_600_000_000_000;

    #[test]
    fn a_visit_goes_on_while_it_is_used_and_ends_when_it_is_not() {
        let book = Book::default();
        let cookie = book.begin(Mono(0));
        let proof = book.find(&cookie, Mono(11 * HOUR)).expect("goes on");
        assert_eq!(book.find(&cookie, Mono(22 * HOUR)), Some(proof));
        assert_eq!(book.find(&cookie, Mono(34 * HOUR)), None);
        let cookie = book.begin(Mono(34 * HOUR));
        book.end(&cookie);
        assert_eq!(book.find(&cookie, Mono(34 * HOUR)), None);
        assert_eq!(book.find("", Mono(34 * HOUR)), None);
    }

    #[test]
    fn one_visit_too_many_ends_the_one_that_was_idle_for_longest() {
        let book = Book::default();
        let cookies: Vec<String> = (0..32).map(|at| book.begin(Mono(at))).collect();
        assert!(book.find(&cookies[0], Mono(100)).is_some());
        let newest = book.begin(Mono(101));
        assert_eq!(book.find(&cookies[1], Mono(102)), None);
        for known in [&cookies[0], &cookies[2], &newest] {
            assert!(book.find(known, Mono(102)).is_some());
        }
        assert_eq!(held(&book.visits).len(), 32);
    }

    #[test]
    fn every_cookie_and_every_proof_is_another_one_of_256_bits() {
        let book = Book::default();
        let cookies: Vec<String> = (0..32).map(|at| book.begin(Mono(at))).collect();
        let proofs: Vec<String> = cookies
            .iter()
            .filter_map(|c| book.find(c, Mono(40)))
            .collect();
        let all: std::collections::BTreeSet<&String> = cookies.iter().chain(&proofs).collect();
        assert_eq!(all.len(), 64);
        assert!(all.iter().all(|word| word.len() == 43), "43 x 6 bits");
    }

    #[test]
    fn ten_wrong_tokens_make_an_address_wait_a_minute_and_nobody_else() {
        let book = Book::default();
        let [one, other] = ["2001:db8:1:2::7", "2001:db8:1:3::7"].map(|a| a.parse().expect("one"));
        let near: IpAddr = "2001:db8:1:2:ffff::1".parse().expect("one");
        for _ in 0..10 {
            assert!(book.may_try(one, Mono(0)));
            book.tried(one, Mono(0));
        }
        assert!(!book.may_try(one, Mono(1)) && !book.may_try(near, Mono(59_000_000_000)));
        assert!(book.may_try(other, Mono(1)) && book.may_try(one, Mono(60_000_000_000)));
        book.tried(one, Mono(61_000_000_000));
        assert!(book.may_try(one, Mono(61_000_000_000)), "counted anew");
    }

    #[test]
    fn tries_from_everywhere_fill_no_memory() {
        let book = Book::default();
        for last in 0..2000_u32 {
            book.tried(IpAddr::V4(last.into()), Mono(u64::from(last)));
        }
        assert_eq!(held(&book.tries).len(), MOST_ADDRESSES);
    }
}
