//! Where a surface comes to lie: the dose along the normals of many spots of it.

use super::between;
use super::dose::{Dose, LayerDose};
use crate::error::Result;
use crate::job::Job;
use crate::mesh::{Mesh, Point, Pose, Vector};
use rayon::prelude::*;

/// A spot of a surface, in plate coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// The facet it is on.
    pub facet: u32,
    /// Where, mm.
    pub at: Point,
    /// Outward unit normal.
    pub normal: Vector,
    /// Area that it stands for, mm².
    pub area_mm2: f64,
}

/// What becomes of a spot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Lies {
    /// The surface comes to lie so far outside, mm; negative inside.
    At(f64),
    /// It lies inside other material.
    Hidden,
    /// The void before it cures shut.
    Closed,
    /// The material behind it does not cure.
    Lost,
}

/// Most spots of a body: they are taken farther apart where there would be more.
const MOST_SPOTS: f64 = 2e5;

/// Steps to each side along a normal.
const STEPS: usize = 16;

/// Spots all over a surface, about `apart_mm` from each other and at the middle of each of its
/// first `layers` of `layer_mm`; none where it lies on the plate.
pub fn spots(mesh: &Mesh, pose: &Pose, apart_mm: f64, layers: u32, layer_mm: f64) -> Vec<Spot> {
    let area: f64 = (0..mesh.triangles().len()).map(|i| mesh.area_normal(i).norm() / 2.0).sum();
    let apart = apart_mm.max((2.0 * area / MOST_SPOTS).sqrt());
    let mut out = Vec::new();
    for i in 0..mesh.triangles().len() {
        let [a, b, c] = mesh.corners(i).map(|p| pose * p);
        let (u, v) = (b - a, c - a);
        let across = u.cross(&v);
        let area = across.norm() / 2.0;
        if area <= 0.0 {
            continue;
        }
        let normal = across / (2.0 * area);
        let mut add = |at: Point, area_mm2: f64| {
            if normal.z > -0.9 || at.z > 0.5 * layer_mm {
                out.push(Spot { facet: i as u32, at, normal, area_mm2 });
            }
        };
        let n = ((2.0 * area).sqrt() / apart).ceil().max(1.0) as u32;
        let each = area / f64::from(n * n);
        let at = |i: u32, j: u32, third: f64| {
            a + (u * (f64::from(i) + third / 3.0) + v * (f64::from(j) + third / 3.0)) / f64::from(n)
        };
        for i in 0..n {
            for j in 0..n - i {
                add(at(i, j, 1.0), each);
                if i + j + 1 < n {
                    add(at(i, j, 2.0), each);
                }
            }
        }
        if normal.z.abs() > 0.9 {
            continue;
        }
        for z in (0..layers).map(|k| (f64::from(k) + 0.5) * layer_mm) {
            let Some((from, to)) = crossed([a, b, c], z) else { continue };
            let length = (to - from).norm();
            let n = (length / apart).ceil().max(1.0);
            for s in 0..n as u32 {
                add(from + (to - from) * ((f64::from(s) + 0.5) / n), length / n * layer_mm);
            }
        }
    }
    out
}

/// The stretch of a facet at a height.
fn crossed(corners: [Point; 3], z: f64) -> Option<(Point, Point)> {
    let mut cuts = (0..3).filter_map(|i| {
        let (p, q) = (corners[i], corners[(i + 1) % 3]);
        ((p.z >= z) != (q.z >= z)).then(|| p + (q - p) * ((z - p.z) / (q.z - p.z)))
    });
    cuts.next().zip(cuts.next())
}

/// What becomes of each spot, followed up to `reach_mm` to both sides; `visit` sees every layer's
/// dose on the way, last to first.
///
/// # Errors
/// As [`Dose::each_layer`].
pub fn lies(
    spots: &[Spot],
    dose: &Dose,
    reach_mm: f64,
    job: &Job,
    mut visit: impl FnMut(&LayerDose<'_>),
) -> Result<Vec<Lies>> {
    const ALONG: usize = 2 * STEPS + 1;
    let grid = *dose.grid();
    let step = reach_mm / STEPS as f64;
    let offset = |j: usize| (j as f64 - STEPS as f64) * step;
    let place = |i: u32| {
        let spot = &spots[i as usize / ALONG];
        spot.at + spot.normal * offset(i as usize % ALONG)
    };
    // Probes by layer, counted first and then sorted in.
    let count = (spots.len() * ALONG) as u32;
    let layer_of = |i: u32| {
        // A face between two layers is the upper one's: its dose is what goes on downwards.
        let k = (place(i).z / grid.layer_mm + 1e-6).floor();
        (k >= 0.0 && k < f64::from(grid.layers)).then_some(k as usize)
    };
    let mut starts = vec![0u32; grid.layers as usize + 2];
    (0..count).filter_map(layer_of).for_each(|k| starts[k + 2] += 1);
    for k in 2..starts.len() {
        starts[k] += starts[k - 1];
    }
    let mut sorted = vec![0u32; starts[starts.len() - 1] as usize];
    for i in 0..count {
        if let Some(k) = layer_of(i) {
            sorted[starts[k + 1] as usize] = i;
            starts[k + 1] += 1;
        }
    }
    let mut found = vec![(0.0_f32, false); count as usize];
    dose.each_layer(job, |field| {
        visit(&field);
        let k = field.layer as usize;
        let here = &sorted[starts[k] as usize..starts[k + 1] as usize];
        let values: Vec<(f32, bool)> = here
            .par_iter()
            .map(|&i| (field.at(&place(i)) as f32, field.is_asked(&place(i))))
            .collect();
        here.iter().zip(values).for_each(|(&i, v)| found[i as usize] = v);
        Ok(())
    })?;
    let light = dose.light();
    let one = |(spot, along): (&Spot, &[(f32, bool)])| {
        let cured = |j: usize| f64::from(along[j].0) >= light.critical_mj_cm2;
        // Where between an inner place that cures and an outer one that does not.
        let between = |j: usize| {
            let z = |j: usize| spot.at.z + spot.normal.z * offset(j);
            // On the way up the dose ends at the face of a layer rather than fades.
            let face = (z(j) / grid.layer_mm + 1e-6).floor() * grid.layer_mm + grid.layer_mm;
            let face = if spot.normal.z < 0.0 { 0.0 } else { face };
            let crosses = (z(j) - face) * (z(j + 1) - face) <= 0.0;
            if spot.normal.z.abs() > 0.5 && crosses {
                return (face - spot.at.z) / spot.normal.z;
            }
            let none = 1e-4 * light.critical_mj_cm2;
            let log = |d: usize| {
                let at = (j + d).clamp(1, ALONG) - 1;
                f64::from(along[at].0).max(none).ln()
            };
            let near = std::array::from_fn(log);
            offset(j) + step * between::place(near, light.critical_mj_cm2.ln())
        };
        let seen = (spot.normal.z.abs() * grid.layer_mm).max(step);
        let outside = STEPS + (seen / step).ceil() as usize;
        if along[outside.min(2 * STEPS)].1 {
            return Lies::Hidden;
        }
        if cured(STEPS) {
            let last = (STEPS..2 * STEPS).find(|&j| !cured(j + 1));
            return last.map_or(Lies::Closed, |j| Lies::At(between(j)));
        }
        for j in (0..STEPS).rev() {
            if cured(j) {
                return Lies::At(between(j));
            }
            if -offset(j) > grid.layer_mm + grid.pitch_mm && !along[j].1 {
                break;
            }
        }
        Lies::Lost
    };
    Ok(spots.iter().zip(found.chunks(ALONG)).map(one).collect())
}
