//! What is done with hostile bytes, one function a way in. The fuzzer's targets call them with what it
//! thinks up; an ordinary test calls them with what is kept in `corpus/`. Nothing here may panic, hang or
//! take much memory; what else must hold is asserted.

#![allow(
    dead_code,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "each target uses one of them; a folder that cannot be written ends the fuzzing"
)]

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{LazyLock, Mutex, PoisonError};
use std::time::Duration;

use nix::sys::signal::{SigSet, Signal};
use soakproof::kernels::detect;
use soakproof::model::{CpuId, Machine, Moment, Mono, RecheckPolicy, Record, Wall};
use soakproof::os::{LoadLock, Root, allowed_cpus};
use soakproof::report::{
    SheetFacts, Style, check_believable, read_export, read_sheet, report_json, report_page,
    sheet_page, verdict_text,
};
use soakproof::run::{gather_aftermath, open_whole_store};
use soakproof::sensors::{
    InstrumentOptions, Instruments, parse_crash_line, parse_event, parse_record, read_fingerprint,
    read_machine,
};
use soakproof::service::agenda::Timing;
use soakproof::service::config::parse_configuration;
use soakproof::service::{ServeOptions, as_stored, serve};
use soakproof::store::{FILE_NAME, Store, StoredRow, crc32c, record_of};
use soakproof::suite::{known_kernels, parse_suite, resolve_suite};
use soakproof::verdict::judge;
use soakproof::worker::{Assignment, Message, SLOT_WORDS, SlotReader};

/// What takes an input.
type Target = fn(&[u8]);

/// Every target, for whoever calls them all.
pub(crate) const ALL: [(&str, Target); 9] = [
    ("suite", suite),
    ("configuration", configuration),
    ("kernel_log", kernel_log),
    ("machine", machine),
    ("worker", worker),
    ("import", import),
    ("record", record),
    ("store", store),
    ("http", http),
];

const NOW: Moment = Moment {
    mono: Mono(5_000_000_000),
    wall: Wall(1_800_000_000_000),
};

/// The repository, from this package or from the one around it.
fn repository() -> PathBuf {
    let package = Path::new(env!("CARGO_MANIFEST_DIR"));
    let inner = package.ends_with("tests/fuzz");
    package.join(if inner { "../.." } else { "" })
}

fn fixture() -> PathBuf {
    repository().join("tests/machines/desktop-core-labels")
}

/// A folder in memory.
fn folder() -> tempfile::TempDir {
    let builder = tempfile::Builder::new();
    builder
        .tempdir_in("/dev/shm")
        .or_else(|_| builder.tempdir())
        .unwrap()
}

/// A suite file, checked and fitted to a machine.
pub(crate) fn suite(data: &[u8]) {
    static MACHINE: LazyLock<Machine> = LazyLock::new(|| {
        let root = Root::simulated(fixture());
        read_machine(&root, &allowed_cpus(), detect().sets())
    });
    let text = String::from_utf8_lossy(data);
    let kernels = known_kernels();
    match parse_suite("suite.toml", &text, &kernels) {
        Ok(suite) => drop(resolve_suite(&suite, &MACHINE, &kernels)),
        Err(refused) => assert!(!refused.to_string().is_empty()),
    }
}

/// A configuration file.
pub(crate) fn configuration(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    if let Err(refused) = parse_configuration("configuration.toml", &text) {
        assert!(!refused.to_string().is_empty());
    }
}

/// Lines of the kernel's log.
pub(crate) fn kernel_log(data: &[u8]) {
    for line in String::from_utf8_lossy(data).split('\n') {
        if let Some(record) = parse_record(line) {
            parse_event(&record);
        }
        parse_crash_line(line, "soakproof");
    }
}

/// A machine some of whose files hold anything: everything that a run or a recovery reads of it.
pub(crate) fn machine(data: &[u8]) {
    let tree = Tree::shared();
    let tree = tree.lock().unwrap_or_else(PoisonError::into_inner);
    let touched = tree.damage(data);
    let root = Root::simulated(tree.folder.path());
    let known = read_machine(&root, &allowed_cpus(), detect().sets());
    assert!(!known.cpus.is_empty(), "some CPU runs this");
    read_fingerprint(&root);
    let mut instruments = Instruments::open(&root, &InstrumentOptions::default(), NOW);
    for second in 0..2_u64 {
        let mono = Mono(NOW.mono.0 + second * 1_000_000_000);
        let (readings, losses) = instruments.read(Moment { mono, ..NOW });
        assert!(readings.iter().all(|reading| reading.value.is_finite()));
        assert!(readings.len() + losses.len() <= instruments.channels().len());
        instruments.read_hardware();
        instruments.read_memory_pressure();
    }
    gather_aftermath(&root, &SAMPLE, "00000000-0000-4000-8000-000000000000", NOW);
    tree.mend(&touched);
}

/// A fixture machine in memory, the same for all inputs of a process.
struct Tree {
    folder: tempfile::TempDir,
    files: Vec<(PathBuf, Vec<u8>)>,
}

impl Tree {
    fn shared() -> &'static Mutex<Self> {
        static TREE: LazyLock<Mutex<Tree>> = LazyLock::new(|| {
            let folder = folder();
            let mut files = BTreeMap::new();
            collect(&fixture(), Path::new(""), &mut files);
            for (path, content) in &files {
                let path = folder.path().join(path);
                fs::create_dir_all(path.parent().unwrap()).unwrap();
                fs::write(path, content).unwrap();
            }
            Mutex::new(Tree {
                folder,
                files: files.into_iter().collect(),
            })
        });
        &TREE
    }

    /// Writes what `data` says into the files that it says: two bytes of which file, one of how much in
    /// steps of eight, then that much; nothing: the file is gone.
    fn damage(&self, mut data: &[u8]) -> Vec<usize> {
        let mut touched = Vec::new();
        while let [high, low, eighths, rest @ ..] = data {
            let index = usize::from(u16::from_be_bytes([*high, *low])) % self.files.len();
            let (content, rest) = rest.split_at((usize::from(*eighths) * 8).min(rest.len()));
            let path = self.folder.path().join(&self.files[index].0);
            if content.is_empty() {
                drop(fs::remove_file(path));
            } else {
                fs::write(path, content).unwrap();
            }
            touched.push(index);
            data = rest;
        }
        touched
    }

    fn mend(&self, touched: &[usize]) {
        for index in touched {
            let (path, content) = &self.files[*index];
            fs::write(self.folder.path().join(path), content).unwrap();
        }
    }
}

fn collect(base: &Path, below: &Path, files: &mut BTreeMap<PathBuf, Vec<u8>>) {
    for entry in fs::read_dir(base.join(below)).unwrap().flatten() {
        let path = below.join(entry.file_name());
        if entry.path().is_dir() {
            collect(base, &path, files);
        } else {
            files.insert(path, fs::read(entry.path()).unwrap());
        }
    }
}

/// What a worker says, and its slot before and after something happened to it.
pub(crate) fn worker(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    drop(serde_json::from_str::<Message>(&text));
    drop(serde_json::from_str::<Assignment>(&text));
    let slot: Vec<AtomicU64> = (0..SLOT_WORDS).map(|_| AtomicU64::new(0)).collect();
    let mut reader = SlotReader::new();
    // An index of a word and what it holds now.
    for change in data.chunks_exact(10) {
        let (index, word) = change.split_at(2);
        let index = usize::from(u16::from_be_bytes([index[0], index[1]])) % SLOT_WORDS;
        slot[index].store(
            u64::from_be_bytes(word.try_into().unwrap()),
            Ordering::Relaxed,
        );
        let reports = reader.new_reports(&slot, CpuId(0));
        assert!(reports.len() <= 32, "a mad worker floods its supervisor");
    }
    SlotReader::state(&slot);
    SlotReader::last_beat(&slot);
    SlotReader::part_walks(&slot);
    for kernel in 0..70 {
        SlotReader::counts(&slot, kernel);
    }
}

/// A file that says it is an exported run.
pub(crate) fn import(data: &[u8]) {
    let Ok(rows) = read_export(data) else {
        return;
    };
    look_at(rows.into_iter().map(as_stored).collect());
}

/// Rows with right checksums whose content is anything: a line each, its kind before the first blank.
pub(crate) fn record(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let rows = text.lines().zip(0_i64..).map(|(line, seq)| {
        let (kind, body) = line.split_once(' ').unwrap_or((line, ""));
        StoredRow {
            seq,
            kind: kind.to_owned(),
            body: body.to_owned(),
            crc: i64::from(crc32c(body.as_bytes())),
        }
    });
    look_at(rows.collect());
}

/// Everything that is made of a record.
fn look_at(rows: Vec<StoredRow>) {
    let count = rows.len() as u64;
    let header = rows.first().map(StoredRow::header);
    if !header.is_some_and(|header| header.is_ok_and(|header| check_believable(&header).is_ok())) {
        return;
    }
    let Ok(record) = record_of(1, rows) else {
        return;
    };
    show(&record, count);
}

fn show(record: &Record, rows: u64) {
    let verdict = judge(record);
    let text = serde_json::to_string(&verdict).unwrap();
    let again: soakproof::model::Verdict = serde_json::from_str(&text).unwrap();
    assert_eq!(serde_json::to_string(&again).unwrap(), text);
    let style = Style::new(false, 80);
    let told = verdict_text(record, &verdict, style.clone());
    assert!(
        !told.chars().any(|c| c.is_control() && c != '\n'),
        "a record steers the terminal"
    );
    report_json(Some(1), record);
    report_page(record, &style).unwrap();
    let facts = SheetFacts {
        serial: None,
        rows,
        digest: "0".repeat(64),
    };
    if let Ok(sheet) = sheet_page(record, &facts, &style) {
        read_sheet(&sheet).expect("a sheet of ours can be read");
    }
}

/// The run that is kept as a sample: an export of a short run on an invented machine.
static SAMPLE: LazyLock<Record> = LazyLock::new(|| record_of(1, sample_rows()).unwrap());

fn sample_rows() -> Vec<StoredRow> {
    let sample = fs::read(repository().join("tests/fuzz/corpus/import/short-run")).unwrap();
    let rows = read_export(sample.as_slice()).unwrap().into_iter();
    rows.map(as_stored).collect()
}

/// A record's file with bytes changed: three bytes of where, one of how many, then those.
pub(crate) fn store(mut data: &[u8]) {
    static WHOLE: LazyLock<Vec<u8>> = LazyLock::new(|| {
        let folder = folder();
        let mut store = Store::open(folder.path()).unwrap();
        store.import_run(&sample_rows()).unwrap();
        drop(store);
        fs::read(folder.path().join(FILE_NAME)).unwrap()
    });
    let mut file = WHOLE.clone();
    while let [a, b, c, count, rest @ ..] = data {
        let at = u32::from_be_bytes([0, *a, *b, *c]) as usize % file.len();
        let (bytes, rest) = rest.split_at(usize::from(*count).min(rest.len()));
        if bytes.is_empty() {
            file.truncate(at.max(1));
        }
        let from = at.min(file.len() - 1);
        for (place, byte) in file[from..].iter_mut().zip(bytes) {
            *place = *byte;
        }
        data = rest;
    }
    let folder = folder();
    fs::write(folder.path().join(FILE_NAME), &file).unwrap();
    let Ok((store, _)) = open_whole_store(folder.path(), NOW.wall) else {
        return;
    };
    for run in store.runs().into_iter().flatten().take(3) {
        drop(store.check_run(run.number));
        drop(store.record_without_samples(run.number));
        if let Ok(record) = store.record(run.number)
            && check_believable(&record.header).is_ok()
        {
            show(&record, 1);
        }
    }
    drop(store.queue());
    drop(store.ledger("machine"));
    drop(store.outcomes("machine", Wall(0)));
}

/// Bytes at the service's socket. The lock keeps it from ever starting a load.
pub(crate) fn http(data: &[u8]) {
    static SERVICE: LazyLock<(PathBuf, LoadLock)> = LazyLock::new(|| {
        // A fuzzer has no runtime of Rust's that would keep a closed line from ending it.
        let mut closed = SigSet::empty();
        closed.add(Signal::SIGPIPE);
        closed.thread_block().unwrap();
        let lock = LoadLock::take().expect("no load on this machine while this goes on");
        let folder = folder().keep();
        let socket = folder.join("socket");
        let options = ServeOptions {
            store: folder.join("store"),
            root: Root::simulated(fixture()),
            machine: Some(fixture()),
            socket: socket.clone(),
            tcp: None,
            timing: Timing::default(),
            schedule: Vec::new(),
            hardware_watchdog: false,
            policy: RecheckPolicy::default(),
            desk: None,
            inside: None,
        };
        std::thread::spawn(|| serve(options).expect("a service"));
        let begun = (0..200).any(|_| {
            std::thread::sleep(Duration::from_millis(25));
            UnixStream::connect(&socket).is_ok()
        });
        assert!(begun, "no service");
        (socket, lock)
    });
    let mut line = UnixStream::connect(&SERVICE.0).expect("the service lives");
    line.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    if line.write_all(data).is_err() || line.shutdown(std::net::Shutdown::Write).is_err() {
        return;
    }
    let mut answer = [0; 16];
    if let Ok(read) = line.read(&mut answer) {
        let answer = &answer[..read];
        assert!(
            answer.is_empty() || answer.starts_with(b"HTTP/1."),
            "{answer:?}"
        );
    }
}
