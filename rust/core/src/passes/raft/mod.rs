//! Raft: the base that holds everything to the plate, and how high the part stands over it.
//!
//! Where supports follow, nobody knows yet where their feet will be. So this pass lifts the part,
//! lays a base under the part's own outline and keeps its options with it; the support pass lays
//! the base again, by the same code, under the feet it found and as large as adhesion asks.

mod inset;
mod shape;

pub use crate::base::{Raft, Style};

use crate::base::Base;
use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::{Error, Result};
use crate::finding::{Done, Finding, Report, Severity};
use crate::layers::{Fill, Grid, Layer, Region, Scan, Surface};
use crate::mechanics::light::EdgeBlur;
use crate::mechanics::peel::Pull;
use crate::mechanics::{adhesion, cure};
use crate::mesh::polygon::hull;
use crate::mesh::{Mesh, Pose};
use crate::options::Options;
use crate::part::Part;
use crate::pass::Pass;
use crate::structure::Footprint;
use shape::{openings, ribs, slab};
use std::sync::Arc;

impl Raft {
    /// Lays the base under points on the plate, so wide that its bond bears every one of the pulls
    /// with its moment, as far as that goes; with it the greatest use of the bond.
    pub(crate) fn lay(
        &self,
        under: &[[f64; 2]],
        pulls: &[Pull],
        ctx: &Context,
    ) -> Result<(Base, f64)> {
        let mut base = Base { plan: self.clone(), ..Base::default() };
        if under.is_empty() || self.style == Style::None {
            return Ok((base, 0.0));
        }
        let mut pieces: Vec<Vec<[f64; 2]>> = match self.style {
            Style::Solid => vec![under.to_vec()],
            _ => under.iter().map(|&p| vec![p]).collect(),
        };
        if self.style == Style::Net {
            pieces.extend(ribs(under).map(|[a, b]| vec![a, b]));
        }
        let hulls: Vec<_> = pieces.iter().map(|p| hull(p)).collect();
        let lean = self.lean_mm();
        let mut margin = self.margin_mm;
        loop {
            let pierced = |h: &Vec<[f64; 2]>| {
                let radius = self.opening_mm / 2.0;
                let open = self.style == Style::Solid && radius > 0.0 && self.lift_mm > 0.0;
                let at = if open { openings(h, under, margin, radius) } else { Vec::new() };
                slab(h, margin, margin + lean, self.thickness_mm, &at, radius)
            };
            let slabs: Vec<Mesh> = hulls.iter().map(pierced).collect();
            base.mesh = Mesh::concat("raft", &slabs);
            let foot = footprint(&base.mesh, ctx)?;
            base.bond_mm2 = foot.moments.area_mm2;
            let tension_kpa = pulls.iter().map(|&p| foot.worst(p).0).fold(0.0, f64::max);
            let over = tension_kpa * ctx.setup.limits.safety / ctx.setup.resin.plate_bond_kpa;
            if over <= 1.0 || margin >= MOST_MARGIN_MM {
                return Ok((base, over));
            }
            // The edge's tension falls with the third power of the base's size at most.
            margin = (margin * over.cbrt().clamp(1.05, 1.5)).min(MOST_MARGIN_MM);
        }
    }
}

/// No wider does a base become on its own, mm: a part that pulls so hard should be turned.
const MOST_MARGIN_MM: f64 = 12.0;

impl Raft {
    /// The part with its first layers drawn in, where that can be.
    fn inset(&self, part: Part, report: &mut Report, ctx: &Context) -> Result<Part> {
        let (x, critical) = (&ctx.setup.exposure, ctx.setup.resin.critical_mj_cm2);
        let dose = cure::dose_mj_cm2(x.irradiance_mw_cm2, x.first_exposure_s);
        let growth = EdgeBlur::of(&ctx.setup).growth_mm(dose, critical);
        let inset_mm = self.inset_mm.unwrap_or(growth);
        if inset_mm <= 0.0 || x.first_layers == 0 {
            return Ok(part);
        }
        if let Some(drawn) = inset::drawn_in(&part, inset_mm, ctx)? {
            report.number("inset_mm", inset_mm);
            return Ok(drawn);
        }
        let message = "its lowest layer is too small to be drawn in; it will grow";
        report.findings.push(
            Finding::new(FindingCode::FirstLayerFlare, Severity::Warning, &part.name, message)
                .at_layers(0, x.first_layers - 1)
                .measured(inset_mm, 0.0, "mm")
                .remedy("stand it on a raft"),
        );
        Ok(part)
    }
}

impl Pass<Part> for Raft {
    type Out = Part;

    fn name(&self) -> &'static str {
        "raft"
    }

    fn validate(&self) -> Result<()> {
        self.check_ranges()
    }

    fn apply(&self, mut part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        ctx.checkpoint(0.0)?;
        part.not_compensated("raft")?;
        let had = if part.raft.is_some() || part.supports.is_some() {
            Some(("it already stands on a raft or supports", "start from part.bare()"))
        } else if part.inset_mm > 0.0 {
            Some(("its first layers are drawn in already", "start from the part as it was"))
        } else {
            None
        };
        if let Some((problem, remedy)) = had {
            return Err(Error::Pass {
                pass: "raft",
                part: part.name,
                problem: problem.into(),
                remedy: remedy.into(),
            });
        }
        let mut report = Report::new("raft", &part.name);
        let lift = self.hang_mm();
        part.settle(lift);
        report.number("lift_mm", lift);
        if self.style == Style::None {
            part = self.inset(part, &mut report, ctx)?;
        } else {
            let outline: Vec<[f64; 2]> =
                part.body.vertices().iter().map(|v| part.pose * v).map(|p| [p.x, p.y]).collect();
            // Discs alone would leave a part without supports in mid-air; they come with the feet.
            let base = match self.style {
                Style::Solid => self.lay(&hull(&outline), &[], ctx)?.0,
                _ => Base { plan: self.clone(), ..Base::default() },
            };
            report.number("bond_mm2", base.bond_mm2);
            let setup = &ctx.setup;
            let hold = adhesion::bond_n(setup.resin.plate_bond_kpa, base.bond_mm2);
            report.number("bond_n", hold / setup.limits.safety);
            part.raft = Some(Arc::new(base));
        }
        Ok(Done { value: part, report })
    }
}

/// What of a base bonds to the plate; overlapping pieces count once.
fn footprint(mesh: &Mesh, ctx: &Context) -> Result<Footprint> {
    const THIN_MM: f64 = 0.01; // so low that the leaning rim adds next to nothing
    let mut bounds = mesh.bounds();
    bounds.max.z = THIN_MM;
    let grid = Grid::over(&bounds, THIN_MM, 0.1)?;
    let surface = Surface { mesh, pose: Pose::identity(), fill: Fill::Added };
    let layers = Scan::new(&[surface], grid).layers(&ctx.job)?;
    let regions = layers.layer(0).islands(&Layer::default(), 0, &grid);
    let regions: Vec<Region> = regions.into_iter().map(|r| r.0).collect();
    Ok(Footprint::of(layers.layer(0), &regions, &grid))
}
