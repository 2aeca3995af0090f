//! A full screen on standard error while a run is under way.
//!
//! A thread of its own draws and reads keys, so that a terminal that takes nothing more (a dead line, a
//! stopped screen) holds up nobody: the run only ever locks a view in memory for a moment. The terminal is
//! put back when the thread ends, however the run ends, and first thing in a panic. What others want to
//! write meanwhile is kept and follows behind.

use std::io::{self, BufWriter, Stderr, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, Once, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::crossterm::terminal::{
    EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use ratatui::crossterm::{cursor, execute};

use crate::os;
use crate::report::live::{LiveView, Look, Question, draw};

/// How long a key is waited for before the view is looked at again.
const BEAT: Duration = Duration::from_millis(150);
/// Rows that a page key moves.
const PAGE: usize = 5;
/// Most bytes of others that are kept while the screen is up.
const MOST_KEPT: usize = 256 << 10;

/// What others wrote while the screen was up; none while it is not.
static KEPT: Mutex<Option<Vec<u8>>> = Mutex::new(None);

fn lock<T>(what: &Mutex<T>) -> MutexGuard<'_, T> {
    what.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Standard error for logs and words to the person: kept back while the screen is up.
#[derive(Debug, Default)]
pub(super) struct BesideScreen;

impl Write for BesideScreen {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut *lock(&KEPT) {
            Some(kept) => {
                let room = MOST_KEPT.saturating_sub(kept.len());
                kept.extend_from_slice(&bytes[..bytes.len().min(room)]);
                Ok(bytes.len())
            }
            None => io::stderr().write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stderr().flush()
    }
}

/// How the run can be ended from here.
pub(super) type Stopper = Box<dyn Fn() + Send>;

/// The screen of one run.
pub(super) struct FullScreen {
    view: Arc<Mutex<LiveView>>,
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl std::fmt::Debug for FullScreen {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("FullScreen").finish_non_exhaustive()
    }
}

impl FullScreen {
    /// Takes the terminal. `stop` is called when the person wants an end; without it there is none to be had.
    ///
    /// # Errors
    /// The terminal refuses; it is as it was then.
    pub(super) fn take(view: LiveView, stop: Option<Stopper>) -> io::Result<Self> {
        let guard = TerminalGuard::take()?;
        let view = Arc::new(Mutex::new(view));
        let over = Arc::new(AtomicBool::new(false));
        let (seen, ended) = (Arc::clone(&view), Arc::clone(&over));
        let thread = std::thread::Builder::new()
            .name("screen".to_owned())
            .spawn(move || {
                let _guard = guard;
                if let Err(error) = show(&seen, &ended, stop) {
                    tracing::warn!(%error, "the screen is gone; the run goes on");
                }
            })?;
        Ok(Self {
            view,
            over,
            thread: Some(thread),
        })
    }

    /// Has the view take something in; what is drawn follows soon.
    pub(super) fn tell(&self, take: impl FnOnce(&mut LiveView)) {
        take(&mut lock(&self.view));
    }
}

impl Drop for FullScreen {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::warn!("the screen broke off");
        }
    }
}

/// Holds the terminal, and gives it back.
struct TerminalGuard;

impl TerminalGuard {
    fn take() -> io::Result<Self> {
        put_back_in_panics();
        enable_raw_mode()?;
        let guard = Self;
        os::keep_interrupts()?;
        execute!(io::stderr(), EnterAlternateScreen, cursor::Hide)?;
        *lock(&KEPT) = Some(Vec::new());
        Ok(guard)
    }
}

impl Drop for TerminalGuard {
    fn drop(&mut self) {
        put_back();
    }
}

/// Gives the terminal back, once: whoever comes second finds nothing to do.
fn put_back() {
    let kept = lock(&KEPT).take();
    let raw = disable_raw_mode();
    let Some(kept) = kept else {
        return;
    };
    let mut output = io::stderr();
    let written = execute!(output, LeaveAlternateScreen, cursor::Show)
        .and_then(|()| raw)
        .and_then(|()| output.write_all(&kept));
    if let Err(error) = written {
        tracing::debug!(%error, "nobody watches");
    }
}

fn put_back_in_panics() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let usual = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            put_back();
            usual(panic);
        }));
    });
}

type Screen = Terminal<CrosstermBackend<BufWriter<Stderr>>>;

/// Draws and reads keys until the run is over.
fn show(view: &Mutex<LiveView>, over: &AtomicBool, stop: Option<Stopper>) -> io::Result<()> {
    let mut screen: Screen = Terminal::new(CrosstermBackend::new(BufWriter::new(io::stderr())))?;
    let mut look = Look {
        colour: !os::wants_no_colour(),
        unicode: os::knows_unicode(),
        ..Look::default()
    };
    while !over.load(Ordering::Relaxed) {
        screen.draw(|frame| {
            let area = frame.area();
            draw(&lock(view), look, area, frame.buffer_mut());
        })?;
        if event::poll(BEAT)?
            && let Event::Key(key) = event::read()?
            && key.kind == KeyEventKind::Press
        {
            press(&mut look, key, stop.as_ref());
        }
    }
    Ok(())
}

/// What a key does.
fn press(look: &mut Look, key: KeyEvent, stop: Option<&Stopper>) {
    if look.question != Question::None {
        let yes = matches!(key.code, KeyCode::Char('y' | 'Y'));
        if look.question == Question::Stop
            && yes
            && let Some(stop) = stop
        {
            stop();
        }
        look.question = Question::None;
        return;
    }
    let is = |code| key.code == code;
    if is(KeyCode::Tab) {
        look.in_news = !look.in_news;
    }
    let asks = is(KeyCode::Char('s')) || is(KeyCode::Char('q'));
    if asks && !key.modifiers.contains(KeyModifiers::CONTROL) {
        look.question = if stop.is_some() {
            Question::Stop
        } else {
            Question::NotHere
        };
    }
    let up = usize::from(is(KeyCode::Up)) + PAGE * usize::from(is(KeyCode::PageUp));
    let down = usize::from(is(KeyCode::Down)) + PAGE * usize::from(is(KeyCode::PageDown));
    // Newer findings are below, so scrolling up leaves more of them out.
    if look.in_news {
        look.news_from = look.news_from.saturating_add(up).saturating_sub(down);
    } else {
        look.cores_from = look.cores_from.saturating_add(down).saturating_sub(up);
    }
}
