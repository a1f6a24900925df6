//! The part of a solid's surface that bounds its material.
//!
//! A body made of overlapping shells has triangles inside its material; a wall must not be
//! measured from them. A triangle counts where the winding number is zero on one side of it and
//! not on the other. Triangles that pass through others are split until each piece is clear of
//! them or as small as asked, and a small piece counts unless all of it is seen to lie inside:
//! so the skin may reach that much into the material, never the other way round.

use super::Tree;
use super::overlaps::{Meeting, meeting};
use crate::error::Result;
use crate::job::Job;
use crate::mesh::edges::Edges;
use crate::mesh::shells::Shells;
use crate::mesh::{Mesh, Point};
use rayon::prelude::*;

/// Surfaces closer than this are one, mm: shells stacked face to face are fused by any printer.
const SAME_MM: f64 = 1e-3;

/// The skin of a solid in pieces whose boundary is true to `fine_mm`; `tree` holds the solid's
/// triangles. `None` when all of them bound material.
///
/// # Errors
/// [`Error::Cancelled`](crate::Error::Cancelled).
pub(crate) fn skin(
    mesh: &Mesh,
    tree: &Tree,
    fine_mm: f64,
    job: &Job,
) -> Result<Option<Vec<[Point; 3]>>> {
    let triangles = mesh.triangles();
    let neighbours = |i: u32, j: u32| {
        let other = &triangles[j as usize];
        triangles[i as usize].iter().any(|v| other.contains(v))
    };
    let meetings = tree.meetings(neighbours);
    job.checkpoint(0.3)?;
    let shells = Shells::of(triangles, &Edges::of(mesh.vertices().len(), triangles));
    if meetings.is_empty() && shells.count() == 1 {
        return Ok(None);
    }

    // Partners of each triangle that passes through others, and all triangles that meet any.
    let mut partners: Vec<(u32, u32)> = Vec::new();
    let mut meets = vec![false; triangles.len()];
    for &(i, j, how) in &meetings {
        meets[i as usize] = true;
        meets[j as usize] = true;
        if how == Meeting::Overlap {
            partners.extend([(i, j), (j, i)]);
        }
    }
    partners.par_sort_unstable();

    let mut out = Vec::with_capacity(triangles.len());
    let mut whole = true;
    for shell in 0..shells.count() {
        let facets = shells.facets(shell);
        if !facets.iter().any(|&f| meets[f as usize]) {
            // Nothing meets the shell: it is all alike. Its largest facet is the surest to ask.
            let size = |f: &&u32| mesh.area_normal(**f as usize).norm_squared();
            let largest = facets.iter().max_by(|a, b| size(a).total_cmp(&size(b)));
            if largest.is_some_and(|&f| bounds_material(tree, &mesh.corners(f as usize))) {
                out.extend(facets.iter().map(|&f| mesh.corners(f as usize)));
            } else {
                whole = false;
            }
            continue;
        }
        for batch in facets.chunks(1 << 15) {
            job.checkpoint(0.3 + 0.7 * shell as f64 / shells.count() as f64)?;
            let pieces: Vec<Vec<[Point; 3]>> = batch
                .par_iter()
                .map(|&f| {
                    let at = partners.partition_point(|p| p.0 < f);
                    let others: Vec<[Point; 3]> = partners[at..]
                        .iter()
                        .take_while(|p| p.0 == f)
                        .map(|p| mesh.corners(p.1 as usize))
                        .collect();
                    let mut found = Vec::new();
                    pieces(tree, mesh.corners(f as usize), &others, fine_mm, &mut found);
                    found
                })
                .collect();
            whole &= batch.iter().zip(&pieces).all(|(&f, p)| p[..] == [mesh.corners(f as usize)]);
            out.extend(pieces.into_iter().flatten());
        }
    }
    Ok((!whole).then_some(out))
}

/// Splits a triangle by what passes through it and collects the pieces that count.
fn pieces(
    tree: &Tree,
    t: [Point; 3],
    others: &[[Point; 3]],
    fine_mm: f64,
    found: &mut Vec<[Point; 3]>,
) {
    let through: Vec<[Point; 3]> =
        others.iter().filter(|o| meeting(&t, o) == Some(Meeting::Overlap)).copied().collect();
    if through.is_empty() {
        if bounds_material(tree, &t) {
            found.push(t);
        }
        return;
    }
    let [a, b, c] = t;
    let lengths = [(b - a).norm_squared(), (c - b).norm_squared(), (a - c).norm_squared()];
    let longest = (0..3).max_by(|&i, &j| lengths[i].total_cmp(&lengths[j])).unwrap_or(0);
    if lengths[longest] <= fine_mm * fine_mm {
        // Small triangles in the middle and towards each corner speak for the piece.
        let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
        let towards = |p: Point| t.map(|q| middle + (q - middle) * 0.1 + (p - middle) * 0.9);
        if [middle, a, b, c].iter().any(|&p| bounds_material(tree, &towards(p))) {
            found.push(t);
        }
        return;
    }
    let [p, q, r] = [t[longest], t[(longest + 1) % 3], t[(longest + 2) % 3]];
    let half = nalgebra::center(&p, &q);
    pieces(tree, [p, half, r], &through, fine_mm, found);
    pieces(tree, [half, q, r], &through, fine_mm, found);
}

/// Whether the middle of a (piece of a) triangle has material on one side only.
fn bounds_material(tree: &Tree, t: &[Point; 3]) -> bool {
    let axis = (t[1] - t[0]).cross(&(t[2] - t[0])).iamax();
    let middle = Point::from((t[0].coords + t[1].coords + t[2].coords) / 3.0);
    let (mut before, mut here, mut after) = (0, 0, 0);
    tree.cross(axis, &middle, |c| {
        let ahead = c.at_mm - middle[axis];
        let sum = if ahead < -SAME_MM {
            &mut before
        } else if ahead <= SAME_MM {
            &mut here
        } else {
            &mut after
        };
        *sum += c.step;
    });
    // A line whose steps do not cancel was misread at an edge: the safe answer is yes.
    before + here + after != 0 || (before == 0) != (before + here == 0)
}
