//! One guest: a whole machine under emulation, with what can be done to it from outside.

use std::fs::File;
use std::io::Write as _;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::gdb::Gdb;
use crate::host;
use crate::qmp::Qmp;
use crate::shell::{Answer, Shell};

/// Memory of a guest; all of it lies below the hole for devices, so a place in the file is an address.
const MEMORY: &str = "1536M";
/// From here on 2 MiB are kept from the guest's kernel; tables and drivers read what the host writes there.
pub(crate) const WINDOW: u64 = 0x1E00_0000;
/// A guest that nobody ends any more ends by itself.
const LIFETIME_S: u64 = 900;
/// Longest wait for a boot.
const BOOT_PATIENCE: Duration = Duration::from_secs(300);
/// Longest wait for a command that does not say otherwise.
const PATIENCE: Duration = Duration::from_secs(180);
/// Between two looks whether a run has ended.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// What a guest has written stays when its emulator is killed, because the host goes on; so the host's own disk need
/// not be waited for, which may be busy.
const DISK_CACHE: &str = "cache=unsafe";
/// Characters of a command and of its answer that the timeline keeps.
const NOTED: usize = 600;

/// How a guest is made.
#[derive(Debug, Clone)]
pub(crate) struct Setup {
    /// Of the case.
    pub(crate) folder: PathBuf,
    pub(crate) kernel: PathBuf,
    pub(crate) initrd: PathBuf,
    pub(crate) cpus: u32,
    /// More words on the kernel's command line.
    pub(crate) kernel_words: String,
    /// More arguments of the emulator.
    pub(crate) arguments: Vec<String>,
    /// Replaces the usual drive `d0`.
    pub(crate) drive: Option<Vec<String>>,
    /// More of `-cpu`.
    pub(crate) cpu: String,
    /// What stands in the window when the guest starts: place in it, and bytes.
    pub(crate) window: Vec<(u64, Vec<u8>)>,
}

impl Setup {
    /// The disk of the guest, which outlives it.
    pub(crate) fn disk(&self) -> PathBuf {
        self.folder.join("disk.img")
    }

    /// Arguments for a guest that is to be debugged.
    pub(crate) fn debugger(&self) -> Vec<String> {
        let socket = format!("socket,id=gdb,path={},server=on,wait=off", self.path("gdb"));
        ["-chardev", &socket, "-gdb", "chardev:gdb"]
            .map(str::to_owned)
            .to_vec()
    }

    fn path(&self, name: &str) -> String {
        self.folder.join(name).to_string_lossy().into_owned()
    }

    fn drive(&self) -> Vec<String> {
        let usual = || {
            let disk = self.path("disk.img");
            let drive = format!("file={disk},if=none,id=d0,format=raw,{DISK_CACHE}");
            vec!["-drive".to_owned(), drive]
        };
        self.drive.clone().unwrap_or_else(usual)
    }

    /// All words of the emulator's command line.
    fn words(&self) -> Vec<String> {
        let kernel_words = format!(
            "console=ttyS0 quiet loglevel=4 panic=-1 no_timer_check memmap=2M${WINDOW:#x} {}",
            self.kernel_words
        );
        let cpu = format!(
            "max,vendor=GenuineIntel,family=6,model=94,stepping=3{}",
            self.cpu
        );
        let serial = format!("file,id=con,path={},append=on", self.path("console"));
        let port = format!(
            "socket,id=sh,path={},server=on,wait=off",
            self.path("shell")
        );
        let qmp = format!("unix:{},server=on,wait=off", self.path("qmp"));
        let ram = format!("memory-backend-memfd,id=ram0,size={MEMORY},share=on");
        let cpus = self.cpus.to_string();
        let (kernel, initrd) = (self.kernel.to_string_lossy(), self.initrd.to_string_lossy());
        let pid = self.path("pid");
        let fixed = [
            "-machine",
            "q35,accel=tcg,memory-backend=ram0",
            "-cpu",
            &cpu,
            "-smp",
            &cpus,
            "-m",
            MEMORY,
            "-object",
            &ram,
            "-nodefaults",
            "-display",
            "none",
            "-pidfile",
            &pid,
            "-kernel",
            &kernel,
            "-initrd",
            &initrd,
            "-append",
            &kernel_words,
            "-chardev",
            &serial,
            "-serial",
            "chardev:con",
            "-chardev",
            &port,
            "-device",
            "virtio-serial-pci",
            "-device",
            "virtserialport,chardev=sh,name=bench",
            "-qmp",
            &qmp,
            "-S",
            "-action",
            "watchdog=reset,panic=none",
            "-device",
            "virtio-blk-pci,drive=d0",
            "-device",
            THERMOMETER_DEVICE,
        ];
        let mut words: Vec<String> = fixed.into_iter().map(str::to_owned).collect();
        words.extend(self.drive());
        words.extend(self.arguments.iter().cloned());
        words
    }
}

/// A PCI device without a use of its own. The kernel's `k10temp` takes it when it is told its number: on a
/// processor of none of the families that the driver treats apart it reads the temperature from register 0xa4
/// of the device, in eighths of a degree from bit 21 on (Linux 6.1 drivers/hwmon/k10temp.c, `read_tempreg_pci`).
const THERMOMETER_DEVICE: &str = "pci-testdev,addr=0x10";
const THERMOMETER_SLOT: u32 = 0x8000_0000 | 0x10 << 11;

/// What became of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    /// The program ended.
    End,
    /// The machine started again.
    Start,
    Neither,
}

/// A running guest.
#[derive(Debug)]
pub(crate) struct Guest {
    setup: Setup,
    child: Child,
    pid: Pid,
    qmp: Qmp,
    shell: Shell,
    memory: File,
    begun: Instant,
    timeline: File,
    /// Runs that the console had told the end of when the present one began.
    pub(crate) ended_before: usize,
}

impl Guest {
    /// Starts the guest and waits until it takes commands.
    pub(crate) fn boot(setup: Setup) -> Result<Self> {
        for old in ["shell", "qmp", "pid", "gdb"] {
            let path = setup.folder.join(old);
            if path.exists() {
                std::fs::remove_file(path)?;
            }
        }
        let errors = File::create(setup.folder.join("errors"))?;
        let child = Command::new("timeout")
            .args([
                "--signal=KILL",
                &LIFETIME_S.to_string(),
                "qemu-system-x86_64",
            ])
            .args(setup.words())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(errors)
            .spawn()
            .context("cannot start the emulator")?;
        let mut starting = Starting(Some(child));
        let (pid, qmp, shell) = connect(&setup.folder, &mut starting)?;
        let memory = open_memory(pid)?;
        let path = setup.folder.join("timeline");
        let timeline = File::options().create(true).append(true).open(path)?;
        let Some(child) = starting.0.take() else {
            bail!("the emulator is gone");
        };
        let mut guest = Self {
            setup,
            child,
            pid,
            qmp,
            shell,
            memory,
            begun: Instant::now(),
            timeline,
            ended_before: 0,
        };
        for (place, bytes) in guest.setup.window.clone() {
            guest.poke(WINDOW + place, &bytes)?;
        }
        guest.qmp.execute("cont", &json!({}))?;
        guest.wait_for_boot()?;
        Ok(guest)
    }

    /// Waits until the guest has started, or started again.
    pub(crate) fn wait_for_boot(&mut self) -> Result<()> {
        let ready = self.shell.wait_ready(BOOT_PATIENCE);
        let boot_id = ready.with_context(|| self.last_words())?;
        self.started(&boot_id)
    }

    /// Waits for the run's end or the next start, and asks nothing: a machine that hangs keeps the command that it
    /// was given.
    pub(crate) fn wait_for_end_or_start(&mut self) -> Result<Next> {
        let begun = Instant::now();
        let mut next = Next::Neither;
        while next == Next::Neither && begun.elapsed() < PATIENCE {
            if self.has_ended() {
                next = Next::End;
            } else if let Ok(boot_id) = self.shell.wait_ready(LOOK_EVERY) {
                self.started(&boot_id)?;
                next = Next::Start;
            }
        }
        self.note(&format!("what came next: {next:?}"));
        Ok(next)
    }

    fn started(&mut self, boot_id: &str) -> Result<()> {
        self.note(&format!("boot {boot_id}"));
        self.ok("grep -q ' ext4 ' /proc/mounts")?;
        Ok(())
    }

    /// Runs a command; whatever it says and however it ends is the answer.
    pub(crate) fn run(&mut self, command: &str) -> Result<Answer> {
        let answer = self.ask(command)?;
        self.note_answer(command, &answer);
        Ok(answer)
    }

    fn ask(&mut self, command: &str) -> Result<Answer> {
        let answer = self.shell.run(command, PATIENCE);
        answer.with_context(|| self.last_words())
    }

    fn note_answer(&mut self, command: &str, answer: &Answer) {
        let short = |text: &str| text.chars().take(NOTED).collect::<String>();
        let (command, said) = (short(command), short(&answer.text));
        let line = format!(
            "[{:.2}] $ {command}\n    -> {} {said}",
            answer.uptime_s, answer.status
        );
        self.note(&line);
    }

    /// Runs a command that must end well; what it says.
    pub(crate) fn ok(&mut self, command: &str) -> Result<String> {
        let answer = self.run(command)?;
        ensure!(
            answer.status == 0,
            "`{command}`: {} {}",
            answer.status,
            answer.text
        );
        Ok(answer.text)
    }

    /// Runs a command that takes the machine down, and waits for its next start.
    pub(crate) fn go_down(&mut self, command: &str) -> Result<()> {
        self.note(&format!("going down: {command}"));
        self.shell.send(command)?;
        self.wait_for_boot()
    }

    /// Asks again and again until `enough`; what was said last.
    pub(crate) fn until(&mut self, command: &str, enough: impl Fn(&str) -> bool) -> Result<String> {
        let begun = Instant::now();
        loop {
            let answer = self.ask(command)?;
            if enough(&answer.text) {
                self.note_answer(command, &answer);
                return Ok(answer.text);
            }
            ensure!(
                begun.elapsed() < PATIENCE,
                "`{command}` never said so: {}",
                answer.text
            );
            host::pause(Duration::from_millis(100));
        }
    }

    /// JSON that a command prints.
    pub(crate) fn json(&mut self, command: &str) -> Result<Value> {
        let text = self.run(&format!("{command} 2>/tmp/beside"))?.text;
        // Whole, which the timeline is not.
        std::fs::write(self.setup.folder.join("said.json"), &text)?;
        let read = serde_json::from_str(&text);
        if read.is_err() {
            self.run("cat /tmp/beside; mount | grep data; ls /data")?;
        }
        read.with_context(|| format!("`{command}` said {text}"))
    }

    /// Says something on the monitor.
    pub(crate) fn monitor(&mut self, line: &str) -> Result<String> {
        let said = self.qmp.monitor(line)?;
        self.note(&format!("monitor: {line} {said}"));
        Ok(said)
    }

    /// Writes into a register of a PCI device while the guest stands still, and leaves the address port as it
    /// was: the guest may be between its two accesses.
    pub(crate) fn set_pci(&mut self, slot: u32, registers: &[(u32, u32)]) -> Result<()> {
        self.qmp.execute("stop", &json!({}))?;
        let before = self.qmp.monitor("i /w 0xcf8")?;
        let before = before.rsplit('=').next().unwrap_or("0").trim().to_owned();
        for (register, value) in registers {
            self.qmp
                .monitor(&format!("o /w 0xcf8 {:#x}", slot | register))?;
            self.qmp.monitor(&format!("o /w 0xcfc {value:#x}"))?;
        }
        self.qmp.monitor(&format!("o /w 0xcf8 {before}"))?;
        self.qmp.execute("cont", &json!({}))?;
        Ok(())
    }

    /// Gives the guest a thermometer of its processor, and that a critical value: register 0x64 holds it in halves of
    /// a degree above 52 from bit 16 on, bit 10 of 0xe8 says that there is one, bit 0 of 0x64 that it counts.
    pub(crate) fn attach_thermometer(&mut self, celsius: f64, critical_c: f64) -> Result<()> {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 127"
        )]
        let halves = ((critical_c - 52.0) * 2.0).round() as u32;
        self.set_temperature(celsius)?;
        self.set_pci(
            THERMOMETER_SLOT,
            &[(0xe8, 1 << 10), (0x64, halves << 16 | 1)],
        )?;
        self.ok("modprobe k10temp && echo '1b36 0005' > /sys/bus/pci/drivers/k10temp/new_id")?;
        Ok(())
    }

    /// Writes the register that the thermometer is read from.
    pub(crate) fn set_thermometer_register(&mut self, value: u32) -> Result<()> {
        self.note(&format!("thermometer register {value:#x}"));
        self.set_pci(THERMOMETER_SLOT, &[(0xa4, value)])
    }

    /// Lets the processor's thermometer read this.
    pub(crate) fn set_temperature(&mut self, celsius: f64) -> Result<()> {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 255"
        )]
        let eighths = (celsius * 8.0).round() as u32;
        self.note(&format!("temperature {celsius:.3}"));
        self.set_thermometer_register(eighths << 21)
    }

    /// Writes into the guest's memory.
    pub(crate) fn poke(&self, address: u64, bytes: &[u8]) -> Result<()> {
        self.memory.write_all_at(bytes, address)?;
        Ok(())
    }

    /// Reads from the guest's memory.
    pub(crate) fn peek(&self, address: u64, bytes: &mut [u8]) -> Result<()> {
        self.memory.read_exact_at(bytes, address)?;
        Ok(())
    }

    /// Takes the power away; the disk stays as it is.
    pub(crate) fn cut_power(mut self) -> Result<Setup> {
        self.end()?;
        Ok(self.setup.clone())
    }

    /// Stops the machine and opens its debugger.
    pub(crate) fn debugger(&mut self) -> Result<Gdb> {
        self.note("stopped for the debugger");
        Gdb::connect(&self.setup.folder.join("gdb"))
    }

    /// All that the guest has said on its console.
    pub(crate) fn console(&self) -> String {
        let bytes = std::fs::read(self.setup.folder.join("console")).unwrap_or_default();
        String::from_utf8_lossy(&bytes).into_owned()
    }

    /// Adds a line to what is shown when the case fails. At the end of the file, since a file that is written anew may
    /// have to wait for the host's disk.
    pub(crate) fn note(&mut self, line: &str) {
        let at = self.begun.elapsed().as_secs_f64();
        if let Err(error) = writeln!(self.timeline, "{at:8.2} {line}") {
            println!("the timeline cannot be kept: {error}");
        }
    }

    /// Process of the emulator.
    pub(crate) fn pid(&self) -> Pid {
        self.pid
    }

    fn end(&mut self) -> Result<()> {
        // Its keeper `timeout` ends with it.
        if kill(self.pid, Signal::SIGKILL).is_ok() {
            self.child.wait()?;
        }
        Ok(())
    }

    /// The end of console and emulator's errors.
    fn last_words(&self) -> String {
        last_words(&self.setup.folder)
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        if let Err(error) = self.end() {
            println!("the guest cannot be ended: {error}");
        }
    }
}

/// Ends an emulator that never came up.
struct Starting(Option<Child>);

impl Drop for Starting {
    fn drop(&mut self) {
        if let Some(child) = &mut self.0 {
            // By the gentle signal, which `timeout` hands on before it ends.
            let id = i32::try_from(child.id()).unwrap_or_default();
            let ended = kill(Pid::from_raw(id), Signal::SIGTERM).is_ok() && child.wait().is_ok();
            if !ended {
                println!("the emulator cannot be ended");
            }
        }
    }
}

fn connect(folder: &Path, starting: &mut Starting) -> Result<(Pid, Qmp, Shell)> {
    let begun = Instant::now();
    loop {
        host::pause(Duration::from_millis(50));
        let gone = starting
            .0
            .as_mut()
            .is_some_and(|child| !matches!(child.try_wait(), Ok(None)));
        ensure!(!gone, "the emulator does not start: {}", last_words(folder));
        let pid = std::fs::read_to_string(folder.join("pid")).unwrap_or_default();
        if let Ok(pid) = pid.trim().parse() {
            // The port first: the guest's own end waits for somebody to be there.
            if let Ok(shell) = Shell::connect(&folder.join("shell"))
                && let Ok(qmp) = Qmp::connect(&folder.join("qmp"))
            {
                return Ok((Pid::from_raw(pid), qmp, shell));
            }
        }
        ensure!(begun.elapsed() < PATIENCE, "the emulator does not come up");
    }
}

/// The memory of the guest is an anonymous file of the emulator.
fn open_memory(pid: Pid) -> Result<File> {
    let descriptors = PathBuf::from(format!("/proc/{pid}/fd"));
    for name in host::names_in(&descriptors)? {
        let path = descriptors.join(name);
        let target = std::fs::read_link(&path).unwrap_or_default();
        if target.to_string_lossy().contains("memfd:memory-backend") {
            return Ok(File::options().read(true).write(true).open(path)?);
        }
    }
    bail!("the emulator has no memory file")
}

fn last_words(folder: &Path) -> String {
    let end = |name: &str| {
        let bytes = std::fs::read(folder.join(name)).unwrap_or_default();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let skip = text.lines().count().saturating_sub(15);
        text.lines().skip(skip).collect::<Vec<_>>().join("\n")
    };
    format!("console: {}\nemulator: {}", end("console"), end("errors"))
}
