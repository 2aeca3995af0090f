//! HTTP as every server of ours speaks it, whatever it shows: who may come in, how many, for how long
//! ([`door`], [`gate`]), problems (RFC 9457), visits of browsers, and the headers of pages.
//!
//! *Never* may one way in use up the places of another; *never* does a cookie alter anything but by a form
//! that was made for its visit ([`Sent`]).

mod check;
mod door;
mod entry;
mod gate;
mod headers;
mod pages;
mod problem;
mod sent;
mod tcp;
mod tls;
mod token;
mod visits;

#[cfg(feature = "fleet")]
pub(crate) use check::Lacks;
pub(crate) use check::{TCP_KEYS, check_tcp, secret_place};
pub(crate) use door::{Peer, in_time, listen};
pub(crate) use entry::{ask_in, sign_in, sign_out};
pub(crate) use gate::{House, SIGN_IN, Visitor};
pub(crate) use headers::dress;
pub(crate) use pages::{Teller, aside, events_of, page_script, page_style};
pub(crate) use problem::{Asked, Body, HttpProblem, Path, Problem, wrong_method, wrong_path};
pub(crate) use sent::{Fields, Sent};
pub(crate) use tcp::TcpDoor;
pub use tcp::{OpenTcpError, TcpOptions, TlsFiles};
pub use tls::LoadTlsError;
pub use token::ReadTokenError;
#[cfg(feature = "fleet")]
pub(crate) use visits::random_word;
