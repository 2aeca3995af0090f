//! Puts the steps of several chains into one order and their values into registers.
//!
//! A core takes up instructions in order and can look only some way ahead, so folds, loads and stores
//! must lie evenly between the multiply-adds: in bursts they cost a tenth of the peak (measured, Zen 3).
//! Therefore each chain runs at a phase of its own: while one is stored and begins anew, the others
//! are in the middle. The order is a circle: a chain that begins in one turn of the loop ends in the
//! next, and so do the times in which its values are live. Registers are given to arcs of that circle.

use std::collections::BTreeMap;

/// A value that lives in a register: state of `chain` before `round`, or the product made in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Value {
    pub(crate) chain: usize,
    pub(crate) round: usize,
    pub(crate) is_product: bool,
}

/// Which end of a chain an instruction belongs to within a turn of the loop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    /// Works off the element that was begun in the turn before.
    Old,
    /// Loads the next element; `Old` instructions of the chain come before it, `New` ones after.
    Begin,
    /// Works on the element that was begun in this turn.
    New,
}

/// An instruction; `%0`, `%1` in its text stand for the registers of its values.
#[derive(Debug, Clone)]
pub(crate) struct Instruction {
    pub(crate) side: Side,
    pub(crate) text: String,
    pub(crate) values: Vec<Value>,
}

/// Collects the instructions of a turn, in which there are as many events as chains have phases together.
#[derive(Debug)]
pub(crate) struct Turn {
    /// For each event what earlier events put there, then what it does itself.
    events: Vec<[Vec<Instruction>; 2]>,
}

impl Turn {
    pub(crate) fn new(events: usize) -> Self {
        let events = vec![[Vec::new(), Vec::new()]; events];
        Self { events }
    }

    /// Puts an instruction `delay` events after `event`. What passes the end of the turn comes at the
    /// beginning of the next, where the element is the old one.
    pub(crate) fn put(&mut self, event: usize, delay: usize, mut instruction: Instruction) {
        let mut at = event + delay;
        if at >= self.events.len() {
            assert!(
                instruction.side == Side::New,
                "the end of an element is delayed into the next turn: {instruction:?}"
            );
            at -= self.events.len();
            instruction.side = Side::Old;
        }
        self.events[at][usize::from(delay == 0)].push(instruction);
    }

    pub(crate) fn into_order(self) -> Vec<Instruction> {
        self.events.into_iter().flatten().flatten().collect()
    }
}

/// A step of a chain.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
    event: usize,
    pub(crate) chain: usize,
    pub(crate) round: usize,
    pub(crate) step: usize,
    pub(crate) side: Side,
}

/// The steps of a turn in their order, each chain at a phase of its own.
pub(crate) fn steps(
    chains: usize,
    rounds: usize,
    steps_a_round: usize,
) -> impl Iterator<Item = Step> {
    let phases = rounds * steps_a_round;
    (0..phases * chains).map(move |event| {
        let (slot, chain) = (event / chains, event % chains);
        let lead = chain * phases / chains;
        let phase = (slot + lead) % phases;
        Step {
            event,
            chain,
            round: phase / steps_a_round,
            step: phase % steps_a_round,
            side: if slot + lead < phases {
                Side::Old
            } else {
                Side::New
            },
        }
    })
}

impl Step {
    pub(crate) fn state(self) -> Value {
        Value {
            chain: self.chain,
            round: self.round,
            is_product: false,
        }
    }

    pub(crate) fn next_state(self) -> Value {
        Value {
            round: self.round + 1,
            ..self.state()
        }
    }

    pub(crate) fn put(self, turn: &mut Turn, delay: usize, text: String, values: &[Value]) {
        let instruction = Instruction {
            side: self.side,
            text,
            values: values.to_vec(),
        };
        turn.put(self.event, delay, instruction);
    }

    /// True when an instruction of this step comes only in the next turn.
    pub(crate) fn passes_end(self, turn: &Turn, delay: usize) -> bool {
        self.event + delay >= turn.events.len()
    }

    /// Stores the last state at `old` and loads the next element of the chain from `new`.
    pub(crate) fn renew(self, turn: &mut Turn, delay: usize, load: &str, (old, new): (&str, &str)) {
        self.put(
            turn,
            delay,
            format!("{load} {old}, %0"),
            &[self.next_state()],
        );
        let begin = Self {
            round: 0,
            side: Side::Begin,
            ..self
        };
        begin.put(turn, delay, format!("{load} %0, {new}"), &[begin.state()]);
    }
}

/// The loop of a block, from its label on: what begins the first elements, whole turns, what ends the last
/// ones. Each turn but the last is followed by `advance`. Values go to registers of the set called
/// `register` below number `registers`; `rcx` counts the turns.
pub(crate) fn loop_text(
    order: &[Instruction],
    (register, registers): (&str, usize),
    advance: &str,
) -> String {
    let given = give_registers(order, registers);
    let lines = |wanted: &dyn Fn(Side) -> bool| {
        let mut text = String::new();
        for instruction in order.iter().filter(|instruction| wanted(instruction.side)) {
            let mut line = instruction.text.clone();
            for (index, value) in instruction.values.iter().enumerate() {
                let name = format!("{register}{}", given[value]);
                line = line.replace(&format!("%{index}"), &name);
            }
            text += &line;
            text.push('\n');
        }
        text
    };
    let first = lines(&|side| side != Side::Old);
    let turn = lines(&|_| true);
    let last = lines(&|side| side == Side::Old);
    format!("{first}{advance}.p2align 6\n2:\n{turn}{advance}dec rcx\njnz 2b\n{last}")
}

/// A function of the name, between what sets it up and what ends it.
pub(crate) fn function_text(name: &str, body: [&str; 3]) -> String {
    format!(".globl {name}\n.p2align 6\n{name}:\n{}", body.concat())
}

/// Pointers are held this far into their data, so that most displacements fit into one byte.
pub(crate) const BIAS: usize = 128;

/// Place `offset` bytes into data that begins `before` bytes before `pointer`.
pub(crate) fn place(pointer: &str, offset: usize, before: usize) -> String {
    if offset < before {
        format!("[{pointer} - {}]", before - offset)
    } else {
        format!("[{pointer} + {}]", offset - before)
    }
}

/// From the first to the last instruction that names a value, on the circle.
#[derive(Debug, Clone, Copy)]
struct Arc {
    start: usize,
    length: usize,
    value: Value,
}

/// A register below `registers` for each value.
fn give_registers(order: &[Instruction], registers: usize) -> BTreeMap<Value, usize> {
    let arcs = live_arcs(order);
    let cuts = (0..order.len()).flat_map(|cut| [(cut, false), (cut, true)]);
    cuts.into_iter()
        .find_map(|(cut, tight)| paint(&arcs, cut, tight, (order.len(), registers)))
        .expect("enough registers for the schedule")
}

fn live_arcs(order: &[Instruction]) -> Vec<Arc> {
    let turn = order.len();
    let begins: BTreeMap<usize, usize> = (0..turn)
        .filter(|at| order[*at].side == Side::Begin)
        .map(|at| (order[at].values[0].chain, at))
        .collect();
    // Places in the life of an element, which begins where its chain loads it.
    let mut lives: BTreeMap<Value, (usize, usize)> = BTreeMap::new();
    for (at, instruction) in order.iter().enumerate() {
        for value in &instruction.values {
            let place = match instruction.side {
                Side::Old => at + turn - begins[&value.chain],
                Side::Begin | Side::New => at - begins[&value.chain],
            };
            let life = lives.entry(*value).or_insert((place, place));
            *life = (life.0.min(place), life.1.max(place));
        }
    }
    let arc = |(value, (first, last)): (&Value, &(usize, usize))| Arc {
        start: (first + begins[&value.chain]) % turn,
        length: last - first,
        value: *value,
    };
    lives.iter().map(arc).collect()
}

/// Gives registers in order from `cut` on: the one that has been free longest, or (`tight`) the one
/// that is free for the shortest time from here on. An arc may begin where another ends, as an
/// instruction reads before it writes.
fn paint(
    arcs: &[Arc],
    cut: usize,
    tight: bool,
    (turn, registers): (usize, usize),
) -> Option<BTreeMap<Value, usize>> {
    let mut shifted: Vec<(usize, &Arc)> = arcs
        .iter()
        .map(|arc| ((arc.start + turn - cut) % turn, arc))
        .collect();
    shifted.sort_by_key(|(start, arc)| (*start, arc.value));
    let (over_the_cut, inside): (Vec<_>, Vec<_>) = shifted
        .into_iter()
        .partition(|(start, arc)| start + arc.length >= turn);
    if over_the_cut.len() > registers {
        return None;
    }
    let mut given = BTreeMap::new();
    let mut free_from = vec![0; registers];
    let mut free_to = vec![usize::MAX; registers];
    for (register, (start, arc)) in over_the_cut.into_iter().enumerate() {
        given.insert(arc.value, register);
        free_from[register] = start + arc.length - turn;
        free_to[register] = start;
    }
    for (start, arc) in inside {
        let end = start + arc.length;
        let free = (0..registers).filter(|one| free_from[*one] <= start && end <= free_to[*one]);
        let register = if tight {
            free.min_by_key(|one| (free_to[*one], free_from[*one]))
        } else {
            free.min_by_key(|one| (free_from[*one], free_to[*one]))
        }?;
        given.insert(arc.value, register);
        free_from[register] = end;
    }
    Some(given)
}
