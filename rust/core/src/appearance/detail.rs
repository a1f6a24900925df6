//! How much the surface turns within a millimetre or two (after the saliency by curvature at
//! several scales of Lee, Varshney & Jacobs 2005, from memory).
//!
//! Within a small neighbourhood the normals of a plain surface share one line: the largest
//! eigenvalue of their second moments holds all of their sum. What it lacks is how much the
//! surface turns. Both sides of a thin cloak share a line, too, so that thin is not taken for
//! detailed.

use super::{Facets, quantile};
use crate::error::Result;
use crate::job::Job;
use nalgebra::Matrix3;
use rayon::prelude::*;
use std::collections::HashMap;

/// Edges of the cells in which normals are gathered, mm. A cell is blurred with its neighbours,
/// so that it looks about twice as far.
const CELLS_MM: [f64; 2] = [0.5, 1.0];

/// Second moments of normals weighted by area: xx, yy, zz, xy, yz, zx.
type NormalMoments = [f64; 6];

/// For each facet how much the surface turns around it, from 0 (plain) to 1 (as much as anywhere
/// but in a small share of the model).
pub(super) fn turns(facets: &Facets, job: &Job) -> Result<Vec<f64>> {
    let mean_mm = (facets.areas.iter().sum::<f64>() / facets.areas.len().max(1) as f64).sqrt();
    let mut sum = vec![0.0; facets.areas.len()];
    for cell_mm in CELLS_MM {
        job.checkpoint(0.2)?;
        // Cells that hold no more than a facet tell nothing.
        let at_scale = at_scale(facets, cell_mm.max(3.0 * cell_mm * mean_mm));
        sum.iter_mut().zip(at_scale).for_each(|(s, t)| *s += t);
    }
    let full = quantile(&sum, &facets.areas, 1.0 - super::TOP_SHARE);
    // On a model that hardly turns anywhere, little is little.
    let full = full.max(0.1 * CELLS_MM.len() as f64);
    sum.iter_mut().for_each(|s| *s = (*s / full).min(1.0));
    Ok(sum)
}

fn at_scale(facets: &Facets, cell_mm: f64) -> Vec<f64> {
    let mut cells: HashMap<[i32; 3], u32> = HashMap::new();
    let mut keys: Vec<[i32; 3]> = Vec::new();
    let mut moments: Vec<NormalMoments> = Vec::new();
    let mut last = ([i32::MAX; 3], 0);
    let of: Vec<u32> = (0..facets.areas.len())
        .map(|i| {
            let key = facets.centres[i].map(|c| (f64::from(c) / cell_mm).floor() as i32);
            if key != last.0 {
                let cell = *cells.entry(key).or_insert_with(|| {
                    keys.push(key);
                    moments.push([0.0; 6]);
                    keys.len() as u32 - 1
                });
                last = (key, cell);
            }
            let [x, y, z] = facets.normals[i].map(f64::from);
            let products = [x * x, y * y, z * z, x * y, y * z, z * x];
            let sum = &mut moments[last.1 as usize];
            sum.iter_mut().zip(products).for_each(|(s, p)| *s += p * facets.areas[i]);
            last.1
        })
        .collect();
    let turn: Vec<f64> = keys
        .par_iter()
        .map(|key| {
            let mut sum = [0.0; 6];
            for step in 0..27 {
                let by = [step % 3 - 1, step / 3 % 3 - 1, step / 9 - 1];
                let near: [i32; 3] = std::array::from_fn(|a| key[a].saturating_add(by[a]));
                if let Some(&cell) = cells.get(&near) {
                    let weight: f64 = by.iter().map(|b| if *b == 0 { 2.0 } else { 1.0 }).product();
                    let own = &moments[cell as usize];
                    sum.iter_mut().zip(own).for_each(|(s, m)| *s += weight * m);
                }
            }
            beyond_one_line(sum)
        })
        .collect();
    of.into_iter().map(|cell| turn[cell as usize]).collect()
}

/// Share of the normals' second moments that lies off their main line, from 0 (all on one line)
/// to 1 (every direction alike); its root, so that it goes with the angle.
fn beyond_one_line([xx, yy, zz, xy, yz, zx]: NormalMoments) -> f64 {
    let trace = xx + yy + zz;
    if trace <= 0.0 {
        return 0.0;
    }
    let most = Matrix3::new(xx, xy, zx, xy, yy, yz, zx, yz, zz).symmetric_eigenvalues().max();
    (1.5 * (1.0 - most / trace)).clamp(0.0, 1.0).sqrt()
}
