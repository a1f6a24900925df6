//! Support: hold every island and overhang against peel, release cleanly, mark only where allowed.
//!
//! The pass sweeps the layers for what must be held (`needs`), finds places for tips on allowed
//! facets (`tips`), adds tips until every layer's pull is carried (`loads`), leads columns down
//! clear of the part (`ways`), lays the base under their feet and lets the layer engine judge the
//! whole: what still begins in mid-air gets another tip or a finding.

mod braces;
mod building;
mod edit;
mod enclosed;
mod geometry;
mod judge;
mod loads;
mod mouths;
mod needs;
mod probe;
mod proof;
mod telling;
mod tips;
mod trees;
mod ways;

pub use edit::Edit;

use crate::check;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Report};
use crate::options::{Options, options};
use crate::part::{Part, Tip};
use crate::pass::Pass;
use crate::setup::Setup;
use building::Building;
use needs::Reach;

options! {
    /// Options of the pass.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::{Raft, Support}};
    /// # let mut setup = Setup::default();
    /// # (setup.exposure.layer_mm, setup.machine.pixel_mm) = (0.1, 0.1); // quick to run
    /// let ctx = Context::new(setup);
    /// let raised = Raft { lift_mm: 3.0, ..Raft::default() }.apply(Part::new(cuboid(6.0, 6.0, 3.0)?), &ctx)?;
    /// let done = Support::default().apply(raised.value, &ctx)?;
    /// assert!(!done.value.supports.unwrap().tips.is_empty());
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Support at "support" {
        /// Diameter of the break-off neck where it touches the part, mm.
        tip_mm: f64 = 0.4, in 0.1..=2.0 "mm", larger "stronger tips, so fewer; larger scars";
        /// Length of the neck, mm; half as long again where only that lets it stand upright under a
        /// slope.
        neck_mm: f64 = 2.0,
            in 0.5..=10.0 "mm",
            larger "more room for cutters; necks that give more";
        /// How deep the neck reaches into the part, mm.
        embed_mm: f64 = 0.15, in 0.05..=1.0 "mm", larger "a surer hold; deeper scars";
        /// Diameter of a tall column, mm; short ones and branches are thinner.
        column_mm: f64 = 1.0, larger "stiffer supports; more resin, harder to cut";
        /// Least inclination of columns from the horizontal, degrees.
        column_deg: f64 = 45.0,
            in 30.0..=80.0 "°",
            larger "steeper, stiffer columns; fewer ways around the part";
        /// Clear space between columns and part, mm.
        gap_mm: f64 = 0.4,
            in 0.1..=5.0 "mm",
            larger "columns that never fuse with the part; fewer ways";
        /// Undersides steeper than this from the horizontal carry themselves, degrees (common
        /// practice: 30–45).
        self_deg: f64 = 35.0, in 5.0..=80.0 "°", larger "more of the part is supported";
        /// Reach of a tip under a flat underside, mm; by default what the first, young layer bears
        /// under peel ([`check::Reach`]).
        reach_mm: Option<f64> = None,
            in 0.2..=20.0 "mm",
            larger "fewer tips; more sag between them";
        /// Whether a column may stand on the part where no way leads to raft or plate.
        land_on_part: bool = true;
    }
}

/// Least and greatest reach of a tip, mm.
const REACH_MM: (f64, f64) = (0.2, 20.0);

impl Support {
    /// Checks the options against their ranges.
    ///
    /// # Errors
    /// [`Error::Value`] naming the first that is out of its range.
    pub fn validate(&self) -> Result<()> {
        self.check_ranges()?;
        check_range("support.column_mm", self.column_mm, self.tip_mm, 5.0, "mm")
    }

    /// Diameter of a trunk of so many columns: the sum of their second moments of area.
    fn trunk_mm(&self, columns: u32) -> f64 {
        self.column_mm * f64::from(columns).powf(0.25)
    }

    /// Diameter that a member for so many tips needs over a length, mm: as slender as the longest
    /// column between braces, so that short ones are thin, never thinner than half more than a
    /// tip.
    fn slender_mm(&self, columns: u32, length_mm: f64) -> f64 {
        let trunk = self.trunk_mm(columns);
        let by_length = trunk * (length_mm / (braces::SLENDER * self.column_mm)).sqrt();
        by_length.clamp((1.5 * self.tip_mm).min(trunk), trunk)
    }

    /// Distance that a column's axis keeps from the part, mm.
    fn clear_mm(&self) -> f64 {
        self.column_mm / 2.0 + self.gap_mm
    }

    /// Tips that an underside asks for per mm² of itself; `down` is the downward part of its unit
    /// normal. Discs of a tip's reach cover a plane at 1.21 times their number at best (Kershner
    /// 1939, Am. J. Math. 61:665, from memory), found one by one at about half as many again; a
    /// slope gains on its tips by what it carries itself.
    pub(crate) fn tips_per_mm2(&self, down: f64, setup: &Setup) -> f64 {
        const COVER: f64 = 1.21 * 1.5;
        let slope = (1.0 - down * down).max(0.0).sqrt() / down.max(f64::MIN_POSITIVE);
        let hangs = 1.0 - slope / self.self_deg.to_radians().tan();
        let reach = self.reach(setup).tip;
        hangs.max(0.0) * down.max(0.0) * COVER / (std::f64::consts::PI * reach * reach)
    }

    /// How far things carry themselves.
    fn reach(&self, setup: &Setup) -> Reach {
        let h = setup.exposure.layer_mm;
        let young = check::Reach::of(setup);
        let around = young.free_mm.min(young.span_mm / 2.0) + self.tip_mm / 2.0;
        Reach {
            slope: h / self.self_deg.to_radians().tan(),
            layer: young.free_mm,
            tip: self.reach_mm.unwrap_or(around.clamp(REACH_MM.0, REACH_MM.1)),
        }
    }
}

impl Pass<Part> for Support {
    type Out = Part;

    fn name(&self) -> &'static str {
        "support"
    }

    fn validate(&self) -> Result<()> {
        Support::validate(self)
    }

    fn apply(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        if part.supports.is_some() {
            return Err(Error::Pass {
                pass: "support",
                part: part.name,
                problem: "it already stands on supports".into(),
                remedy: "start from part.bare()".into(),
            });
        }
        let mut report = Report::new("support", &part.name);
        let site = Building::new(self, &part, &ctx.stage("survey", 0.0, 0.3))?;
        // Margins are not stacked: nominal constants with the safety, or the intervals at safety 1,
        // whichever asks for more.
        let limits = &ctx.setup.limits;
        let for_confidence = site.safety_for(limits.confidence, &ctx.setup).unwrap_or(0.0);
        report.number("safety", limits.safety.max(for_confidence));
        let raise = ctx.stage("raise", 0.3, 1.0).with_safety(limits.safety.max(for_confidence));
        let value = site.raise(&mut report, &raise)?;
        Ok(Done { value, report })
    }
}

impl Support {
    fn tip(&self, hit: &probe::Hit, node: u32) -> Tip {
        Tip {
            contact: hit.place,
            normal: hit.normal,
            diameter_mm: self.tip_mm,
            node,
            facet: hit.facet,
        }
    }
}
