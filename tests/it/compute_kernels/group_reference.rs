//! Sequential references of the contention kernels: one worker that does everything in order.

use soakproof::kernels::Answer;

use super::reference::{fold, split_mix};

/// CRC-32C through a general-purpose library.
pub(super) fn crc32c(words: &[u64]) -> u32 {
    let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
    crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&bytes)
}

/// Value `index` of SplitMix64: the generator's state moves by a constant.
fn value(seed: u64, index: u64) -> u64 {
    let moved = seed.wrapping_add(index.wrapping_mul(0x9E37_79B9_7F4A_7C15));
    split_mix(moved, 1)[0]
}

/// `atomics.shared`.
pub(super) fn atomics(rounds: u32) -> Answer {
    let mut digest = 0x6A09_E667_F3BC_C908;
    let mut step = 0_u64;
    [(); 8].map(|()| {
        let numbers = (0..u64::from(rounds)).map(|operation| step * (1 << 32) + operation);
        let words: Vec<u64> = numbers.map(|number| value(10, number)).collect();
        let sum = words
            .iter()
            .fold(0_u64, |sum, word| sum.wrapping_add(*word));
        let parity = words
            .iter()
            .fold(0, |parity, word| parity ^ word.rotate_right(47));
        let product = words.iter().fold(1_u64, |product, word| {
            product.wrapping_mul(if word % 2 == 0 { word + 1 } else { *word })
        });
        // Every ticket is drawn once; every token that was put in is drawn or left, and the first 0.
        let drawn = (0..u64::from(rounds)).map(|ticket| value(11, ticket));
        let tokens = words.iter().map(|word| fold(12, *word));
        let drawn = drawn.chain(tokens).chain([fold(12, 0)]);
        let drawn = drawn.fold(0_u64, u64::wrapping_add);
        for word in [sum, parity, product, u64::from(rounds), drawn] {
            digest = fold(digest, word);
        }
        step += 1;
        digest
    })
}

/// `handover.shared`.
pub(super) fn handover(rounds: u32) -> Answer {
    let mut words = split_mix(13, 64);
    let mut hop = 0;
    [(); 8].map(|()| {
        for _ in 0..rounds {
            let mut carry = value(14, hop);
            for word in &mut words {
                carry = fold(*word, carry);
                *word = carry;
            }
            hop += 1;
        }
        words
            .iter()
            .fold(0x6A09_E667_F3BC_C908, |digest, word| fold(digest, *word))
    })
}

/// `publish.shared`: the digest is of the last record of each burst of 32.
pub(super) fn publish(rounds: u32) -> Answer {
    let mut digest = 0x6A09_E667_F3BC_C908;
    let mut step = 0;
    [(); 8].map(|()| {
        let first = step * u64::from(rounds);
        let bursts = (1..=u64::from(rounds)).collect::<Vec<_>>();
        for burst in bursts.chunks(32) {
            let record = first + burst[burst.len() - 1];
            let words = split_mix(start_of(15, 32 * record), 32);
            digest = fold(
                digest,
                words
                    .iter()
                    .fold(0_u64, |sum, word| sum.wrapping_add(*word)),
            );
        }
        step += 1;
        digest
    })
}

/// State of SplitMix64 from which its next output is value `index` of the generator seeded with `seed`.
fn start_of(seed: u64, index: u64) -> u64 {
    seed.wrapping_add(index.wrapping_mul(0x9E37_79B9_7F4A_7C15))
}

/// A bit of one word of the state, turned before operation `at` of a pass.
#[derive(Debug, Clone, Copy)]
pub(super) struct Flip {
    pub(super) at: u64,
    pub(super) word: usize,
    pub(super) mask: u64,
}

impl Flip {
    fn strike(self, now: u64, state: &mut [u64]) {
        if self.at == now {
            state[self.word] ^= self.mask;
        }
    }
}

/// Words of the state of [`atomics_steps`].
pub(super) const ATOMICS_STATE: usize = 6;

/// `atomics.shared` operation by operation; sum, parity, product, ticket, token, drawn.
pub(super) fn atomics_steps(rounds: u64, flip: Option<Flip>) -> Answer {
    let mut digest = 0x6A09_E667_F3BC_C908;
    let mut step = 0_u64;
    [(); 8].map(|()| {
        let mut state = [0, 0, 1, 0, 0, 0_u64];
        for operation in 0..rounds {
            if let Some(flip) = flip {
                flip.strike(step * rounds + operation, &mut state);
            }
            let word = value(10, step * (1 << 32) + operation);
            let [sum, parity, product, ticket, token, drawn] = &mut state;
            *sum = sum.wrapping_add(word);
            *parity ^= word.rotate_left(17);
            *product = product.wrapping_mul(word | 1);
            *drawn = drawn
                .wrapping_add(value(11, *ticket))
                .wrapping_add(fold(12, *token));
            *ticket = ticket.wrapping_add(1);
            *token = word;
        }
        let [sum, parity, product, ticket, token, drawn] = state;
        for word in [
            sum,
            parity,
            product,
            ticket,
            drawn.wrapping_add(fold(12, token)),
        ] {
            digest = fold(digest, word);
        }
        step += 1;
        digest
    })
}

/// Words of the state of [`handover_steps`].
pub(super) const HANDOVER_STATE: usize = 65;

/// `handover.shared` hop by hop; the buffer, then its CRC.
pub(super) fn handover_steps(rounds: u64, flip: Option<Flip>) -> Answer {
    let mut state = split_mix(13, 64);
    state.push(u64::from(crc32c(&state)));
    let mut hop = 0;
    [(); 8].map(|()| {
        for _ in 0..rounds {
            if let Some(flip) = flip {
                flip.strike(hop, &mut state);
            }
            let (words, crc) = state.split_at_mut(64);
            let mut carry = value(14, hop) ^ u64::from(crc32c(words)) ^ crc[0];
            for word in words.iter_mut() {
                carry = fold(*word, carry);
                *word = carry;
            }
            crc[0] = u64::from(crc32c(words));
            hop += 1;
        }
        state[..64]
            .iter()
            .fold(0x6A09_E667_F3BC_C908, |digest, word| fold(digest, *word))
    })
}

/// Words of the state of [`publish_steps`].
pub(super) const PUBLISH_STATE: usize = 33;

/// `publish.shared` record by record, by a writer alone; the record, then its sequence number.
pub(super) fn publish_steps(rounds: u64, flip: Option<Flip>) -> Answer {
    let words_of = |record: u64| split_mix(start_of(15, 32 * record), 32);
    let mut state = words_of(0);
    state.push(0);
    let (mut digest, mut wrong, mut record) = (0x6A09_E667_F3BC_C908, 0, 0);
    let mut check = |state: &[u64], record: u64| {
        wrong |= state[32] ^ (2 * record);
        for (word, right) in state.iter().zip(words_of(record)) {
            wrong |= word ^ right;
        }
        wrong
    };
    let mut answer = [(); 8].map(|()| {
        for round in 1..=rounds {
            if let Some(flip) = flip {
                flip.strike(record, &mut state);
            }
            check(&state, record);
            record += 1;
            state = words_of(record);
            state.push(2 * record);
            if round % 32 == 0 || round == rounds {
                let sum = state[..32]
                    .iter()
                    .fold(0_u64, |sum, word| sum.wrapping_add(*word));
                digest = fold(digest, sum);
            }
        }
        digest ^ check(&state, record)
    });
    answer[7] = digest ^ check(&state, record);
    answer
}
