//! The one door into long work: it runs on threads of its own while the calling thread, with the
//! interpreter lock released, wakes to look for signals and to report progress.

use crate::errors;
use pyo3::prelude::*;
use std::cell::RefCell;
use std::panic::{self, AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use vatwright::{CancelToken, Context, Error, Job, Result, Setup, THREAD};

/// How often the calling thread wakes; a key press is noticed this soon.
const TICK: Duration = Duration::from_millis(50);

/// What the last panic of a worker said, and where.
static PANIC: Slot<String> = Slot(Mutex::new(String::new()));

/// Keeps panics of the workers off standard error: the exception says all they would.
pub(crate) fn hold_panics() {
    let default = panic::take_hook();
    panic::set_hook(Box::new(move |info| {
        if std::thread::current().name().is_some_and(|n| n.starts_with(THREAD)) {
            *PANIC.lock() = info.to_string();
        } else {
            default(info);
        }
    }));
}

thread_local! {
    /// The token of the work this thread is doing, so that work started from a Python pass
    /// inside it stops with it.
    static OUTER: RefCell<Option<CancelToken>> = const { RefCell::new(None) };
}

/// The keyword arguments every long call takes.
#[derive(Default)]
pub(crate) struct How {
    /// Called with stage and fraction from the calling thread.
    pub(crate) progress: Option<Py<PyAny>>,
    /// Number of worker threads; all the machine's cores when `None`.
    pub(crate) threads: Option<usize>,
}

/// A value shared between threads. A panic elsewhere cannot leave it half written, so a
/// poisoned lock is as good as any.
#[derive(Default)]
pub(crate) struct Slot<T>(Mutex<T>);

impl<T> Slot<T> {
    /// The value, for as long as the guard lives.
    pub(crate) fn lock(&self) -> MutexGuard<'_, T> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Progress on its way from the workers to the calling thread: only the newest matters.
#[derive(Default)]
struct Mailbox(Slot<(f64, Option<String>)>);

impl Mailbox {
    fn put(&self, stage: &str, fraction: f64) {
        let mut slot = self.0.lock();
        // Workers report out of order; what the user sees never goes back.
        if fraction >= slot.0 {
            *slot = (fraction, Some(stage.into()));
        }
    }

    fn take(&self) -> Option<(String, f64)> {
        let mut slot = self.0.lock();
        let fraction = slot.0;
        slot.1.take().map(|stage| (stage, fraction))
    }
}

/// Runs the work of a pass; see [`run_plain`].
pub(crate) fn run<T: Send>(
    py: Python<'_>,
    setup: Setup,
    how: How,
    work: impl FnOnce(&Context) -> Result<T> + Send,
) -> PyResult<T> {
    run_plain(py, how, |job| work(&Context::new(setup).with_job(job.clone())))
}

/// Runs work that needs no setup, and gives back what it gives back.
///
/// Every call has a thread pool of its own (a fraction of a millisecond): nothing is left that
/// a forked child could wait for, and work started by a Python pass inside other work cannot
/// wait for a pool that waits for it.
pub(crate) fn run_plain<T: Send>(
    py: Python<'_>,
    how: How,
    work: impl FnOnce(&Job) -> Result<T> + Send,
) -> PyResult<T> {
    let mailbox = Arc::new(Mailbox::default());
    let mut job = Job::default();
    job.threads = how.threads;
    let pool = job.pool().map_err(|e| errors::to_py(py, e))?;
    if how.progress.is_some() {
        let mailbox = Arc::clone(&mailbox);
        job = job.with_listener(move |stage, fraction| mailbox.put(stage, fraction));
    }
    let outer = OUTER.with_borrow(Clone::clone);
    // What the calling thread does at every wake; an error stops the work.
    let look = |py: Python<'_>| -> PyResult<()> {
        py.check_signals()?;
        if outer.as_ref().is_some_and(CancelToken::is_cancelled) {
            return Err(errors::to_py(py, Error::Cancelled));
        }
        if let (Some(progress), Some(news)) = (&how.progress, mailbox.take()) {
            progress.call1(py, news)?;
        }
        Ok(())
    };
    let (result, failure) = py.detach(|| {
        pool.in_place_scope(|scope| {
            let (send, receive) = channel();
            let (job, cancel) = (&job, job.cancel.clone());
            scope.spawn(move |_| {
                OUTER.set(Some(job.cancel.clone()));
                let result = catch_unwind(AssertUnwindSafe(|| work(job)));
                // The receiver waits in this scope, so it is there to take it.
                let _ = send.send(result);
            });
            let mut failure = None;
            loop {
                match receive.recv_timeout(TICK) {
                    Ok(result) => break (Some(result), failure),
                    Err(RecvTimeoutError::Disconnected) => break (None, failure),
                    Err(RecvTimeoutError::Timeout) if failure.is_none() => {
                        failure = Python::attach(look).err();
                        if failure.is_some() {
                            cancel.cancel();
                        }
                    }
                    Err(RecvTimeoutError::Timeout) => {}
                }
            }
        })
    });
    if let Some(failure) = failure {
        return Err(failure);
    }
    let value = match result {
        Some(Ok(result)) => result.map_err(|e| errors::to_py(py, e))?,
        Some(Err(_)) | None => return Err(errors::internal(py, &PANIC.lock().clone())),
    };
    look(py)?;
    Ok(value)
}

/// Work that only takes time, through the same door as all long work. The tests of the border
/// use it, since real work's duration depends on the machine.
#[pyfunction]
#[pyo3(signature = (seconds, *, panic = false, progress = None, threads = None))]
pub(crate) fn _wait(
    py: Python<'_>,
    seconds: f64,
    panic: bool,
    progress: Option<Py<PyAny>>,
    threads: Option<usize>,
) -> PyResult<usize> {
    run_plain(py, How { progress, threads }, |job| {
        let start = std::time::Instant::now();
        loop {
            let done = start.elapsed().as_secs_f64() / seconds.max(1e-9);
            job.checkpoint(done)?;
            assert!(!panic, "asked to panic");
            if done >= 1.0 {
                return Ok(rayon::current_num_threads());
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    })
}
