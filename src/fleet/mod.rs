//! A shop with many machines: an agent beside the service of each, a hub with one queue board, and a message
//! server between them (NATS JetStream), which does the queueing, redelivery and presence.
//!
//! [`protocol`] is what travels; [`floor`] is what is known of the shop and does not depend on the order in
//! which it was heard; [`plan`] decides which job goes out next; [`lease`] which of several hubs acts. These
//! are pure. [`agent`] and [`hub`] carry it out over [`link`].
//!
//! Must never: run a job twice, count a result twice, clear what is owed without a receipt of the hub's,
//! or believe what comes over the line.

pub mod agent;
pub mod floor;
pub mod hub;
pub mod lease;
pub mod link;
pub mod plan;
pub mod protocol;
