//! What a worker gives up once it has all it needs: an unstable core jumps to garbage, and garbage must not
//! open a file, start a program or reach the network with the rights of the service.

use std::collections::BTreeMap;

use caps::{CapSet, Capability};
use nix::errno::Errno;
use nix::libc;
use nix::sys::resource::{Resource, setrlimit};
use seccompiler::{
    BpfProgram, SeccompAction, SeccompCmpArgLen, SeccompCmpOp, SeccompCondition, SeccompFilter,
    SeccompRule, TargetArch, apply_filter,
};

use super::memory::open_page_map;

/// A worker keeps rights that it has no use for.
#[derive(Debug, thiserror::Error)]
pub enum ConfineError {
    /// A bound on what it may have could not be set.
    #[error("cannot {0}")]
    Limit(&'static str, #[source] Errno),
    /// Capabilities stayed.
    #[error("cannot drop capabilities")]
    Capabilities(#[source] caps::errors::CapsError),
    /// The kernel took no filter of system calls.
    #[error("cannot filter system calls")]
    Filter(#[source] seccompiler::Error),
}

/// System calls of a worker at work. Anything else is answered with `EPERM` and not with death: a call that
/// some C library makes in place of one of these must not look like a crash of the machine under test.
const CALLS: &[libc::c_long] = &[
    // Memory given back, allocation, the stack of signals.
    libc::SYS_munmap,
    libc::SYS_mremap,
    libc::SYS_madvise,
    libc::SYS_brk,
    libc::SYS_sigaltstack,
    // Time, sleep, turns.
    libc::SYS_clock_gettime,
    libc::SYS_clock_nanosleep,
    libc::SYS_nanosleep,
    libc::SYS_restart_syscall,
    libc::SYS_sched_yield,
    libc::SYS_sched_getaffinity,
    libc::SYS_sched_setaffinity,
    libc::SYS_futex,
    // Descriptors that it has.
    libc::SYS_read,
    libc::SYS_pread64,
    libc::SYS_write,
    libc::SYS_writev,
    libc::SYS_ppoll,
    libc::SYS_close,
    // Signals and the end.
    libc::SYS_rt_sigaction,
    libc::SYS_rt_sigprocmask,
    libc::SYS_rt_sigreturn,
    libc::SYS_getpid,
    libc::SYS_gettid,
    libc::SYS_getrandom,
    libc::SYS_set_robust_list,
    libc::SYS_exit,
    libc::SYS_exit_group,
    #[cfg(target_arch = "x86_64")]
    libc::SYS_poll,
];
/// Descriptors are numbered below this; `poll` refuses more than the limit, so it is not 0.
const DESCRIPTORS: u64 = 64;

/// Takes from the calling thread every capability, the right to gain any, new processes, and all system calls
/// but those of a worker at work. Memory must be mapped and locked before.
///
/// # Errors
/// The first step that the kernel refused; those before it hold.
pub fn confine_worker() -> Result<(), ConfineError> {
    // Frames are told to the capabilities of whoever opened the file.
    open_page_map();
    let limit = |what| move |source| ConfineError::Limit(what, source);
    nix::sys::prctl::set_no_new_privs().map_err(limit("give up gaining rights"))?;
    setrlimit(Resource::RLIMIT_NPROC, 0, 0).map_err(limit("forbid new processes"))?;
    setrlimit(Resource::RLIMIT_NOFILE, DESCRIPTORS, DESCRIPTORS)
        .map_err(limit("limit descriptors"))?;
    drop_capabilities().map_err(ConfineError::Capabilities)?;
    filter()
        .and_then(|program| apply_filter(&program))
        .map_err(ConfineError::Filter)
}

fn drop_capabilities() -> Result<(), caps::errors::CapsError> {
    // Without this right nothing is left that the set could bound.
    if caps::has_cap(None, CapSet::Effective, Capability::CAP_SETPCAP)? {
        caps::clear(None, CapSet::Bounding)?;
    }
    caps::clear(None, CapSet::Ambient)?;
    caps::clear(None, CapSet::Effective)?;
    caps::clear(None, CapSet::Permitted)?;
    caps::clear(None, CapSet::Inheritable)
}

/// The program for the kernel.
fn filter() -> Result<BpfProgram, seccompiler::Error> {
    let argument = |index, operation, value| {
        let condition = SeccompCondition::new(index, SeccompCmpArgLen::Dword, operation, value)?;
        SeccompRule::new(vec![condition])
    };
    let executable = u64::from(libc::PROT_EXEC.cast_unsigned());
    let plain = || argument(2, SeccompCmpOp::MaskedEq(executable), 0);
    let own = u64::from(std::process::id());
    let mut rules: BTreeMap<i64, Vec<SeccompRule>> =
        CALLS.iter().map(|call| (*call, Vec::new())).collect();
    rules.insert(libc::SYS_mmap, vec![plain()?]);
    rules.insert(libc::SYS_mprotect, vec![plain()?]);
    // A signal that was noted is raised again.
    rules.insert(libc::SYS_tgkill, vec![argument(0, SeccompCmpOp::Eq, own)?]);
    let filter = SeccompFilter::new(
        rules,
        SeccompAction::Errno(Errno::EPERM as u32),
        SeccompAction::Allow,
        TargetArch::try_from(std::env::consts::ARCH)?,
    )?;
    Ok(BpfProgram::try_from(filter)?)
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "the test starts itself again")]
mod tests {
    use super::*;
    use crate::os::{Region, frame_address, monotonic, pin_to, sleep_until};

    #[test]
    fn a_confined_worker_can_do_its_work_and_nothing_else() {
        let inner = "os::confinement::tests::confined_in_a_process_of_its_own";
        let mut again = std::process::Command::new(std::env::current_exe().unwrap());
        let output = again.args([inner, "--exact", "--ignored", "--nocapture"]);
        let output = output.output().unwrap();
        let words = String::from_utf8_lossy(&output.stdout).into_owned()
            + &String::from_utf8_lossy(&output.stderr);
        assert!(
            output.status.success() && words.contains("1 passed"),
            "{words}"
        );
    }

    #[test]
    #[ignore = "gives up rights for good: started by the test above in a process of its own"]
    fn confined_in_a_process_of_its_own() {
        let mut region = Region::map(8 << 20, &mut || true).unwrap();
        let frame = frame_address(region.address());
        confine_worker().unwrap();

        region.words_mut().fill(7);
        region.shrink(1 << 20);
        assert_eq!(frame_address(region.address()).is_some(), frame.is_some());
        let cpus = crate::os::allowed_cpus();
        pin_to(cpus[0]).unwrap();
        sleep_until(monotonic().plus(std::time::Duration::from_millis(2)));
        assert_eq!(
            vec![1_u8; 4 << 20]
                .iter()
                .filter(|byte| **byte == 1)
                .count(),
            4 << 20
        );
        println!("still heard");

        let refused = |what: Result<(), std::io::Error>| {
            let error = what.expect_err("was possible");
            assert_eq!(error.raw_os_error(), Some(Errno::EPERM as i32), "{error}");
        };
        refused(std::fs::File::open("/dev/null").map(drop));
        refused(std::fs::write("/tmp/soakproof-escaped", "x"));
        refused(std::net::TcpListener::bind("127.0.0.1:0").map(drop));
        refused(std::os::unix::net::UnixDatagram::unbound().map(drop));
        refused(std::process::Command::new("/bin/true").spawn().map(drop));
        let signal = nix::sys::signal::kill(nix::unistd::getppid(), None);
        refused(signal.map_err(std::io::Error::from));
        let mapped = run_as_code(&region);
        refused(mapped.map_err(std::io::Error::from));
    }

    /// Tries to make data executable.
    #[expect(unsafe_code, reason = "changing the protection of a mapping")]
    fn run_as_code(region: &Region) -> Result<(), Errno> {
        let start = std::ptr::NonNull::new(region.address() as *mut libc::c_void).unwrap();
        let protection =
            nix::sys::mman::ProtFlags::PROT_READ | nix::sys::mman::ProtFlags::PROT_EXEC;
        // SAFETY: the region is ours and is not used afterwards.
        unsafe { nix::sys::mman::mprotect(start, 4096, protection) }
    }
}
