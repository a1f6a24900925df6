//! How a pass runs: setup, cancelling, progress. What it does is the pass's own options.

use crate::error::{Error, Result};
use crate::setup::Setup;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A flag that stops long work at its next checkpoint. Clones share the flag.
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

/// Everything about *how* work runs. Cheap to clone; clones share the cancel flag.
#[derive(Clone)]
pub struct Context {
    /// The workshop's numbers.
    pub setup: Arc<Setup>,
    /// Stops the work at its next checkpoint.
    pub cancel: CancelToken,
    listener: Option<Listener>,
    stage: Arc<str>,
    span: (f64, f64),
}

impl std::fmt::Debug for Context {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Context")
            .field("setup", &self.setup.name)
            .field("stage", &self.stage)
            .finish()
    }
}

impl Context {
    /// A context without progress.
    pub fn new(setup: Setup) -> Context {
        Context {
            setup: Arc::new(setup),
            cancel: CancelToken::default(),
            listener: None,
            stage: "".into(),
            span: (0.0, 1.0),
        }
    }

    /// Reports progress to `listener(stage, fraction)`; it may be called from any thread.
    pub fn with_listener(
        mut self,
        listener: impl Fn(&str, f64) + Send + Sync + 'static,
    ) -> Context {
        self.listener = Some(Arc::new(listener));
        self
    }

    /// The same context for a stage of the work that covers `from..to` of this one's progress.
    pub fn stage(&self, name: &str, from: f64, to: f64) -> Context {
        let width = self.span.1 - self.span.0;
        let stage = if self.stage.is_empty() {
            name.into()
        } else {
            format!("{}/{name}", self.stage).into()
        };
        Context {
            stage,
            span: (self.span.0 + from * width, self.span.0 + to * width),
            ..self.clone()
        }
    }

    /// The same context without a listener, for work that runs many times side by side.
    pub fn quiet(&self) -> Context {
        Context { listener: None, ..self.clone() }
    }

    /// Reports `fraction` of this stage and stops if asked. Call it in every loop that can run
    /// longer than 50 ms.
    ///
    /// # Errors
    /// [`Error::Cancelled`] when the token was cancelled.
    pub fn checkpoint(&self, fraction: f64) -> Result<()> {
        if self.cancel.is_cancelled() {
            return Err(Error::Cancelled);
        }
        if let Some(listener) = &self.listener {
            let f = fraction.clamp(0.0, 1.0);
            listener(&self.stage, self.span.0 + f * (self.span.1 - self.span.0));
        }
        Ok(())
    }
}
