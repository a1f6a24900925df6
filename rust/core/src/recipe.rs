//! A recipe: passes in order, itself a pass, read and written as TOML or JSON.

use crate::check::Check;
use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::{Error, Result};
use crate::finding::{Done, Report, Severity};
use crate::format::{FORMAT, Format};
use crate::options::{OptionDoc, Options, comment, commented, prose, remedy};
use crate::part::Part;
use crate::pass::Pass;
use crate::passes::{Compensate, Hollow, Orient, Raft, Repair, Support, Vent};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::fmt;
use std::ops::Range;
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
    Compensate(Compensate),
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
            Step::Compensate(p) => p,
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
            Step::Compensate(p) => of(p),
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
#[serde(from = "RecipeFile", into = "RecipeFile")]
pub struct Recipe {
    /// The steps.
    pub steps: Vec<Step>,
}

/// A recipe as it stands in a file.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RecipeFile {
    #[serde(default)]
    format: Format,
    steps: Vec<Step>,
}

impl From<RecipeFile> for Recipe {
    fn from(file: RecipeFile) -> Recipe {
        Recipe { steps: file.steps }
    }
}

impl From<Recipe> for RecipeFile {
    fn from(recipe: Recipe) -> RecipeFile {
        RecipeFile { format: Format::current(), steps: recipe.steps }
    }
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
        let mut out = format!("format = {FORMAT}\n");
        if self.steps.is_empty() {
            out.push_str("steps = []\n");
        }
        for step in &self.steps {
            let mut table = toml::Table::try_from(step).map_err(|e| unwritable(&e))?;
            let name = table.remove("pass").unwrap_or_else(|| step.pass().name().into());
            let (about, declared) = step.declared();
            out.push('\n');
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

    /// Where what the pose decides fails after all, up to two further poses are tried and the best
    /// taken; the report says how many (`poses_tried`) and what the first would have come to.
    fn apply(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        let mut report = Report::new("recipe", &part.name);
        let orients = self.steps.iter().position(|s| matches!(s, Step::Orient(_)));
        let until = orients.unwrap_or(self.steps.len());
        let part = self.run(part, 0..until, &mut report.inner, ctx)?;
        let Some((at, orient)) = orients.and_then(|i| Some((i, self.orient_at(i)?))) else {
            return Ok(Done { value: part, report });
        };
        let poses = orient.poses(part, POSES, &self.stage(at, ctx)?)?;
        let mut best: Option<(Flaws, Part, Vec<Report>)> = None;
        let mut first = Flaws::default();
        for (tried, pose) in poses.into_iter().enumerate() {
            let ctx = if tried == 0 { ctx.clone() } else { ctx.stage("another pose", 1.0, 1.0) };
            let mut told = vec![pose.report];
            let part = self.run(pose.value, at + 1..self.steps.len(), &mut told, &ctx)?;
            let flaws = Flaws::of(&told);
            let enough = flaws.is_none();
            if tried == 0 {
                first = flaws.clone();
            } else {
                report.number("poses_tried", (tried + 1) as f64);
            }
            if best.as_ref().is_none_or(|b| flaws.count() < b.0.count()) {
                best = Some((flaws, part, told));
            }
            if enough {
                break;
            }
        }
        let Some((flaws, part, told)) = best else {
            let problem = "no pose was found".into();
            let (place, remedy) = ("orient".into(), "turn the part by hand".into());
            return Err(Error::Config { place, problem, remedy });
        };
        if report.numbers.contains_key("poses_tried") {
            report.words.insert("poses".into(), first.words(&flaws));
        }
        report.inner.extend(told);
        Ok(Done { value: part, report })
    }
}

/// So many poses are tried where the first fails.
const POSES: usize = 3;
/// More resin in supports than this share of the part's is waste.
const WASTE: f64 = 0.5;
/// More columns on the part than this are a forest that marks it all over.
const FOREST: f64 = 12.0;

/// What is wrong with a prepared part that another pose may mend.
#[derive(Clone, Debug, Default)]
struct Flaws {
    /// Codes of faults, and words for waste, each once.
    what: BTreeSet<String>,
    /// How many in all.
    many: usize,
}

impl Flaws {
    fn of(told: &[Report]) -> Flaws {
        use FindingCode::{
            Adhesion, Buckling, Column, Columns, Cup, Island, KeepClean, Lift, Neck, Overhang,
            Overload, Pocket, Sag, Springback, Strength, Tips,
        };
        let mends = [
            Adhesion, Buckling, Column, Columns, Cup, Island, KeepClean, Lift, Neck, Overhang,
            Overload, Pocket, Sag, Springback, Strength, Tips,
        ];
        let mut out = Flaws::default();
        let mut tell = |what: &str| {
            out.what.insert(what.to_string());
            out.many += 1;
        };
        for report in told {
            let faults = report.findings.iter().filter(|f| f.severity == Severity::Fault);
            faults.filter(|f| mends.contains(&f.code)).for_each(|f| tell(f.code.as_str()));
            let beyond =
                |name: &str, most: f64| report.numbers.get(name).is_some_and(|v| *v > most);
            if beyond("support_share", WASTE) {
                tell("supports of more than half its resin");
            }
            if beyond("landings", FOREST) {
                tell("columns all over it");
            }
        }
        out
    }

    fn is_none(&self) -> bool {
        self.many == 0
    }

    fn count(&self) -> usize {
        self.many
    }

    /// What was found of the pose of the best score, and of the one taken.
    fn words(&self, taken: &Flaws) -> String {
        let list = |f: &Flaws| f.what.iter().cloned().collect::<Vec<_>>().join(", ");
        let left = if taken.is_none() {
            "another pose has none of it".into()
        } else {
            format!("the best of the poses tried still has {}", list(taken))
        };
        format!("the pose of the best score has {}; {left}", list(self))
    }
}

impl Recipe {
    /// The orient pass at a step, as it is run there.
    fn orient_at(&self, i: usize) -> Option<Orient> {
        match &self.steps[i] {
            Step::Orient(orient) => Some(self.above_base(i).unwrap_or_else(|| orient.clone())),
            _ => None,
        }
    }

    fn stage(&self, i: usize, ctx: &Context) -> Result<Context> {
        let n = self.steps.len() as f64;
        let ctx = ctx.stage(self.steps[i].pass().name(), i as f64 / n, (i + 1) as f64 / n);
        ctx.checkpoint(0.0)?;
        Ok(ctx)
    }

    /// Runs some of the steps one after the other.
    fn run(
        &self,
        mut part: Part,
        steps: Range<usize>,
        told: &mut Vec<Report>,
        ctx: &Context,
    ) -> Result<Part> {
        for i in steps {
            let orient = self.orient_at(i).map(Step::Orient);
            let pass = orient.as_ref().unwrap_or(&self.steps[i]).pass();
            let done = pass.apply(part, &self.stage(i, ctx)?)?;
            part = done.value;
            told.push(done.report);
        }
        Ok(part)
    }
}
