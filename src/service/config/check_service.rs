//! `[service]`: where things are kept and where the service listens.

use super::written::ServiceSection;
use crate::form::{Draft, Keys};
use crate::web::{TCP_KEYS, check_tcp};

pub(super) fn check_service(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> ServiceSection {
    let Some((table, _)) = keys.table(draft, "service") else {
        return ServiceSection::default();
    };
    let known = [&["store", "socket"], TCP_KEYS.as_slice()].concat();
    let keys = Keys::open(draft, table, "[service]", &known);
    ServiceSection {
        store: keys.path(draft, "store"),
        socket: keys.path(draft, "socket"),
        tcp: check_tcp(draft, &keys),
    }
}
