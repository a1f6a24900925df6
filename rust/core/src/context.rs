//! How a pass runs: the workshop's numbers and the job. What it does is the pass's own options.

use crate::error::Result;
use crate::job::Job;
use crate::setup::Setup;
use std::sync::Arc;

/// Everything about *how* a pass runs. Cheap to clone; clones share the cancel flag.
///
/// ```
/// use vatwright::{Context, Setup};
/// let ctx = Context::new(Setup::load("desk-50um")?);
/// let stage = ctx.stage("mine", 0.0, 0.5); // the first half of the progress
/// stage.checkpoint(0.1)?;
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone)]
pub struct Context {
    /// The workshop's numbers.
    pub setup: Arc<Setup>,
    /// Cancelling, progress, threads.
    pub job: Job,
}

impl std::fmt::Debug for Context {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Context").field("setup", &self.setup.name).field("job", &self.job).finish()
    }
}

impl Context {
    /// A context without progress.
    pub fn new(setup: Setup) -> Context {
        Context { setup: Arc::new(setup), job: Job::default() }
    }

    /// The same setup under another job.
    pub fn with_job(&self, job: Job) -> Context {
        Context { setup: Arc::clone(&self.setup), job }
    }

    /// Reports progress to a listener; see [`Job::with_listener`].
    pub fn with_listener(self, listener: impl Fn(&str, f64) + Send + Sync + 'static) -> Context {
        Context { setup: self.setup, job: self.job.with_listener(listener) }
    }

    /// The same context with another safety of supports.
    pub(crate) fn with_safety(self, safety: f64) -> Context {
        let mut setup = Setup::clone(&self.setup);
        setup.limits.safety = safety;
        Context { setup: Arc::new(setup), job: self.job }
    }

    /// The same context for a stage of the work; see [`Job::stage`].
    pub fn stage(&self, name: &str, from: f64, to: f64) -> Context {
        self.with_job(self.job.stage(name, from, to))
    }

    /// The same context without a listener; see [`Job::quiet`].
    pub fn quiet(&self) -> Context {
        self.with_job(self.job.quiet())
    }

    /// Reports progress and stops if asked; see [`Job::checkpoint`].
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled) when the token was cancelled.
    pub fn checkpoint(&self, fraction: f64) -> Result<()> {
        self.job.checkpoint(fraction)
    }
}
