//! A recipe: passes in order, itself a pass, read and written as TOML or JSON.

use crate::check::Check;
use crate::context::Context;
use crate::error::{Error, Result};
use crate::finding::{Done, Report};
use crate::options::{OptionDoc, Options, comment, commented, prose, remedy};
use crate::part::Part;
use crate::pass::Pass;
use crate::passes::{Hollow, Orient, Raft, Repair, Support, Vent};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::Arc;

/// A pass over parts that can be put into a recipe.
pub type PartPass = dyn Pass<Part, Out = Part> + Send + Sync;

/// One step of a recipe.
#[derive(Clone, Serialize, Deserialize)]
#[serde(tag = "pass", rename_all = "snake_case")]
#[non_exhaustive]
#[allow(missing_docs)] // each variant is the pass of that name
pub enum Step {
    Repair(Repair),
    Orient(Orient),
    Hollow(Hollow),
    Vent(Vent),
    Raft(Raft),
    Support(Support),
    Check(Check),
    /// A pass of your own; it runs, but cannot be written to a file.
    #[serde(skip)]
    Own(Arc<PartPass>),
}

impl Step {
    /// The pass inside.
    pub fn pass(&self) -> &PartPass {
        match self {
            Step::Repair(p) => p,
            Step::Orient(p) => p,
            Step::Hollow(p) => p,
            Step::Vent(p) => p,
            Step::Raft(p) => p,
            Step::Support(p) => p,
            Step::Check(p) => p,
            Step::Own(p) => p.as_ref(),
        }
    }
}

impl Step {
    /// What the pass is, and its options as declared.
    fn declared(&self) -> (&'static str, &'static [OptionDoc]) {
        fn of<P: Options>(_: &P) -> (&'static str, &'static [OptionDoc]) {
            (P::ABOUT, P::OPTIONS)
        }
        match self {
            Step::Vent(p) => of(p),
            Step::Raft(p) => of(p),
            Step::Support(p) => of(p),
            Step::Check(p) => of(p),
            _ => ("", &[]),
        }
    }
}

impl fmt::Debug for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.pass().name())
    }
}

/// Passes in order. A part is oriented at the height to which a later raft lifts it.
///
/// ```
/// use vatwright::{Recipe, Step, passes::{Raft, Support}};
/// let recipe = Recipe {
///     steps: vec![Step::Raft(Raft { lift_mm: 4.0, ..Raft::default() }), Step::Support(Support::default())],
/// };
/// let text = recipe.to_toml()?; // every option, with a comment above each
/// let again = Recipe::from_toml(&text, "recipe.toml")?;
/// assert!(matches!(&again.steps[0], Step::Raft(raft) if raft.lift_mm == 4.0));
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recipe {
    /// The steps.
    pub steps: Vec<Step>,
}

impl Default for Recipe {
    /// Orient, hollow, vent, raft, support, check: the whole way with every default.
    fn default() -> Recipe {
        let steps = vec![
            Step::Orient(Orient::default()),
            Step::Hollow(Hollow::default()),
            Step::Vent(Vent::default()),
            Step::Raft(Raft::default()),
            Step::Support(Support::default()),
            Step::Check(Check::default()),
        ];
        Recipe { steps }
    }
}

impl Recipe {
    /// The orient pass at that step, made to leave room for a later base: what it and the passes
    /// between them judge is then the part at its final height, and the rim finds its place.
    fn above_base(&self, i: usize) -> Option<Orient> {
        let Step::Orient(orient) = &self.steps[i] else { return None };
        let raft = self.steps[i..].iter().find_map(|s| match s {
            Step::Raft(raft) => Some(raft),
            _ => None,
        })?;
        Some(Orient {
            lift_mm: orient.lift_mm.max(raft.hang_mm()),
            border_mm: orient.border_mm.max(raft.rim_mm()),
            ..orient.clone()
        })
    }

    /// How a file becomes a solid before the recipe works on it: by the recipe's own first step,
    /// if that is a repair, else by a repair with every default.
    pub fn repair(&self) -> Repair {
        match self.steps.first() {
            Some(Step::Repair(repair)) => repair.clone(),
            _ => Repair::default(),
        }
    }

    /// Reads a recipe from TOML; `place` names it in messages.
    ///
    /// # Errors
    /// [`Error::Config`] with the line that cannot be understood, [`Error::Value`] for an option
    /// out of its range.
    pub fn from_toml(text: &str, place: &str) -> Result<Recipe> {
        let recipe: Recipe = toml::from_str(text).map_err(|e| unreadable(place, &e))?;
        recipe.validate()?;
        Ok(recipe)
    }

    /// Reads a recipe from JSON; `place` names it in messages.
    ///
    /// # Errors
    /// [`Error::Config`] with the line that cannot be understood, [`Error::Value`] for an option
    /// out of its range.
    pub fn from_json(text: &str, place: &str) -> Result<Recipe> {
        let recipe: Recipe = serde_json::from_str(text).map_err(|e| unreadable(place, &e))?;
        recipe.validate()?;
        Ok(recipe)
    }

    /// The recipe as TOML, every option included, with a comment above each.
    ///
    /// # Errors
    /// [`Error::Config`] when it holds a pass of one's own, [`Error::Value`] for an option out of
    /// its range: what is written reads back equal.
    pub fn to_toml(&self) -> Result<String> {
        self.validate()?;
        let mut out = String::new();
        if self.steps.is_empty() {
            out.push_str("steps = []\n");
        }
        for step in &self.steps {
            let mut table = toml::Table::try_from(step).map_err(|e| unwritable(&e))?;
            let name = table.remove("pass").unwrap_or_else(|| step.pass().name().into());
            let (about, declared) = step.declared();
            if !out.is_empty() {
                out.push('\n');
            }
            if !about.is_empty() {
                comment(&mut out, &prose(about));
            }
            out.push_str(&format!("[[steps]]\npass = {name}\n"));
            commented(&mut out, "steps", &table, declared);
        }
        Ok(out)
    }

    /// The recipe as JSON, every option included.
    ///
    /// # Errors
    /// [`Error::Config`] when it holds a pass of one's own, [`Error::Value`] for an option out of
    /// its range: what is written reads back equal.
    pub fn to_json(&self) -> Result<String> {
        self.validate()?;
        serde_json::to_string_pretty(self).map_err(|e| unwritable(&e))
    }
}

fn unreadable(place: &str, e: &dyn fmt::Display) -> Error {
    let problem = e.to_string();
    let otherwise = "compare with the recipe that Recipe::default().to_toml() writes";
    Error::Config { place: place.into(), remedy: remedy(&problem, otherwise), problem }
}

fn unwritable(e: &dyn fmt::Display) -> Error {
    Error::Config {
        place: "recipe".into(),
        problem: e.to_string(),
        remedy: "passes of your own have no file form; add them in code".into(),
    }
}

impl Pass<Part> for Recipe {
    type Out = Part;

    fn name(&self) -> &'static str {
        "recipe"
    }

    fn validate(&self) -> Result<()> {
        self.steps.iter().try_for_each(|step| step.pass().validate())
    }

    fn apply(&self, mut part: Part, ctx: &Context) -> Result<Done<Part>> {
        let mut report = Report::new("recipe", &part.name);
        let n = self.steps.len() as f64;
        for (i, step) in self.steps.iter().enumerate() {
            let above_base = self.above_base(i).map(Step::Orient);
            let pass = above_base.as_ref().unwrap_or(step).pass();
            let ctx = ctx.stage(pass.name(), i as f64 / n, (i + 1) as f64 / n);
            ctx.checkpoint(0.0)?;
            let done = pass.apply(part, &ctx)?;
            part = done.value;
            report.inner.push(done.report);
        }
        Ok(Done { value: part, report })
    }
}
