//! The only door to Linux besides the kernels' own instructions: root folder, clocks, processes,
//! signals, memory, affinity. No other room names an absolute path, a pid or a signal.

mod affinity;
mod aside;
mod attend;
mod boot_journal;
mod child;
mod clock;
mod command;
mod confinement;
mod crash;
mod environment;
mod files;
mod inhibit;
mod kernel_log;
mod lock;
mod memory;
mod own_program;
mod private_file;
mod program;
mod queue_lock;
mod root;
mod secret;
mod sessions;
mod shutdown;
mod socket;
mod terminal;
mod watchdog;
mod worker_life;

pub use affinity::{PinError, allowed_cpus, pin_to, processor_account};
pub use aside::{event_loop, start_aside};
pub use boot_journal::{BootJournal, JournalPart};
pub use child::{Ended, SpawnWorkerError, WorkerChild};
pub use clock::{
    boot_minus_monotonic, moment, monotonic, raw_ns, sleep_until, thread_cpu_ns, wait,
};
pub use command::{CommandEnd, run_command};
pub use confinement::{ConfineError, confine_worker};
pub use crash::{TrapNote, install_crash_notes, is_processor_exception, was_sent};
pub use environment::{
    StateFolderError, configuration_file, credentials_folder, known_sockets, named_configuration,
    own_socket, own_uid, private_state_folder, state_folder, stderr_is_terminal, terminal_width,
    time_zone_name, with_cause,
};
pub use files::{OpenFileError, WriteFileError, open_file, write_file};
pub use inhibit::SleepInhibitor;
pub use kernel_log::{Drained, KernelLog};
pub use lock::{HoldRecordError, LoadLock, RecordHold, TakeLoadLockError};
pub use memory::{MapMemoryError, Region, SharedWords, frame_address, give_back_memory};
pub use own_program::{OwnProgram, OwnProgramEnd, StartOwnProgramError, run_own_program};
pub use private_file::{
    ReadPrivateError, check_owned, keep_random_key, make_private_folder, only_we_write, random_key,
    read_private, write_private,
};
pub use program::{AskProgramError, Patience, ask_program, find_program};
pub use queue_lock::{QueueLock, TakeQueueLockError};
pub use root::{ReadFileError, Root, read_from_start};
pub use secret::{ReadSecretError, Secret, SecretPlace};
pub use sessions::session_in_use;
pub use shutdown::is_shutting_down;
pub use socket::{BindSocketError, bind_socket, own_user, remove_socket, user_name};
pub use terminal::{
    can_draw_screen, interrupt_self, keep_interrupts, knows_unicode, wants_no_colour,
};
pub use watchdog::{HardwareWatchdog, OpenWatchdogError, WATCHDOG_TIME, WatchdogFacts};
pub use worker_life::{
    PrepareWorkerError, control_pipe_closed, prepare_worker, stop_was_signalled,
};
