//! Compensate: moves the body's surface against what the light will make of it, and proves the
//! gain by predicting again.
//!
//! Facets get offsets along their normals, vertices go where the planes of their facets then meet,
//! and the light is followed anew, until the predicted error no longer falls. What cannot be
//! bettered: steps of layers, corners that round off, panels' own pixels.

mod refine;
mod rows;
mod surface;

use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::{Error, Result};
use crate::finding::{Done, Finding, Report, Severity};
use crate::job::Job;
use crate::light::{Lies, Spot};
use crate::mesh::boolean::{Cut, Source};
use crate::mesh::{Mesh, Point, Solid};
use crate::options::{Options, options};
use crate::part::Part;
use crate::pass::Pass;
use crate::passes::print::{Followed, Print};
use crate::setup::{Exposure, Setup};
use refine::FinerMesh;
use std::sync::Arc;
use surface::{Leeway, Movable};

options! {
    /// Moves the body's surface so that what the light leaves agrees with the model: the foot is
    /// drawn in, undersides are raised, walls set back.
    ///
    /// Walls of cavities, lattice, raft and supports stay as they are. The shift holds for the pose, the
    /// raft and the setup it was made with.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::Compensate};
    /// let ctx = Context::new(Setup::default());
    /// let done = Compensate::default().apply(Part::new(cuboid(3.0, 3.0, 1.0)?), &ctx)?;
    /// let number = |name: &str| done.report.numbers[name];
    /// assert!(number("mean_after_mm") < 0.4 * number("mean_before_mm"));
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Compensate at "compensate" {
        /// Most times that the light is followed anew.
        rounds: u32 = 8, in 1.0..=50.0 "", larger "longer work, a little nearer to the model";
        /// Farthest that any place is moved, mm.
        most_mm: f64 = 0.5, in 0.01..=3.0 "mm", larger "strong flare is taken back as well";
        /// Thickness below which no wall is drawn, mm; thinner ones are not thinned.
        least_wall_mm: f64 = 0.2, in 0.0..=10.0 "mm", larger "thin walls come out too thick";
        /// Moves keep-clean facets, too.
        move_keep_clean: bool = false;
        /// Pitch on which the light is followed, mm; by default as for the print pass.
        pitch_mm: Option<f64> = None, in 0.005..=1.0 "mm", larger "quicker and coarser";
        /// Distance between the spots at which the surface is judged, mm.
        apart_mm: f64 = 0.5, in 0.05..=10.0 "mm", larger "quicker and coarser";
    }
}

/// Part of a predicted error that is taken back at once: where walls light each other, all of it
/// would be too much.
const RELAX: f64 = 0.85;
/// Below this part of it, nothing more is gained.
const LEAST_RELAX: f64 = 0.3;
/// A round gains at least this part of the error that is left, or is the last.
const LEAST_GAIN: f64 = 0.05;
/// Weight of the greatest error beside the mean.
const GREATEST: f64 = 0.125;
/// Most facets that rows of the foot may add, and that its long facets may be split into.
const MOST_ADDED: usize = 400_000;
/// Longest edge of the foot, mm: how far from a corner the first layers' light is weaker there.
const LONGEST_MM: f64 = 0.25;

/// The error of a surface: sizes of deviations at its spots, what closes or is lost counted with
/// all the way that spots are followed.
#[derive(Clone, Copy, Debug)]
struct Amiss {
    mean_mm: f64,
    greatest_mm: f64,
    gone_mm2: f64,
}

impl Amiss {
    fn of(seen: &Followed) -> Amiss {
        let (mut sum, mut area, mut out) =
            (0.0, 0.0, Amiss { mean_mm: 0.0, greatest_mm: 0.0, gone_mm2: 0.0 });
        for (spot, lies) in seen.spots.iter().zip(&seen.lies) {
            let off = match lies {
                Lies::At(off) => off.abs(),
                Lies::Hidden => continue,
                Lies::Closed | Lies::Lost => {
                    out.gone_mm2 += spot.area_mm2;
                    seen.reach_mm
                }
            };
            area += spot.area_mm2;
            sum += off * spot.area_mm2;
            out.greatest_mm = out.greatest_mm.max(off);
        }
        out.mean_mm = if area > 0.0 { sum / area } else { 0.0 };
        out
    }

    /// Mean and greatest in one number, mm.
    fn sum_mm(&self) -> f64 {
        self.mean_mm + GREATEST * self.greatest_mm
    }

    fn is_worse(&self, first: &Amiss) -> bool {
        self.mean_mm > first.mean_mm
            || self.greatest_mm > first.greatest_mm
            || self.gone_mm2 > first.gone_mm2 * (1.0 + 1e-9)
    }
}

/// A surface and what the light leaves of it.
struct Shifted {
    part: Part,
    vertices: Vec<Point>,
    seen: Followed,
    amiss: Amiss,
    held_back: usize,
}

impl Compensate {
    fn compensated(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        let setup = &*ctx.setup;
        let print = Print { pitch_mm: self.pitch_mm, apart_mm: self.apart_mm, ..Print::default() };
        let start = match part.asked {
            Some(_) => part.clone(),
            None => refined(&part, setup, &ctx.job)?,
        };
        let see = |part: &Part, round: u32| {
            let n = f64::from(self.rounds + 1);
            let ctx = ctx.stage("light", f64::from(round) / n, f64::from(round + 1) / n);
            print.see(part, print.spots(part, setup), &ctx)
        };
        let seen = see(&start, 0)?;
        let first = Amiss::of(&seen);
        let movable = self.movable(&start, ctx)?;
        let vertices: Vec<Point> = start.body.vertices().iter().map(|v| start.pose * v).collect();
        let mut best = Shifted { part: start, vertices, seen, amiss: first, held_back: 0 };
        let before = best.vertices.clone();
        let (mut relax, mut moves) = (RELAX, 0);
        for round in 1..=self.rounds {
            // From where the vertices are: the next application takes the same steps.
            let offsets = movable.offsets(&best.vertices);
            let asked = self.nearer(&movable, &offsets, relax, &best.seen, setup);
            let Some(tried) = self.tried(&movable, &asked, &best.part, ctx)? else {
                relax /= 2.0;
                continue;
            };
            let (part, vertices, held_back) = tried;
            let seen = see(&part, round)?;
            let amiss = Amiss::of(&seen);
            let gain = 1.0 - amiss.sum_mm() / best.amiss.sum_mm();
            if gain < LEAST_GAIN || amiss.is_worse(&first) {
                relax /= 2.0;
            } else {
                moves += 1;
                best = Shifted { part, vertices, seen, amiss, held_back };
            }
            if relax < LEAST_RELAX {
                break;
            }
        }
        if moves == 0 {
            return Ok(unchanged(part, &first));
        }
        let told = print.told(&best.part, &best.seen, setup).report;
        let mut report = Report { pass: "compensate".into(), ..told };
        tell_gain(&first, &best.amiss, &mut report);
        for (name, value) in [
            ("moves", f64::from(moves)),
            ("held_back", best.held_back as f64),
            (
                "facets_added",
                (best.part.body.triangles().len() - part.body.triangles().len()) as f64,
            ),
        ] {
            report.number(name, value);
        }
        tell_moves(&before, &best, &mut report);
        Ok(Done { value: best.part, report })
    }

    fn movable(&self, part: &Part, ctx: &Context) -> Result<Movable> {
        let x = &ctx.setup.exposure;
        let asked = part.asked.as_deref().unwrap_or(&part.body);
        let rows = Rows::of(x);
        let leeway = Leeway {
            most_mm: self.most_mm,
            least_wall_mm: self.least_wall_mm,
            level_to_mm: rows.top_mm().max(ON_PLATE_MM),
        };
        let ledge = |i: usize| {
            let (low, high) = heights(&asked.corners(i).map(|p| part.pose * p));
            rows.join(low, high)
        };
        let fixed = |i: usize| !self.move_keep_clean && part.is_keep_clean(i);
        Movable::new(asked, &part.pose, &leeway, ledge, fixed, &ctx.job)
    }

    /// Offsets that take back a part of what is amiss.
    fn nearer(
        &self,
        movable: &Movable,
        offsets: &[f64],
        relax: f64,
        seen: &Followed,
        setup: &Setup,
    ) -> Vec<f64> {
        let mut facets = vec![(0.0, 0.0); offsets.len()];
        for (spot, lies) in seen.spots.iter().zip(&seen.lies) {
            if let Some(off) = wanted(spot, lies, setup) {
                let facet = &mut facets[spot.facet as usize];
                *facet = (facet.0 + off * spot.area_mm2, facet.1 + spot.area_mm2);
            }
        }
        let one = |(i, (sum, area)): (usize, (f64, f64))| {
            let off = if area > 0.0 { sum / area } else { 0.0 };
            let (low, high) = heights(&movable.corners(i));
            let up = movable.normal(i).z.abs();
            // Layers come in whole numbers: half of one is as near as a level facet gets.
            let level = up > 0.5 && high - low < setup.exposure.layer_mm;
            let near = level && off.abs() <= 0.5 * up * setup.exposure.layer_mm;
            movable.within(i, offsets[i] - if near { 0.0 } else { relax * off })
        };
        facets.into_iter().enumerate().map(one).collect()
    }

    /// The part with its facets at offsets; none where nothing sound comes of it.
    fn tried(
        &self,
        movable: &Movable,
        offsets: &[f64],
        part: &Part,
        ctx: &Context,
    ) -> Result<Option<(Part, Vec<Point>, usize)>> {
        let Some(moved) = movable.moved(offsets, &ctx.job)? else { return Ok(None) };
        let to_body = part.pose.inverse();
        // What stays where it is keeps its numbers to the last bit.
        let asked = part.asked.as_deref().unwrap_or(&part.body).vertices();
        let places = moved.vertices.iter().zip(asked).zip(&moved.stays);
        let vertices = places.map(|((p, a), stays)| if *stays { *a } else { to_body * p });
        let mesh = Mesh::new(part.body.name(), vertices.collect(), part.body.triangles().to_vec())?;
        let Ok(body) = Solid::try_from(mesh) else { return Ok(None) };
        let part = Part { body, ..part.clone() };
        Ok(Some((part, moved.vertices, moved.held_back)))
    }
}

/// Lowest and highest corner of a facet.
fn heights([a, b, c]: &[Point; 3]) -> (f64, f64) {
    (a.z.min(b.z).min(c.z), a.z.max(b.z).max(c.z))
}

/// Vertices up to here are on the plate, mm: rounding of a pose.
const ON_PLATE_MM: f64 = 1e-6;

/// Where the foot is cut: just below and just above each face between over-exposed layers, so that
/// the middle of each lies in a row of its own.
struct Rows {
    layers: u32,
    layer_mm: f64,
}

impl Rows {
    fn of(exposure: &Exposure) -> Rows {
        Rows { layers: exposure.first_layers, layer_mm: exposure.layer_mm }
    }

    /// Way from a face to the cuts beside it.
    fn beside_mm(&self) -> f64 {
        0.25 * self.layer_mm
    }

    fn levels_mm(&self) -> Vec<f64> {
        let beside = self.beside_mm();
        let faces = (1..=self.layers).map(|k| f64::from(k) * self.layer_mm);
        faces.flat_map(|z| [z - beside, z + beside]).collect()
    }

    /// Up to here the foot's vertices go level.
    fn top_mm(&self) -> f64 {
        if self.layers == 0 {
            return 0.0;
        }
        f64::from(self.layers) * self.layer_mm + self.beside_mm() + ON_PLATE_MM
    }

    /// Whether a facet between two heights only joins a row to the next.
    fn join(&self, low_mm: f64, high_mm: f64) -> bool {
        let face = (0.5 * (low_mm + high_mm) / self.layer_mm).round();
        let beside = self.beside_mm() + ON_PLATE_MM;
        (1.0..=f64::from(self.layers)).contains(&face)
            && low_mm >= face * self.layer_mm - beside
            && high_mm <= face * self.layer_mm + beside
            && high_mm - low_mm > self.beside_mm()
    }
}

/// The part with facets that can be moved, and what was asked for kept beside it.
fn refined(part: &Part, setup: &Setup, job: &Job) -> Result<Part> {
    let rows = Rows::of(&setup.exposure);
    let mut levels = rows.levels_mm();
    let mesh = part.body.transformed(&part.pose);
    let in_foot = |i: &usize| mesh.corners(*i).iter().any(|p| p.z < rows.top_mm());
    let foot = (0..mesh.triangles().len()).filter(in_foot).count();
    if foot * levels.len() > MOST_ADDED {
        levels.drain(..levels.len() - 2);
    }
    let alike = |f: u32, g: u32| part.is_keep_clean(f as usize) == part.is_keep_clean(g as usize);
    let mut pieces = FinerMesh::of(&mesh);
    pieces.turn_edges(alike, job)?;
    let mut pieces = rows::cut(pieces, &levels);
    let most = pieces.triangles.len() + MOST_ADDED;
    pieces.split(rows.top_mm(), LONGEST_MM, most, alike, job)?;
    let to_body = part.pose.inverse();
    let given = part.body.vertices();
    let vertices = pieces.vertices.iter().enumerate();
    let vertices = vertices.map(|(i, p)| given.get(i).copied().unwrap_or_else(|| to_body * p));
    let body = Mesh::new(part.body.name(), vertices.collect(), pieces.triangles)?;
    let sources = pieces.sources.into_iter().map(|facet| Source { operand: 0, facet });
    let mut out = part.recut(Cut { solid: Solid::try_from(body)?, sources: sources.collect() });
    out.asked = Some(Arc::new(out.body.mesh().clone()));
    Ok(out)
}

/// How far a spot's surface ought to go inwards, mm, if that is known.
fn wanted(spot: &Spot, lies: &Lies, setup: &Setup) -> Option<f64> {
    // A void that closes is opened from its sides, a wall that is lost is thickened from them.
    let aside = spot.normal.z < 0.7;
    let pixels = 2.0 * setup.machine.pixel_mm;
    match lies {
        Lies::At(off) => Some(*off),
        Lies::Closed if aside => Some(pixels),
        Lies::Lost if aside => Some(-pixels),
        _ => None,
    }
}

fn unchanged(part: Part, first: &Amiss) -> Done<Part> {
    let mut report = Report::new("compensate", &part.name);
    tell_gain(first, first, &mut report);
    report.number("moved_mean_mm", 0.0);
    report.number("moved_greatest_mm", 0.0);
    let mean = first.mean_mm;
    let message =
        format!("no shift of the surface brings it nearer to the model than {mean:.3} mm");
    report.findings.push(
        Finding::new(FindingCode::NotCompensated, Severity::Note, &part.name, message)
            .measured(mean, 0.0, "mm")
            .remedy("use thinner layers or smaller pixels, or turn it another way"),
    );
    Done { value: part, report }
}

fn tell_gain(before: &Amiss, after: &Amiss, report: &mut Report) {
    for (when, amiss) in [("before", before), ("after", after)] {
        report.number(&format!("mean_{when}_mm"), amiss.mean_mm);
        report.number(&format!("greatest_{when}_mm"), amiss.greatest_mm);
        report.number(&format!("gone_{when}_mm2"), amiss.gone_mm2);
    }
}

/// How far the surface went in the mean and at most, and where.
fn tell_moves(before: &[Point], best: &Shifted, report: &mut Report) {
    let way = |v: u32| (best.vertices[v as usize] - before[v as usize]).norm();
    let (mut sum, mut area) = (0.0, 0.0);
    for (i, t) in best.part.body.triangles().iter().enumerate() {
        let here = best.part.body.area_normal(i).norm() / 2.0;
        sum += here * t.iter().map(|&v| way(v)).sum::<f64>() / 3.0;
        area += here;
    }
    let most = (0..before.len() as u32).max_by(|a, b| way(*a).total_cmp(&way(*b)));
    report.number("moved_mean_mm", sum / area);
    if let Some(v) = most {
        report.number("moved_greatest_mm", way(v));
        let p = before[v as usize];
        let at = format!("({:.2}, {:.2}, {:.2})", p.x, p.y, p.z);
        report.words.insert("moved_most_at_mm".into(), at);
    }
}

impl Pass<Part> for Compensate {
    type Out = Part;

    fn name(&self) -> &'static str {
        "compensate"
    }

    fn validate(&self) -> Result<()> {
        self.check_ranges()
    }

    fn apply(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        let had = if part.supports.is_some() {
            Some((
                "it already stands on supports, whose tips would lose it",
                "compensate before support",
            ))
        } else if part.inset_mm > 0.0 {
            Some(("its first layers are drawn in already", "set raft.inset_mm to 0"))
        } else {
            None
        };
        if let Some((problem, remedy)) = had {
            return Err(Error::Pass {
                pass: "compensate",
                part: part.name,
                problem: problem.into(),
                remedy: remedy.into(),
            });
        }
        self.compensated(part, ctx)
    }
}
