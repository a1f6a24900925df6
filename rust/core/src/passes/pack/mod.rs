//! Pack: many parts on the fewest, shortest plates.
//!
//! A plate costs its tallest part, whether it holds one part or forty. So the goal is machine
//! time over all plates, then the number of plates, then compactness. A sorted greedy start is
//! squeezed by guided local search; the plan never gets worse than the start, and the report says
//! how far from a lower bound it is.

mod batching;
mod bound;
mod boxes;
mod guided_local_search;
mod improve;
mod layout;
mod nfp;
mod order;
mod outline;
mod plan;
mod plugs;
mod polygon;
mod rng;
mod schedule;
mod search;
mod strip;

pub use batching::{BatchJob, Batches, batches};
pub use bound::{Need, least_plates, most_discs};
pub use outline::{Shadow, shadow};
pub use plan::Goal;
pub use plugs::PlugPlace;
pub use polygon::{Point2, signed_area_mm2};
pub use schedule::{Aim, MachineHours, PlateHours, PlateRun, Schedule, Timeline};
pub use strip::{Budget, Laid, Strip, StripTask, strip};

use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Report, Severity};
use crate::options::{Options, options};
use crate::part::Part;
use crate::pass::Pass;
use crate::plate::Plate;
use crate::setup::Setup;
use order::Order;
use plan::Task;
use plugs::Lot;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A rectangle of the plate that stays free, mm from its front left corner.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeepOut {
    /// Left edge.
    pub x_mm: f64,
    /// Front edge.
    pub y_mm: f64,
    /// Extent along x.
    pub width_mm: f64,
    /// Extent along y.
    pub depth_mm: f64,
}

options! {
    /// Options of the pass.
    ///
    /// Outlines are the shadows of everything printed (body, lattice, supports, raft), holes filled;
    /// they are kept apart by at least the gap and at most about 0.2 mm more.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::Pack};
    /// # let ctx = Context::new(Setup::default());
    /// let parts = (0..4).map(|_| Ok(Part::new(cuboid(20.0, 20.0, 5.0)?))).collect::<vatwright::Result<Vec<_>>>()?;
    /// let plates = Pack { rounds: 10, ..Pack::default() }.apply(parts, &ctx)?.value;
    /// assert_eq!((plates.len(), plates[0].placed.len()), (1, 4));
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Pack at "pack" {
        /// Least distance between parts, mm.
        gap_mm: f64 = 1.0, in 0.0..=50.0 "mm", larger "safer handling; fewer parts on a plate";
        /// Rim of the plate that stays free, mm.
        margin_mm: f64 = 1.0,
            in 0.0..=100.0 "mm",
            larger "safer at the rim; fewer parts on a plate";
        /// Parts may turn about z by multiples of this, degrees; it must divide 360. 360: not at all.
        turn_step_deg: f64 = 45.0,
            in 1.0..=360.0 "degrees",
            larger "fewer ways to turn, quicker; looser plates";
        /// Height of the bands for which outlines are taken, mm, so that an arm may pass over a lower
        /// neighbour. `None`: one outline for the whole height, the safer choice for handling.
        band_mm: Option<f64> = None, in 0.1..=1000.0 "mm", larger "coarser nesting, quicker";
        /// Where the plugs of vents go: beside their part, apart on plates of their own, or none at
        /// all. They stand on bars, each with its number, which the sheet for after the print names
        /// with its hole.
        plugs: PlugPlace = PlugPlace::Beside;
        /// What is to be small.
        goal: Goal = Goal::TotalTime;
        /// Copies of a part, by its name; parts not named come once.
        copies: BTreeMap<String, u32> = BTreeMap::new();
        /// Names of parts that must share a plate; all copies of each.
        together: Vec<Vec<String>> = Vec::new();
        /// Rank in which a part is due, by its name; lower ranks come on earlier plates, parts not
        /// named come last.
        due: BTreeMap<String, u32> = BTreeMap::new();
        /// Printers, one entry for each that stands in the workshop. Empty: the context's setup.
        printers: Vec<Setup> = Vec::new();
        /// Rectangles that stay free on every plate.
        keep_out: Vec<KeepOut> = Vec::new();
        /// Most parts on a plate, if the user sets one.
        max_parts: Option<u32> = None, larger "fuller plates";
        /// Fill plates in the order given, as by hand, and improve nothing: for serial numbers, or to
        /// see what sorting saves.
        keep_order: bool = false;
        /// Search rounds spent on squeezing plates; the same number gives the same plates.
        rounds: u32 = 2000, larger "tighter plates; more time";
        /// Ends the squeezing after this time, s. The result then depends on the machine's speed.
        seconds: Option<f64> = None, in 0.0..=1e6 "s", larger "tighter plates; more time";
        /// Seed of the search.
        seed: u64 = 1;
    }
}

impl Pass<Vec<Part>> for Pack {
    type Out = Vec<Plate>;

    fn name(&self) -> &'static str {
        "pack"
    }

    /// Packs all parts and their copies. A part that fits no plate is named by a finding
    /// `unpackable`; nothing is lost silently.
    fn apply(&self, parts: Vec<Part>, ctx: &Context) -> Result<Done<Vec<Plate>>> {
        self.validate(&parts)?;
        let lots = plugs::lots(self.plugs, parts, ctx)?;
        let (mut plates, mut totals) = (Vec::new(), PackTotals::default());
        let n = lots.len() as f64;
        for (i, lot) in lots.into_iter().enumerate() {
            // Plugs apart are few and small: nearly all of the time goes into the parts.
            let (from, to) = if i == 0 { (0.0, 1.0 - 0.1 * (n - 1.0)) } else { (0.9, 1.0) };
            self.pack(lot, &mut plates, &mut totals, &ctx.stage("", from, to))?;
        }
        Ok(Done { report: totals.report(&plates), value: plates })
    }
}

/// What there is to tell of all lots.
#[derive(Default)]
struct PackTotals {
    findings: Vec<Finding>,
    time_s: f64,
    greedy_time_s: f64,
    bound_s: f64,
}

impl PackTotals {
    fn report(self, plates: &[Plate]) -> Report {
        let mut report = Report::new("pack", "");
        report.findings = self.findings;
        let placed = || plates.iter().flat_map(|p| &p.placed);
        report.number("parts", placed().filter(|p| p.part.bar.is_none()).count() as f64);
        let plugs = placed().filter_map(|p| p.part.bar.as_ref());
        report.number("plugs", plugs.map(|b| b.plugs.len()).sum::<usize>() as f64);
        report.number("plates", plates.len() as f64);
        report.number("time_s", self.time_s);
        report.number("greedy_time_s", self.greedy_time_s);
        report.number("bound_s", self.bound_s);
        if self.time_s > 0.0 {
            report.number("gap_percent", 100.0 * (self.time_s / self.bound_s - 1.0));
        }
        report
    }
}

/// Most pieces in one run, copies counted.
const MOST_PIECES: usize = 10_000;

impl Pack {
    /// Packs a lot onto plates after those that there are.
    fn pack(
        &self,
        lot: Lot,
        plates: &mut Vec<Plate>,
        totals: &mut PackTotals,
        ctx: &Context,
    ) -> Result<()> {
        let mut order = Order::new(self, lot, &ctx.stage("outlines", 0.0, 0.2))?;
        if order.has_bars() {
            let fits = plan::greedy(&order.task(self), &ctx.stage("place", 0.2, 0.25))?;
            let misfits = fits.misfits;
            order.loosen(&misfits);
        }
        let task = order.task(self);
        let start = plan::greedy(&task, &ctx.stage("place", 0.25, 0.3))?;
        totals.greedy_time_s += start.score(&task).time_s;
        let needs = order.needs(&start.misfits);
        let bound_s = bound::lower_bound_s(&needs, &task, &ctx.stage("bound", 0.3, 0.4))?;
        let plan = if self.keep_order {
            start
        } else {
            improve::improve(&task, start, bound_s, &ctx.stage("squeeze", 0.4, 1.0))?
        };
        totals.findings.extend(order.parts_of(&plan.misfits).map(|part| unpackable(part, &task)));
        totals.time_s += plan.score(&task).time_s;
        totals.bound_s += bound_s;
        plates.extend(order.plates(self, &plan, plates.len()));
        Ok(())
    }

    fn copies_of(&self, name: &str) -> usize {
        self.copies.get(name).map_or(1, |&n| n as usize)
    }

    fn validate(&self, parts: &[Part]) -> Result<()> {
        self.check_ranges()?;
        if (360.0 / self.turn_step_deg).fract().abs() > 1e-9 {
            return Err(Error::Value {
                place: "pack.turn_step_deg".into(),
                value: self.turn_step_deg.to_string(),
                expected: "a divisor of 360: 5, 15, 45, 90, 360, …".into(),
            });
        }
        if self.max_parts == Some(0) {
            check_range("pack.max_parts", 0.0, 1.0, f64::from(u32::MAX), "")?;
        }
        for setup in &self.printers {
            setup.validate()?;
        }
        let pieces: usize = parts.iter().map(|p| self.copies_of(&p.name)).sum();
        if pieces > MOST_PIECES {
            return Err(Error::Limit {
                place: "pack.copies".into(),
                value: pieces as f64,
                limit: MOST_PIECES as f64,
                unit: "pieces",
                remedy: "pack in several runs".into(),
            });
        }
        let named = self.copies.keys().map(|n| ("pack.copies", n));
        let named = named.chain(self.due.keys().map(|n| ("pack.due", n)));
        let named = named.chain(self.together.iter().flatten().map(|n| ("pack.together", n)));
        for (place, name) in named {
            if !parts.iter().any(|p| p.name == *name) {
                return Err(Error::Value {
                    place: place.into(),
                    value: format!("'{name}'"),
                    expected: "the names of the parts given".into(),
                });
            }
        }
        Ok(())
    }
}

fn unpackable(part: &Part, task: &Task<'_>) -> Finding {
    let tallest = task.printers.iter().map(|p| p.height_mm).fold(0.0, f64::max);
    let finding = |why: String| Finding::new("unpackable", Severity::Fault, &part.name, why);
    let height = part.bounds().max.z;
    if height > tallest + 1e-6 {
        return finding("it is taller than every printer, so it is on no plate".into())
            .measured(height, tallest, "mm")
            .remedy("turn, scale or cut it");
    }
    finding("it, or the group it belongs to, fits on no plate, so it is on none".into())
        .remedy("turn, scale or cut it, free it from its group, or use a larger printer")
}
