//! How long work runs: cancelling, progress, threads. Geometry takes a [`Job`] and nothing else;
//! only passes also know a setup.

use crate::error::{Error, Result};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A flag that stops long work at its next checkpoint. Clones share the flag.
///
/// ```
/// use vatwright::Job;
/// let job = Job::default();
/// let token = job.cancel.clone(); // for another thread
/// token.cancel();
/// assert!(job.checkpoint(0.5).is_err());
/// ```
#[derive(Clone, Debug, Default)]
pub struct CancelToken(Arc<AtomicBool>);

impl CancelToken {
    /// Asks the work to stop.
    pub fn cancel(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether somebody asked.
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

type Listener = Arc<dyn Fn(&str, f64) + Send + Sync>;

/// How long work runs. Cheap to clone; clones share the cancel flag.
///
/// ```
/// use vatwright::{Job, mesh::shapes, mesh::boolean};
/// let job = Job::default().with_listener(|stage, share| println!("{stage} {share:.2}"));
/// let (block, drill) = (shapes::cuboid(4.0, 4.0, 4.0)?, shapes::cylinder(1.0, 8.0, 16)?);
/// boolean::subtract(&block, &[&drill], &job)?;
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone)]
pub struct Job {
    /// Stops the work at its next checkpoint.
    pub cancel: CancelToken,
    /// Threads that [`Job::pool`] makes; all the machine's cores when `None`. Results are the
    /// same for any number.
    pub threads: Option<usize>,
    listener: Option<Listener>,
    stage: Arc<str>,
    span: (f64, f64),
}

impl Default for Job {
    /// A job without progress, on all cores.
    fn default() -> Job {
        Job {
            cancel: CancelToken::default(),
            threads: None,
            listener: None,
            stage: "".into(),
            span: (0.0, 1.0),
        }
    }
}

impl std::fmt::Debug for Job {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Job").field("stage", &self.stage).field("threads", &self.threads).finish()
    }
}

impl Job {
    /// The same job on so many threads.
    pub fn with_threads(self, threads: usize) -> Job {
        Job { threads: Some(threads), ..self }
    }

    /// Reports progress to `listener(stage, fraction)`; it may be called from any thread.
    pub fn with_listener(mut self, listener: impl Fn(&str, f64) + Send + Sync + 'static) -> Job {
        self.listener = Some(Arc::new(listener));
        self
    }

    /// The same job for a stage of the work that covers `from..to` of this one's progress.
    pub fn stage(&self, name: &str, from: f64, to: f64) -> Job {
        let width = self.span.1 - self.span.0;
        let stage = if self.stage.is_empty() {
            name.into()
        } else {
            format!("{}/{name}", self.stage).into()
        };
        Job { stage, span: (self.span.0 + from * width, self.span.0 + to * width), ..self.clone() }
    }

    /// The same job without a listener, for work that runs many times side by side.
    pub fn quiet(&self) -> Job {
        Job { listener: None, ..self.clone() }
    }

    /// Reports `fraction` of this stage and stops if asked. Call it in every loop that can run
    /// longer than 50 ms.
    ///
    /// # Errors
    /// [`Error::Cancelled`] when the token was cancelled.
    pub fn checkpoint(&self, fraction: f64) -> Result<()> {
        self.go_on()?;
        if let Some(listener) = &self.listener {
            let f = fraction.clamp(0.0, 1.0);
            listener(&self.stage, self.span.0 + f * (self.span.1 - self.span.0));
        }
        Ok(())
    }

    /// Stops if asked, without reporting: for loops that run side by side.
    ///
    /// # Errors
    /// As [`Job::checkpoint`].
    pub fn go_on(&self) -> Result<()> {
        if self.cancel.is_cancelled() { Err(Error::Cancelled) } else { Ok(()) }
    }

    /// A pool of as many threads as the job asks for; what runs inside it uses no others.
    ///
    /// # Errors
    /// [`Error::Config`] when the system has no room for so many threads.
    ///
    /// ```
    /// use vatwright::Job;
    /// let job = Job::default().with_threads(2);
    /// assert_eq!(job.pool()?.install(rayon::current_num_threads), 2);
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub fn pool(&self) -> Result<rayon::ThreadPool> {
        let threads = self.threads.unwrap_or(0);
        let builder = rayon::ThreadPoolBuilder::new().num_threads(threads);
        builder.thread_name(|i| format!("{THREAD}{i}")).build().map_err(|e| Error::Config {
            place: "job.threads".into(),
            problem: e.to_string(),
            remedy: "ask for fewer threads".into(),
        })
    }
}

/// Start of the names of the threads of [`Job::pool`].
pub const THREAD: &str = "vatwright-";
