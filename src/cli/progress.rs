//! A progress bar on stderr, only on a terminal and only when the work takes over a second.

use super::terminal;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// Work shorter than this shows no bar.
const PATIENCE: Duration = Duration::from_secs(1);

/// The bar of a run over several photos.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    begun: Instant,
    /// Whether the bar waits to be shown; `false` once it is, or when it never will be.
    waiting: Mutex<bool>,
}

impl Progress {
    /// A bar for so many photos, not yet shown.
    pub fn new(photos: usize) -> Self {
        let bar = ProgressBar::with_draw_target(Some(photos as u64), ProgressDrawTarget::hidden());
        if let Ok(style) =
            ProgressStyle::with_template("{pos} of {len} photos [{bar:30}] {eta} left")
        {
            bar.set_style(style.progress_chars("=> "));
        }
        Progress {
            bar,
            begun: Instant::now(),
            waiting: Mutex::new(terminal::stderr_redraws()),
        }
    }

    /// One more photo is done.
    pub fn step(&self) {
        if let Ok(mut waiting) = self.waiting.lock()
            && *waiting
            && self.begun.elapsed() > PATIENCE
        {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
            *waiting = false;
        }
        self.bar.inc(1);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
