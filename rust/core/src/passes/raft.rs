//! Raft: the base that holds everything to the plate, and how high the part stands over it.
//!
//! Where supports follow, nobody knows yet where their feet will be. So this pass lifts the part,
//! lays a base under the part's own outline and keeps its options with it; the support pass lays
//! the base again, by the same code, under the feet it found and as large as adhesion asks.

use super::Pass;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Report, Severity};
use crate::layers::{Fill, Grid, Scan, Surface};
use crate::mechanics::adhesion;
use crate::mesh::{Mesh, Point, Pose};
use crate::part::{Base, Part};
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;
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
    /// Clear height between the base and the part's lowest point, mm. Supports bridge it, and the
    /// part's own first layers come out true to size, as they are none of the over-exposed ones.
    /// With 0 the part stands on the base. Without a base it is not used.
    pub lift_mm: f64,
}

impl Default for Raft {
    fn default() -> Raft {
        Raft { style: Style::Pad, thickness_mm: 0.6, margin_mm: 1.5, rim_deg: 45.0, lift_mm: 5.0 }
    }
}

impl Raft {
    fn validate(&self) -> Result<()> {
        check_range("raft.thickness_mm", self.thickness_mm, 0.1, 10.0, "mm")?;
        check_range("raft.margin_mm", self.margin_mm, 0.2, 50.0, "mm")?;
        check_range("raft.rim_deg", self.rim_deg, 30.0, 90.0, "°")?;
        check_range("raft.lift_mm", self.lift_mm, 0.0, 100.0, "mm")
    }

    /// Height of the base's top, mm.
    pub fn top_mm(&self) -> f64 {
        if self.style == Style::None { 0.0 } else { self.thickness_mm }
    }

    /// Lays the base under points on the plate, bonding to at least `bond_mm2` in all.
    pub(crate) fn lay(&self, under: &[[f64; 2]], bond_mm2: f64, ctx: &Context) -> Result<Base> {
        let mut base = Base { plan: self.clone(), ..Base::default() };
        if under.is_empty() || self.style == Style::None {
            return Ok(base);
        }
        let mut pieces: Vec<Vec<[f64; 2]>> = match self.style {
            Style::Pad => vec![under.to_vec()],
            _ => under.iter().map(|&p| vec![p]).collect(),
        };
        if self.style == Style::Net {
            pieces.extend(ribs(under).map(|[a, b]| vec![a, b]));
        }
        let hulls: Vec<_> = pieces.iter().map(|p| hull(p)).collect();
        let lean = self.thickness_mm / self.rim_deg.to_radians().tan();
        let mut margin = self.margin_mm;
        loop {
            let slabs: Vec<Mesh> =
                hulls.iter().map(|h| slab(h, margin, margin + lean, self.thickness_mm)).collect();
            base.mesh = Mesh::concat("raft", &slabs);
            base.bond_mm2 = footprint_mm2(&base.mesh, ctx)?;
            if base.bond_mm2 >= bond_mm2 {
                return Ok(base);
            }
            // Area grows at least as fast as the margin, so this ends.
            margin *= (bond_mm2 / base.bond_mm2).clamp(1.05, 1.5);
        }
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
        if part.raft.is_some() || part.supports.is_some() {
            return Err(Error::Pass {
                pass: "raft",
                part: part.name,
                problem: "it already stands on a raft or supports".into(),
                remedy: "start from part.bare()".into(),
            });
        }
        let mut report = Report::new("raft", &part.name);
        let lift = if self.style == Style::None { 0.0 } else { self.top_mm() + self.lift_mm };
        part.settle(lift);
        report.number("lift_mm", lift);
        if self.style != Style::None {
            let outline: Vec<[f64; 2]> =
                part.body.vertices().iter().map(|v| part.pose * v).map(|p| [p.x, p.y]).collect();
            // Discs alone would leave a part without supports in mid-air; they come with the feet.
            let base = match self.style {
                Style::Pad => self.lay(&hull(&outline), 0.0, ctx)?,
                _ => Base { plan: self.clone(), ..Base::default() },
            };
            report.number("bond_mm2", base.bond_mm2);
            let setup = &ctx.setup;
            let hold = adhesion::bond_n(setup.resin.plate_bond_kpa, base.bond_mm2);
            report.number("bond_n", hold / setup.limits.safety);
            part.raft = Some(Arc::new(base));
            if self.lift_mm > 0.0 {
                report.findings.push(
                    Finding::new(
                        "needs_support",
                        Severity::Note,
                        &part.name,
                        format!("it hangs {} mm above its base", self.lift_mm),
                    )
                    .remedy("let the support pass follow"),
                );
            }
        }
        Ok(Done { value: part, report })
    }
}

/// Corners that make a full circle; the base's discs and rounded corners.
const ARC: usize = 20;

/// Convex hull, counter-clockwise, of at least one point (Andrew's monotone chain).
fn hull(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut p = points.to_vec();
    p.sort_unstable_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    p.dedup();
    if p.len() < 3 {
        return p;
    }
    let turn = |a: [f64; 2], b: [f64; 2], c: [f64; 2]| {
        (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    };
    let chain = |points: &mut dyn Iterator<Item = [f64; 2]>| {
        let mut out: Vec<[f64; 2]> = Vec::new();
        for q in points {
            while out.len() > 1 && turn(out[out.len() - 2], out[out.len() - 1], q) <= 0.0 {
                out.pop();
            }
            out.push(q);
        }
        out.pop();
        out
    };
    let mut out = chain(&mut p.iter().copied());
    out.extend(chain(&mut p.iter().rev().copied()));
    out
}

/// The corners of a convex outline grown by `r` with round corners. Their number does not depend
/// on `r`, so that outlines of two sizes make a slab.
fn rounded(hull: &[[f64; 2]], r: f64) -> Vec<[f64; 2]> {
    let n = hull.len();
    let mut out = Vec::with_capacity(n + ARC);
    let outward = |i: usize| {
        let (a, b) = (hull[i % n], hull[(i + 1) % n]);
        (a[0] - b[0]).atan2(b[1] - a[1]) // the edge's direction turned by −90°
    };
    for (i, c) in hull.iter().enumerate() {
        let (from, sweep) = if n == 1 {
            (0.0, TAU * (1.0 - 1.0 / ARC as f64))
        } else {
            let from = outward(i + n - 1);
            (from, (outward(i) - from).rem_euclid(TAU))
        };
        let steps = (sweep / (TAU / ARC as f64)).ceil().max(1.0);
        for s in 0..=steps as usize {
            let (sin, cos) = (from + sweep * s as f64 / steps).sin_cos();
            out.push([c[0] + r * cos, c[1] + r * sin]);
        }
    }
    out
}

/// Area of a base on the plate, mm²; overlapping pieces count once.
fn footprint_mm2(mesh: &Mesh, ctx: &Context) -> Result<f64> {
    const THIN_MM: f64 = 0.01; // so low that the leaning rim adds next to nothing
    let mut bounds = mesh.bounds();
    bounds.max.z = THIN_MM;
    let grid = Grid::over(&bounds, THIN_MM, 0.1)?;
    let surface = Surface { mesh, pose: Pose::identity(), fill: Fill::Added };
    let layers = Scan::new(&[surface], grid).layers(ctx)?;
    Ok(layers.layer(0).area_mm2(&grid))
}

/// A slab from the plate to `top_mm` over a convex outline grown by `below` at the plate and by
/// `above` at the top.
fn slab(hull: &[[f64; 2]], below: f64, above: f64, top_mm: f64) -> Mesh {
    let (low, high) = (rounded(hull, below), rounded(hull, above));
    let n = low.len() as u32;
    let level = |ring: &[[f64; 2]], z: f64| -> Vec<Point> {
        ring.iter().map(|p| Point::new(p[0], p[1], z)).collect()
    };
    let vertices = [level(&low, 0.0), level(&high, top_mm)].concat();
    let mut triangles = Vec::with_capacity(4 * n as usize);
    for i in 1..n - 1 {
        triangles.push([0, i + 1, i]);
        triangles.push([n, n + i, n + i + 1]);
    }
    for i in 0..n {
        let j = (i + 1) % n;
        triangles.push([i, j, n + j]);
        triangles.push([i, n + j, n + i]);
    }
    Mesh::new("raft", vertices, triangles).expect("an outline of finite points")
}

/// The shortest ribs that join all points: a minimum spanning tree (Prim).
fn ribs(points: &[[f64; 2]]) -> impl Iterator<Item = [[f64; 2]; 2]> {
    let far = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    let mut out = Vec::new();
    let mut open: Vec<(f64, usize)> = points.iter().map(|&p| (far(points[0], p), 0)).collect();
    let mut left: Vec<usize> = (1..points.len()).collect();
    while !left.is_empty() {
        let nearest = (0..left.len())
            .min_by(|&a, &b| open[left[a]].0.total_cmp(&open[left[b]].0))
            .expect("one is left");
        let i = left.swap_remove(nearest);
        out.push([points[open[i].1], points[i]]);
        for &j in &left {
            let d = far(points[i], points[j]);
            if d < open[j].0 {
                open[j] = (d, i);
            }
        }
    }
    out.into_iter()
}
