//! Many photos in one call: side by side, in bounded memory, each on its own.
//!
//! Plain threads take the photos in turn rather than a parallel iterator: a work-stealing pool may start a second photo
//! on a thread that waits inside the first, and memory would grow with the number of photos. So at most
//! [`workers`] photos are in memory at a time, whatever the length of the list.

use super::exit::Failure;
use super::progress::Progress;
use signal_hook::consts::{SIGINT, SIGTERM};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// Most photos in memory at a time: each check spreads over the cores by itself, so more threads than this only take
/// memory.
const MOST_WORKERS: usize = 4;

/// How many photos are worked on at a time.
fn workers(photos: usize) -> usize {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    photos.min(cores).clamp(1, MOST_WORKERS)
}

/// Turns true on Ctrl-C or when the system asks the program to end; a second Ctrl-C ends it at once.
///
/// Called only by runs that write files: they must tidy up before they go.
pub fn stop_on_signals() -> Arc<AtomicBool> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // Without a handler the signal ends the program at once, as it does by default.
        drop(signal_hook::flag::register_conditional_shutdown(
            signal,
            130,
            Arc::clone(&stop),
        ));
        drop(signal_hook::flag::register(signal, Arc::clone(&stop)));
    }
    stop
}

/// Does `work` on each item and returns the results in the items' order; `None` where the work went wrong inside the
/// program (a panic), so that one photo never stops the others.
///
/// # Errors
/// [`Failure::Stopped`] when `stop` turned true before all were done.
pub fn each<I: Sync, T: Send>(
    items: &[I],
    stop: &AtomicBool,
    work: impl Fn(usize, &I) -> T + Sync,
) -> Result<Vec<Option<T>>, Failure> {
    let progress = Progress::new(items.len());
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<Option<T>>> = Mutex::new(items.iter().map(|_| None).collect());
    let take_in_turn = || {
        while !stop.load(Ordering::Relaxed) {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(index) else { break };
            let result = catch_unwind(AssertUnwindSafe(|| work(index, item))).ok();
            if let (Ok(mut done), true) = (done.lock(), result.is_some())
                && let Some(slot) = done.get_mut(index)
            {
                *slot = result;
            }
            progress.step();
        }
    };
    match workers(items.len()) {
        1 => take_in_turn(),
        count => std::thread::scope(|scope| {
            for _ in 0..count {
                scope.spawn(take_in_turn);
            }
        }),
    }
    if stop.load(Ordering::Relaxed) {
        return Err(Failure::Stopped);
    }
    Ok(done.into_inner().unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn order_is_kept_and_one_failure_stops_nothing() {
        let items: Vec<usize> = (0..50).collect();
        let stop = AtomicBool::new(false);
        let results = each(&items, &stop, |index, item| {
            assert!(*item != 7, "a fault inside");
            index * 10 + item
        });
        let results = results.expect("not stopped");
        assert_eq!(results.len(), 50);
        for (index, result) in results.iter().enumerate() {
            assert_eq!(*result, if index == 7 { None } else { Some(index * 11) });
        }
    }

    #[test]
    fn no_more_photos_in_flight_than_workers() {
        let (now, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let stop = AtomicBool::new(false);
        let results = each(&[(); 40], &stop, |_, ()| {
            most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            // Work inside a photo is spread over the cores as well.
            let sum: u64 = rayon::iter::ParallelIterator::sum(
                rayon::iter::IntoParallelIterator::into_par_iter(0..10_000u64),
            );
            now.fetch_sub(1, Ordering::SeqCst);
            sum
        });
        assert!(results.is_ok_and(|results| results.iter().all(Option::is_some)));
        assert!(most.load(Ordering::SeqCst) <= workers(40));
    }

    #[test]
    fn stopping_ends_the_run() {
        let stop = AtomicBool::new(false);
        let result = each(&[0; 1000], &stop, |index, _| {
            if index == 3 {
                stop.store(true, Ordering::Relaxed);
            }
        });
        assert!(matches!(result, Err(Failure::Stopped)));
    }
}
