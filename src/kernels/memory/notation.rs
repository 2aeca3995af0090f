//! March tests in their standard notation: `a(w0);u(r0,w1);d(r1,w0)`.
//!
//! A march test is a sequence of elements; an element is applied cell by cell in ascending (`u`),
//! descending (`d`) or arbitrary (`a`) address order, all its operations on one cell before the
//! next; `Del` is a pause in which the memory is left alone. The parser is a `const fn` over arrays
//! of fixed size, so that the built-in tests are checked when the program is compiled and a pass
//! never allocates.

use std::fmt;

use thiserror::Error;

/// Most steps (elements and pauses) of a test.
pub const MAX_STEPS: usize = 16;
/// Most operations of an element.
pub const MAX_OPERATIONS: usize = 16;

/// One operation on a cell; the bit picks the background or its complement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Operation {
    /// Read and compare (`r0`, `r1`).
    Read(bool),
    /// Write (`w0`, `w1`).
    Write(bool),
}

/// Address order of an element.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// `u`.
    Up,
    /// `d`.
    Down,
    /// `a`: either will do.
    Either,
}

/// An element of a march test.
#[derive(Clone, Copy)]
pub struct Element {
    /// Address order.
    pub order: Order,
    operations: [Operation; MAX_OPERATIONS],
    length: usize,
}

impl Element {
    /// An element; none when there is no operation or more than [`MAX_OPERATIONS`].
    pub fn new(order: Order, operations: &[Operation]) -> Option<Self> {
        if operations.is_empty() {
            return None;
        }
        let mut all = [Operation::Read(false); MAX_OPERATIONS];
        all.get_mut(..operations.len())?.copy_from_slice(operations);
        Some(Self {
            order,
            operations: all,
            length: operations.len(),
        })
    }

    /// Its operations, in order.
    pub fn operations(&self) -> &[Operation] {
        &self.operations[..self.length]
    }
}

impl PartialEq for Element {
    fn eq(&self, other: &Self) -> bool {
        self.order == other.order && self.operations() == other.operations()
    }
}

impl Eq for Element {}

impl fmt::Debug for Element {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// One step of a march test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// An element.
    Element(Element),
    /// `Del`: leave the memory alone for a while.
    Pause,
}

/// A march test.
#[derive(Clone, Copy)]
pub struct March {
    steps: [Step; MAX_STEPS],
    length: usize,
}

impl March {
    /// A test; none when there is no step or more than [`MAX_STEPS`].
    pub fn new(steps: &[Step]) -> Option<Self> {
        if steps.is_empty() {
            return None;
        }
        let mut all = [Step::Pause; MAX_STEPS];
        all.get_mut(..steps.len())?.copy_from_slice(steps);
        Some(Self {
            steps: all,
            length: steps.len(),
        })
    }

    /// Its steps, in order.
    pub fn steps(&self) -> &[Step] {
        &self.steps[..self.length]
    }

    /// Operations a cell: the `n` factor by which the literature gives the length.
    pub fn operations_per_cell(&self) -> usize {
        let lengths = self.steps().iter().map(|step| match step {
            Step::Element(element) => element.length,
            Step::Pause => 0,
        });
        lengths.sum()
    }

    /// Number of pauses.
    pub fn pauses(&self) -> usize {
        let steps = self.steps().iter();
        steps.filter(|step| matches!(step, Step::Pause)).count()
    }
}

impl PartialEq for March {
    fn eq(&self, other: &Self) -> bool {
        self.steps() == other.steps()
    }
}

impl Eq for March {}

impl fmt::Debug for March {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl fmt::Display for Operation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Read(bit) => write!(f, "r{}", u8::from(*bit)),
            Self::Write(bit) => write!(f, "w{}", u8::from(*bit)),
        }
    }
}

impl fmt::Display for Element {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.order {
            Order::Up => "u(",
            Order::Down => "d(",
            Order::Either => "a(",
        })?;
        for (index, operation) in self.operations().iter().enumerate() {
            let comma = if index == 0 { "" } else { "," };
            write!(f, "{comma}{operation}")?;
        }
        f.write_str(")")
    }
}

impl fmt::Display for March {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, step) in self.steps().iter().enumerate() {
            f.write_str(if index == 0 { "" } else { ";" })?;
            match step {
                Step::Element(element) => write!(f, "{element}")?,
                Step::Pause => f.write_str("Del")?,
            }
        }
        Ok(())
    }
}

/// What is wrong with a text that should be a march test; columns count from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum ParseMarchError {
    /// Something else should stand here.
    #[error("column {column}: {wanted} expected")]
    Expected {
        /// Where.
        column: usize,
        /// What should stand there.
        wanted: &'static str,
    },
    /// More than [`MAX_OPERATIONS`] in one element.
    #[error("column {column}: more than {MAX_OPERATIONS} operations in one element")]
    TooManyOperations {
        /// Where.
        column: usize,
    },
    /// More than [`MAX_STEPS`].
    #[error("column {column}: more than {MAX_STEPS} steps")]
    TooManySteps {
        /// Where.
        column: usize,
    },
}

/// Reads a march test in standard notation. Blanks may stand between the signs.
pub const fn parse_march(text: &str) -> Result<March, ParseMarchError> {
    let bytes = text.as_bytes();
    let mut march = March {
        steps: [Step::Pause; MAX_STEPS],
        length: 0,
    };
    let mut at = 0;
    loop {
        let first = skip_blanks(bytes, at);
        if march.length == MAX_STEPS {
            return Err(ParseMarchError::TooManySteps { column: first + 1 });
        }
        let (step, after) = match parse_step(bytes, first) {
            Ok(parsed) => parsed,
            Err(problem) => return Err(problem),
        };
        march.steps[march.length] = step;
        march.length += 1;
        at = skip_blanks(bytes, after);
        if at == bytes.len() {
            return Ok(march);
        }
        if bytes[at] != b';' {
            return Err(expected(at, "`;` or the end"));
        }
        at += 1;
    }
}

const fn parse_step(bytes: &[u8], at: usize) -> Result<(Step, usize), ParseMarchError> {
    let order = match byte(bytes, at) {
        b'u' => Order::Up,
        b'a' => Order::Either,
        b'd' | b'D'
            if byte(bytes, at + 1).eq_ignore_ascii_case(&b'e')
                && byte(bytes, at + 2).eq_ignore_ascii_case(&b'l') =>
        {
            return Ok((Step::Pause, at + 3));
        }
        b'd' => Order::Down,
        _ => return Err(expected(at, "`u`, `d`, `a` or `Del`")),
    };
    let mut element = Element {
        order,
        operations: [Operation::Read(false); MAX_OPERATIONS],
        length: 0,
    };
    let mut at = skip_blanks(bytes, at + 1);
    if byte(bytes, at) != b'(' {
        return Err(expected(at, "`(`"));
    }
    loop {
        at = skip_blanks(bytes, at + 1);
        if element.length == MAX_OPERATIONS {
            return Err(ParseMarchError::TooManyOperations { column: at + 1 });
        }
        element.operations[element.length] = match parse_operation(bytes, at) {
            Ok(operation) => operation,
            Err(problem) => return Err(problem),
        };
        element.length += 1;
        at = skip_blanks(bytes, at + 2);
        match byte(bytes, at) {
            b',' => {}
            b')' => return Ok((Step::Element(element), at + 1)),
            _ => return Err(expected(at, "`,` or `)`")),
        }
    }
}

const fn parse_operation(bytes: &[u8], at: usize) -> Result<Operation, ParseMarchError> {
    let kind = byte(bytes, at);
    if kind != b'r' && kind != b'w' {
        return Err(expected(at, "`r` or `w`"));
    }
    let bit = match byte(bytes, at + 1) {
        b'0' => false,
        b'1' => true,
        _ => return Err(expected(at + 1, "`0` or `1`")),
    };
    if kind == b'r' {
        Ok(Operation::Read(bit))
    } else {
        Ok(Operation::Write(bit))
    }
}

/// The byte at `at`, 0 past the end.
const fn byte(bytes: &[u8], at: usize) -> u8 {
    if at < bytes.len() { bytes[at] } else { 0 }
}

const fn skip_blanks(bytes: &[u8], mut at: usize) -> usize {
    while at < bytes.len() && bytes[at].is_ascii_whitespace() {
        at += 1;
    }
    at
}

const fn expected(at: usize, wanted: &'static str) -> ParseMarchError {
    ParseMarchError::Expected {
        column: at + 1,
        wanted,
    }
}
