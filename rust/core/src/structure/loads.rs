//! What the film does to each region of the part: peel, the suction of sealed voids, and the suction
//! that voids keep whose vents are too narrow to let resin follow at once.

use crate::error::Result;
use crate::job::Job;
use crate::layers::{Cup, Fill, Grid, Layer, Layers, Region, SUBPIXEL, Scan, Surface, Survey};
use crate::mechanics::flow::{self, Bore};
use crate::mechanics::peel::{Model, Pull, Run, compactness, torsion_mm4};
use crate::mechanics::suction;
use crate::mesh::{Mesh, Point, Vector};
use crate::part::{Part, Role, VentHole};
use crate::setup::Setup;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// What the film does to a region.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Its peel and where that acts.
    pub peel: Pull,
    /// The pull of sealed voids that it surrounds, an upper bound.
    pub suction: Pull,
    /// The pull of vented voids that it surrounds: what their vents need to let the resin follow.
    pub vented: Pull,
    /// Its torsion constant, mm⁴: how it resists being squeezed or pulled through resin.
    pub torsion_mm4: f64,
}

impl Load {
    /// Everything that pulls on it.
    pub fn pulls(&self) -> [Pull; 3] {
        [self.peel, self.suction, self.vented]
    }
}

/// The runs of a connected layer in the form mechanics reads.
fn runs(piece: &Layer, grid: &Grid) -> Vec<Run> {
    let sub = grid.pitch_mm / f64::from(SUBPIXEL);
    let at = |row: u32| {
        piece.row(row).iter().map(move |s| Run {
            row: row as i32,
            x0_mm: f64::from(s.x0) * sub,
            x1_mm: f64::from(s.x1) * sub,
        })
    };
    piece.rows().flat_map(at).collect()
}

/// A section this small is compact or so light that its shape does not matter, pixels.
const SMALL_PIXELS: u32 = 16;

/// What the film does to each region of a survey of the part's body; `voids` are those that count as
/// cups.
///
/// # Errors
/// As [`Scan::layers`].
pub(crate) fn loads<'v>(
    part: &Part,
    survey: &Survey,
    body: &Layers,
    voids: impl Iterator<Item = &'v Cup>,
    setup: &Setup,
    job: &Job,
) -> Result<Vec<Load>> {
    let grid = &body.grid;
    let model = Model::of(setup);
    let load = |region: &Region, piece: &Layer| {
        let torsion_mm4 = if region.pixels < SMALL_PIXELS {
            region.area_mm2.powi(2) / std::f64::consts::TAU
        } else {
            torsion_mm4(&runs(piece, grid), grid.pitch_mm)
        };
        let compact = compactness(region.area_mm2, torsion_mm4);
        let [x_mm, y_mm] = region.centroid_mm;
        let peel = Pull { force_n: model.force_n(region.area_mm2, compact), x_mm, y_mm };
        Load { peel, torsion_mm4, ..Load::default() }
    };
    let by_layer = (0..grid.layers)
        .into_par_iter()
        .map(|k| {
            job.go_on()?;
            let regions = &survey.regions[survey.regions_of(k)];
            let pieces = body.layer(k).pieces(grid);
            Ok(regions.iter().zip(&pieces).map(|(r, p)| load(r, p)).collect::<Vec<_>>())
        })
        .collect::<Result<Vec<_>>>()?;
    let mut loads = by_layer.concat();
    for void in voids {
        for &(k, area_mm2) in &void.sealed {
            let Some(r) = around(survey, k, void.place.x, void.place.y) else { continue };
            let (x_mm, y_mm) = (void.place.x, void.place.y);
            let pull = Pull { force_n: suction::sealed_force_n(area_mm2), x_mm, y_mm };
            loads[r].suction = Pull::sum([loads[r].suction, pull]);
        }
    }
    for (cup, bores) in vented(part, &body.grid, setup, job)? {
        for &(k, area_mm2) in &cup.sealed {
            let open = bores.iter().filter(|b| b.1 <= k);
            let conductance: f64 =
                open.map(|b| flow::conductance_mm3_s_kpa(b.0, setup.resin.viscosity_pa_s)).sum();
            let Some(r) = around(survey, k, cup.place.x, cup.place.y) else { continue };
            // As long as no vent is open it is a sealed void, and counted as such.
            if conductance > 0.0 {
                let speed = setup.machine.lift_speed_mm_s;
                let force_n = suction::vented_force_n(area_mm2, speed, conductance);
                let pull = Pull { force_n, x_mm: cup.place.x, y_mm: cup.place.y };
                loads[r].vented = Pull::sum([loads[r].vented, pull]);
            }
        }
    }
    Ok(loads)
}

/// By layer, the peel of what is printed beside the body; supports and raft count as compact, since
/// they are round or on the plate.
///
/// # Errors
/// [`Error::Cancelled`](crate::Error::Cancelled).
pub(crate) fn added_pulls(
    printed: &[Layer],
    body: &Layers,
    setup: &Setup,
    job: &Job,
) -> Result<Vec<Pull>> {
    let (grid, model) = (&body.grid, Model::of(setup));
    let of_layer = |(k, printed): (usize, &Layer)| {
        job.go_on()?;
        let k = k as u32;
        let pieces = printed.minus(body.layer(k)).islands(&Layer::default(), k, grid);
        Ok(Pull::sum(pieces.iter().map(|(r, _)| {
            let [x_mm, y_mm] = r.centroid_mm;
            Pull { force_n: model.force_n(r.area_mm2, 1.0), x_mm, y_mm }
        })))
    };
    printed.par_iter().enumerate().map(of_layer).collect()
}

/// The region of a layer that surrounds a void at that place: the smallest whose box holds it,
/// else the largest.
fn around(survey: &Survey, layer: u32, x: f64, y: f64) -> Option<usize> {
    let of = |r: &usize| &survey.regions[*r];
    let box_mm2 = |r: &usize| {
        let (a, b) = (of(r).min_mm, of(r).max_mm);
        (b[0] - a[0]) * (b[1] - a[1])
    };
    let holds = |r: &usize| {
        let (a, b) = (of(r).min_mm, of(r).max_mm);
        a[0] <= x && x <= b[0] && a[1] <= y && y <= b[1]
    };
    let regions = survey.regions_of(layer);
    let least = regions.clone().filter(holds).min_by(|a, b| box_mm2(a).total_cmp(&box_mm2(b)));
    least.or_else(|| regions.max_by(|a, b| of(a).area_mm2.total_cmp(&of(b).area_mm2)))
}

/// A void with its vents: bore, and the layer from which on it is open from end to end.
type Vented = (Cup, Vec<(Bore, u32)>);

/// The voids that the part's vents serve, as they would be sealed if the vents were stopped.
fn vented(part: &Part, grid: &Grid, setup: &Setup, job: &Job) -> Result<Vec<Vented>> {
    if part.vents.is_empty() {
        return Ok(Vec::new());
    }
    let stopped = Survey::of(&stopped(part, grid, job)?, job)?;
    let noise = setup.limits.noise_mm3;
    let mut cups: Vec<Vented> = stopped
        .cups
        .into_iter()
        .filter(|c| c.volume_mm3 >= noise)
        .map(|c| (c, Vec::new()))
        .collect();
    let mut cavities: BTreeMap<u32, Vec<&VentHole>> = BTreeMap::new();
    part.vents.iter().for_each(|v| cavities.entry(v.cavity).or_default().push(v));
    for vents in cavities.values() {
        let ends =
            |v: &VentHole| [part.pose * v.mouth, part.pose * (v.mouth + v.inward * v.length_mm)];
        let inner = vents.iter().map(|v| ends(v)[1].coords).sum::<Vector>() / vents.len() as f64;
        let off = |c: &Cup| (c.place.coords - inner).norm();
        let near = (0..cups.len()).min_by(|&a, &b| off(&cups[a].0).total_cmp(&off(&cups[b].0)));
        let Some(cup) = near else { continue };
        cups[cup].1.extend(vents.iter().map(|v| {
            let top = ends(v).map(|p: Point| p.z).into_iter().fold(0.0, f64::max);
            let bore = Bore { diameter_mm: v.diameter_mm, length_mm: v.length_mm };
            (bore, grid.layer_at(top))
        }));
    }
    cups.retain(|c| !c.1.is_empty());
    Ok(cups)
}

/// The layers of a part whose vents are stopped.
pub(crate) fn stopped(part: &Part, grid: &Grid, job: &Job) -> Result<Layers> {
    let stoppers: Vec<Mesh> = part.vents.iter().map(|v| stopper(v, grid.pitch_mm)).collect();
    let stoppers = Mesh::concat("stoppers", &stoppers);
    let mut surfaces = part.surfaces(&[Role::Body, Role::Lattice]);
    surfaces.push(Surface { mesh: &stoppers, pose: part.pose, fill: Fill::Added });
    Scan::new(&surfaces, *grid).layers(job)
}

/// A prism that fills a vent, a little wider and longer than its bore; body coordinates.
fn stopper(vent: &VentHole, pitch_mm: f64) -> Mesh {
    const SIDES: u32 = 12;
    const OVER_MM: f64 = 0.2;
    let radius =
        (vent.diameter_mm / 2.0 + pitch_mm) / (std::f64::consts::PI / f64::from(SIDES)).cos();
    let aside = if vent.inward.x.abs() < 0.7 { Vector::x() } else { Vector::y() };
    let u = vent.inward.cross(&aside).normalize();
    let v = vent.inward.cross(&u);
    let ring = |along: f64| {
        (0..SIDES).map(move |i| {
            let (s, c) = (std::f64::consts::TAU * f64::from(i) / f64::from(SIDES)).sin_cos();
            vent.mouth + vent.inward * along + (u * c + v * s) * radius
        })
    };
    let vertices: Vec<Point> = ring(-OVER_MM).chain(ring(vent.length_mm + OVER_MM)).collect();
    let mut triangles = Vec::new();
    for i in 0..SIDES {
        let j = (i + 1) % SIDES;
        triangles.extend([[i, j, SIDES + j], [i, SIDES + j, SIDES + i]]);
        if i > 0 && j > 0 {
            triangles.extend([[0, j, i], [SIDES, SIDES + i, SIDES + j]]);
        }
    }
    Mesh::new("stopper", vertices, triangles).expect("finite points")
}
