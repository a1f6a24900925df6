//! Faces to look through: form and roughness of keep-clean surfaces, two verdicts. A face may be as
//! smooth as glass and yet of a wrong shape, or of the right shape under steps.

use super::Followed;
use crate::disjoint_sets::DisjointSets;
use crate::light::{Lies, Spot};
use crate::mechanics::optics;
use crate::mesh::Vector;
use crate::mesh::edges::Edges;
use crate::mesh::frame::across;
use crate::part::Part;
use nalgebra::{SMatrix, SVector};
use std::collections::BTreeMap;

/// Terms of a quadratic in a face's plane; the first three are a plane.
const TERMS: usize = 6;
/// Fewer spots do not tell form from steps.
const LEAST_SPOTS: usize = 24;

/// Root mean squares over the worst keep-clean face, mm; none where there is no such face, or too
/// few spots on it.
pub(super) struct FaceErrors {
    /// How far the face is bent from what was asked for: the quadratic that fits its deviations,
    /// less what shifts and tilts it as a whole.
    pub(super) form_mm: f64,
    /// What is left: steps of layers as followed, steps of pixels as a saw-tooth.
    pub(super) roughness_mm: f64,
}

pub(super) fn errors(part: &Part, seen: &Followed, pixel_mm: f64) -> Option<FaceErrors> {
    if !part.keep_clean.contains(&true) {
        return None;
    }
    let mut sets = faces(part);
    let mut by_face: BTreeMap<usize, Vec<(&Spot, f64)>> = BTreeMap::new();
    for (spot, lies) in seen.spots.iter().zip(&seen.lies) {
        if let Lies::At(off) = lies
            && part.is_keep_clean(spot.facet as usize)
        {
            by_face.entry(sets.root(spot.facet as usize)).or_default().push((spot, *off));
        }
    }
    let told = by_face.into_values().filter(|spots| spots.len() >= LEAST_SPOTS);
    let found: Vec<FaceErrors> = told.map(|spots| of_face(&spots, pixel_mm)).collect();
    (!found.is_empty()).then(|| FaceErrors {
        form_mm: found.iter().map(|f| f.form_mm).fold(0.0, f64::max),
        roughness_mm: found.iter().map(|f| f.roughness_mm).fold(0.0, f64::max),
    })
}

/// Keep-clean facets that hang together by edges.
fn faces(part: &Part) -> DisjointSets {
    let mesh = &part.body;
    let mut sets = DisjointSets::new(mesh.triangles().len());
    for edge in Edges::of(mesh.vertices().len(), mesh.triangles()).iter() {
        for pair in edge.sides.windows(2) {
            let (f, g) = (pair[0].facet(), pair[1].facet());
            if part.is_keep_clean(f) && part.is_keep_clean(g) {
                sets.join(f, g);
            }
        }
    }
    sets
}

fn of_face(spots: &[(&Spot, f64)], pixel_mm: f64) -> FaceErrors {
    let area: f64 = spots.iter().map(|(s, _)| s.area_mm2).sum();
    let out: Vector = spots.iter().map(|(s, _)| s.normal * s.area_mm2).sum();
    let out = out.try_normalize(1e-6 * area).unwrap_or_else(Vector::z);
    let [u, v] = across(&out);
    let middle: Vector = spots.iter().map(|(s, _)| s.at.coords * (s.area_mm2 / area)).sum();
    let size = spots.iter().map(|(s, _)| (s.at.coords - middle).norm()).fold(1e-9, f64::max);
    let rows: Vec<(SVector<f64, TERMS>, f64, f64)> = spots
        .iter()
        .map(|(s, off)| {
            let from = (s.at.coords - middle) / size;
            let (x, y) = (from.dot(&u), from.dot(&v));
            (SVector::from([1.0, x, y, x * x, x * y, y * y]), *off, s.area_mm2 / area)
        })
        .collect();
    let (plane, quadratic) = (left_over(&rows, 3), left_over(&rows, TERMS));
    let pixels = |s: &Spot| pixel_mm * (1.0 - s.normal.z * s.normal.z).max(0.0).sqrt();
    let pixels = spots.iter().map(|(s, _)| optics::rms_mm(pixels(s)).powi(2) * s.area_mm2 / area);
    FaceErrors {
        form_mm: (plane - quadratic).max(0.0).sqrt(),
        roughness_mm: (quadratic + pixels.sum::<f64>()).sqrt(),
    }
}

/// Mean square of what the first so many terms leave of the deviations at best, mm².
fn left_over(rows: &[(SVector<f64, TERMS>, f64, f64)], terms: usize) -> f64 {
    // Terms that are left out, or that no spot tells of, stay at nothing.
    let mut normal = SMatrix::<f64, TERMS, TERMS>::identity() * 1e-12;
    let mut right = SVector::<f64, TERMS>::zeros();
    let used = |row: &SVector<f64, TERMS>| {
        SVector::<f64, TERMS>::from_fn(|i, _| if i < terms { row[i] } else { 0.0 })
    };
    for (row, off, weight) in rows {
        let row = used(row);
        normal += row * row.transpose() * *weight;
        right += row * (*off * *weight);
    }
    let fit = normal.cholesky().map_or_else(SVector::zeros, |c| c.solve(&right));
    rows.iter().map(|(row, off, weight)| (off - used(row).dot(&fit)).powi(2) * weight).sum()
}
