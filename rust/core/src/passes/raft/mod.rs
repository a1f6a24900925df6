//! Raft: the base that holds everything to the plate, and how high the part stands over it.
//!
//! Where supports follow, nobody knows yet where their feet will be. So this pass lifts the part,
//! lays a base under the part's own outline and keeps its options with it; the support pass lays
//! the base again, by the same code, under the feet it found and as large as adhesion asks.

mod inset;
mod shape;

use super::Pass;
use crate::check::Footprint;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Report, Severity};
use crate::layers::{Fill, Grid, Layer, Region, Scan, Surface};
use crate::mechanics::peel::Pull;
use crate::mechanics::{adhesion, cure};
use crate::mesh::{Mesh, Pose};
use crate::part::{Base, Part};
use serde::{Deserialize, Serialize};
use shape::{hull, openings, ribs, slab};
use std::sync::Arc;

/// What the base looks like.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Style {
    /// One plate under everything: the strongest hold.
    #[default]
    Pad,
    /// Discs under the feet joined by ribs: open between, so that it peels and drains easily.
    Net,
    /// A disc under each foot, without anything between them.
    Feet,
    /// None: the part itself stands on the plate.
    None,
}

/// Options of the pass.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Raft {
    /// What the base looks like.
    pub style: Style,
    /// Thickness of the base, mm.
    pub thickness_mm: f64,
    /// How far the base reaches beyond outline or feet where it touches the plate, mm.
    pub margin_mm: f64,
    /// Slope of the rim from the horizontal, degrees. It leans outwards, so that a scraper finds
    /// a way under it.
    pub rim_deg: f64,
    /// Diameter of round openings through a pad, mm; 0 leaves it closed. They lower the peel of
    /// the base itself and let resin through; what stands on the pad keeps its ground.
    pub opening_mm: f64,
    /// How far the first layers of a part without a base are drawn in on all sides, mm, since
    /// over-exposure makes them grow; by default the growth that the edge's blur brings about
    /// ([`cure::edge_growth_mm`]). Measured growth is often more: 0.1–0.4 mm (common practice).
    pub inset_mm: Option<f64>,
    /// Clear height between the base and the part's lowest point, mm. Supports bridge it, and the
    /// part's own first layers come out true to size, as they are none of the over-exposed ones.
    /// With 0 the part stands on the base. Without a base it is not used.
    pub lift_mm: f64,
}

impl Default for Raft {
    fn default() -> Raft {
        Raft {
            style: Style::Pad,
            thickness_mm: 0.6,
            margin_mm: 1.5,
            rim_deg: 45.0,
            opening_mm: 0.0,
            inset_mm: None,
            lift_mm: 5.0,
        }
    }
}

impl Raft {
    fn validate(&self) -> Result<()> {
        check_range("raft.thickness_mm", self.thickness_mm, 0.1, 10.0, "mm")?;
        check_range("raft.margin_mm", self.margin_mm, 0.2, 50.0, "mm")?;
        check_range("raft.rim_deg", self.rim_deg, 30.0, 90.0, "°")?;
        check_range("raft.opening_mm", self.opening_mm, 0.0, 20.0, "mm")?;
        check_range("raft.inset_mm", self.inset_mm.unwrap_or(0.0), 0.0, 1.0, "mm")?;
        check_range("raft.lift_mm", self.lift_mm, 0.0, 100.0, "mm")
    }

    /// Height of the base's top, mm.
    pub fn top_mm(&self) -> f64 {
        if self.style == Style::None { 0.0 } else { self.thickness_mm }
    }

    /// Height of the part's lowest point over the plate, mm.
    pub fn hang_mm(&self) -> f64 {
        if self.style == Style::None { 0.0 } else { self.top_mm() + self.lift_mm }
    }

    /// How far the base reaches beyond what stands on it, mm, unless its bond asks for more.
    pub fn rim_mm(&self) -> f64 {
        if self.style == Style::None { 0.0 } else { self.margin_mm + self.lean_mm() }
    }

    fn lean_mm(&self) -> f64 {
        self.thickness_mm / self.rim_deg.to_radians().tan()
    }

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
            Style::Pad => vec![under.to_vec()],
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
                let open = self.style == Style::Pad && radius > 0.0 && self.lift_mm > 0.0;
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
        let growth = cure::edge_growth_mm(dose, critical, x.edge_blur_mm);
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
            Finding::new("growth", Severity::Warning, &part.name, message)
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

    fn apply(&self, mut part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        ctx.checkpoint(0.0)?;
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
                Style::Pad => self.lay(&hull(&outline), &[], ctx)?.0,
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
