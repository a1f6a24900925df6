//! What repair guessed where a hole was wide: told with place, width, and how far it strays.

use super::diagnose::Hole;
use crate::codes::FindingCode;
use crate::finding::{Finding, Severity};
use crate::mesh::distance::Tree;
use crate::mesh::{Point, Vector};
use std::ops::Range;

/// A wide hole that was filled.
pub(super) struct Guess {
    pub(super) hole: Hole,
    /// Whether by a flat face.
    pub(super) flat: bool,
    /// The facets that fill it.
    pub(super) facets: Range<usize>,
}

/// Guesses told one by one; the rest are counted.
const TOLD: usize = 8;
/// Share of the surface that a filling takes, and cosine of its normal to the vertical, from which
/// it may be the mouth of a vessel.
const MOUTH: (f64, f64) = (0.02, 0.7);

/// Findings of all guesses, widest hole first. The first `own` triangles are the surface that was
/// there.
pub(super) fn findings(
    mut guesses: Vec<Guess>,
    name: &str,
    vertices: &[Point],
    triangles: &[[u32; 3]],
    own: usize,
) -> Vec<Finding> {
    if guesses.is_empty() {
        return Vec::new();
    }
    let corners = |t: &[u32; 3]| t.map(|v| vertices[v as usize]);
    let normal = |t: &[u32; 3]| {
        let [a, b, c] = corners(t);
        (b - a).cross(&(c - a)) / 2.0
    };
    let area: f64 = triangles.iter().map(|t| normal(t).norm()).sum();
    // A surface that is inside out is turned later.
    let volume: f64 = triangles.iter().map(|t| corners(t)[0].coords.dot(&normal(t))).sum();
    let old = Tree::new(triangles[..own].iter().map(corners).collect());
    guesses.sort_by(|a, b| b.hole.span_mm.total_cmp(&a.hole.span_mm));
    let tell = |g: &Guess| {
        let filling = &triangles[g.facets.clone()];
        let samples = filling.iter().flat_map(|t| {
            let [a, b, c] = corners(t);
            let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
            [middle, nalgebra::center(&a, &b), nalgebra::center(&b, &c), nalgebra::center(&c, &a)]
        });
        let away = samples
            .filter_map(|p| old.nearest(&p, f64::INFINITY))
            .map(|h| h.distance_mm)
            .fold(0.0, f64::max);
        let facing: Vector = filling.iter().map(normal).sum::<Vector>() * volume.signum();
        let mouth = facing.norm() > MOUTH.0 * area && facing.z > MOUTH.1 * facing.norm() && g.flat;
        let by = if g.flat { "a flat face" } else { "a smooth surface" };
        let message = format!(
            "a hole {:.3} mm wide, of {} edges, was closed by {by}, a guess that lies up to \
             {away:.3} mm from the surface that was there",
            g.hole.span_mm, g.hole.edges
        );
        let (severity, remedy) = match (g.flat, mouth) {
            (true, true) => (
                Severity::Warning,
                "it was taken for the open top of a solid body; if it is the mouth of a vessel, \
                 give the wall a thickness in the modelling program",
            ),
            (true, false) => (
                Severity::Note,
                "it was taken for the open bottom or side of a solid body; if it is the mouth of a \
                 vessel, give the wall a thickness in the modelling program",
            ),
            _ => (Severity::Warning, "compare it with what was meant, or close it by hand"),
        };
        let finding = Finding::new(FindingCode::Filled, severity, name, message).remedy(remedy);
        Finding { value: Some(away), unit: "mm".into(), ..finding.at(g.hole.place) }
    };
    let mut out: Vec<Finding> = guesses.iter().take(TOLD).map(tell).collect();
    if let Some(more) = guesses.get(TOLD) {
        let message = format!("narrower holes closed in the same ways: {}", guesses.len() - TOLD);
        out.push(
            Finding::new(FindingCode::Filled, Severity::Warning, name, message).at(more.hole.place),
        );
    }
    out
}
