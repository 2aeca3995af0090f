//! Whose programs a suite may start. The service may be root's, and its socket is open to a group: without
//! this rule, whoever reaches it could run a command as anybody else.

use axum::http::StatusCode;

use crate::model::RunWish;
use crate::os;
use crate::run::read_suite;
use crate::web::HttpProblem;
use crate::web::Peer;

/// Refuses a suite with programs of somebody other than the one who asks; root may name anyone, and
/// nobody over TCP may start any.
pub(super) fn check_programs(peer: &Peer, wish: &RunWish) -> Result<(), HttpProblem> {
    // A suite with mistakes is told by whoever would run it.
    let Ok(suite) = read_suite(wish) else {
        return Ok(());
    };
    let mut programs = suite.stages.iter().flat_map(|stage| &stage.programs);
    match programs.find(|program| !peer.may_start_as(program.user.as_deref())) {
        None => Ok(()),
        Some(program) => Err(HttpProblem::new(
            StatusCode::FORBIDDEN,
            format!(
                "the program `{}` would not run as the one who asks: over the socket, name yourself as \
                 its `user`; over TCP no suite with programs is taken",
                program.name
            ),
        )),
    }
}

impl Peer {
    fn may_start_as(&self, user: Option<&str>) -> bool {
        match self {
            Self::Local { uid: 0 } => true,
            Self::Local { uid } => match user {
                Some(user) => user == os::user_name(*uid),
                None => *uid == os::own_uid(),
            },
            Self::Remote(_) => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::net::SocketAddr;

    use super::*;

    #[test]
    fn one_starts_programs_as_oneself_root_as_anyone_and_nobody_from_afar() {
        let other = Peer::Local {
            uid: os::own_uid() + 4711,
        };
        let name = other.name();
        assert!(other.may_start_as(Some(&name)));
        assert!(!other.may_start_as(Some("somebody-else")));
        assert!(!other.may_start_as(Some("root")));
        assert!(!other.may_start_as(None));
        assert!(Peer::Local { uid: 0 }.may_start_as(Some("somebody-else")));
        let own = os::own_uid();
        assert!(Peer::Local { uid: own }.may_start_as(None));
        let afar = Peer::Remote(SocketAddr::from(([127, 0, 0, 1], 9)));
        assert!(!afar.may_start_as(None) && !afar.may_start_as(Some(&afar.name())));
    }
}
