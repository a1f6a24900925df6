//! Which facets are seen from where: a picture of depths from each of some dozens of directions.

use super::Facets;
use crate::error::Result;
use crate::job::Job;
use crate::mesh::frame::{across, evenly};
use crate::mesh::{Mesh, Vector};
use nalgebra::UnitQuaternion;
use rayon::prelude::*;

/// Views; one bit each.
const COUNT: u32 = 32;
/// Pixels along an edge of a picture.
const PIXELS: usize = 256;
/// Facets seen at a flatter angle than this count as unseen.
const GRAZING: f32 = 0.08;

/// How often a view is taken in life: from around and above, seldom from below (common practice,
/// no source).
pub(super) fn custom(direction: &Vector, up_known: bool) -> f64 {
    const SELDOM: f64 = 0.03;
    if up_known { (1.0 + 3.0 * direction.z).clamp(SELDOM, 1.0) } else { 1.0 }
}

pub(super) struct Views {
    /// Unit vectors towards the viewer, in the facets' coordinates.
    pub(super) directions: Vec<Vector>,
    /// One bit a view for each facet.
    bits: Vec<u32>,
}

impl Views {
    pub(super) fn of(
        mesh: &Mesh,
        frame: &UnitQuaternion<f64>,
        middle: &Vector,
        facets: &Facets,
        job: &Job,
    ) -> Result<Views> {
        let directions = evenly(COUNT);
        let turn = frame.to_rotation_matrix();
        let vertices: Vec<[f32; 3]> = mesh
            .vertices()
            .par_iter()
            .map(|v| (turn * (v.coords - middle)).map(|c| c as f32).into())
            .collect();
        let reach =
            vertices.iter().map(|v| v.iter().map(|c| c * c).sum::<f32>()).fold(0.0, f32::max);
        let pixel = (2.02 * reach.sqrt() / PIXELS as f32).max(f32::MIN_POSITIVE);
        let pictures = directions
            .par_iter()
            .map(|d| {
                job.checkpoint(0.5)?;
                let picture = DepthMap::of(d, pixel, &vertices, mesh.triangles(), facets);
                Ok((0..facets.areas.len()).map(|i| picture.shows(facets, i)).collect())
            })
            .collect::<Result<Vec<Vec<bool>>>>()?;
        let bits = (0..facets.areas.len()).into_par_iter().map(|i| {
            let seen = pictures.iter().enumerate().filter(|(_, p)| p[i]);
            seen.fold(0, |bits, (d, _)| bits | 1u32 << d)
        });
        Ok(Views { bits: bits.collect(), directions })
    }

    /// What each view shows: areas as they appear, each times its worth per area.
    pub(super) fn shown(&self, facets: &Facets, worth: &[f64]) -> Vec<f64> {
        let each = self.directions.par_iter().enumerate().map(|(d, direction)| {
            let seen = (0..worth.len()).filter(|&i| self.bits[i] >> d & 1 == 1);
            seen.map(|i| worth[i] * facing(&facets.normals[i], direction)).sum()
        });
        each.collect()
    }

    /// How much a facet is seen by views of such importance.
    pub(super) fn seen(&self, facets: &Facets, i: usize, importance: &[f64]) -> f64 {
        let mut bits = self.bits[i];
        let mut sum = 0.0;
        while bits != 0 {
            let d = bits.trailing_zeros() as usize;
            bits &= bits - 1;
            sum += importance[d] * facing(&facets.normals[i], &self.directions[d]);
        }
        sum
    }

    /// The level direction that shows most, if it shows clearly more than the others.
    pub(super) fn front(&self, shown: &[f64]) -> Option<Vector> {
        const LEVEL: f64 = 0.75;
        let level = self.directions.iter().zip(shown).filter(|(d, _)| d.z.abs() < LEVEL);
        let (mut sum, mut total) = (Vector::zeros(), 0.0);
        for (d, s) in level {
            sum += Vector::new(d.x, d.y, 0.0).normalize() * *s;
            total += s;
        }
        let front = sum / f64::max(total, f64::MIN_POSITIVE);
        (front.norm() > super::FRONT).then(|| front.normalize())
    }
}

fn facing(normal: &[f32; 3], direction: &Vector) -> f64 {
    let [x, y, z] = normal.map(f64::from);
    (x * direction.x + y * direction.y + z * direction.z).max(0.0)
}

/// The nearest depth in each pixel of a view without perspective.
struct DepthMap {
    axes: [[f32; 3]; 3],
    pixel: f32,
    nearest: Vec<f32>,
}

fn dot(a: &[f32; 3], b: &[f32; 3]) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

impl DepthMap {
    fn of(
        direction: &Vector,
        pixel: f32,
        vertices: &[[f32; 3]],
        triangles: &[[u32; 3]],
        facets: &Facets,
    ) -> DepthMap {
        let [u, v] = across(direction);
        let axes = [u, v, *direction].map(|a| a.map(|c| c as f32).into());
        let nearest = vec![f32::NEG_INFINITY; PIXELS * PIXELS];
        let mut picture = DepthMap { axes, pixel, nearest };
        for (i, t) in triangles.iter().enumerate() {
            // Of a closed surface the nearest point always faces the viewer.
            if dot(&facets.normals[i], &picture.axes[2]) <= 0.0 {
                continue;
            }
            picture.mark(&facets.centres[i]);
            let corners = t.map(|v| picture.project(&vertices[v as usize]));
            picture.fill(&corners);
        }
        picture
    }

    /// A point as seen: across in pixels, depth in mm towards the viewer.
    fn project(&self, p: &[f32; 3]) -> [f32; 3] {
        let middle = PIXELS as f32 / 2.0;
        let [x, y, depth] = self.axes.each_ref().map(|a| dot(a, p));
        [x / self.pixel + middle, y / self.pixel + middle, depth]
    }

    fn mark(&mut self, p: &[f32; 3]) {
        let [x, y, depth] = self.project(p);
        let at = &mut self.nearest[y as usize * PIXELS + x as usize];
        *at = at.max(depth);
    }

    /// Every pixel whose centre a facet covers.
    fn fill(&mut self, [a, b, c]: &[[f32; 3]; 3]) {
        let range = |i: usize| {
            let (low, high) = (a[i].min(b[i]).min(c[i]), a[i].max(b[i]).max(c[i]));
            (low + 0.5) as usize..((high + 0.5) as usize).min(PIXELS)
        };
        let (columns, rows) = (range(0), range(1));
        if columns.is_empty() || rows.is_empty() {
            return;
        }
        let area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
        if area <= 0.0 {
            return;
        }
        for row in rows {
            let y = row as f32 + 0.5;
            for column in columns.clone() {
                let x = column as f32 + 0.5;
                let side = |p: &[f32; 3], q: &[f32; 3]| {
                    (q[0] - p[0]) * (y - p[1]) - (q[1] - p[1]) * (x - p[0])
                };
                let (wa, wb, wc) = (side(b, c), side(c, a), side(a, b));
                if wa >= 0.0 && wb >= 0.0 && wc >= 0.0 {
                    let depth = (wa * a[2] + wb * b[2] + wc * c[2]) / area;
                    let at = &mut self.nearest[row * PIXELS + column];
                    *at = at.max(depth);
                }
            }
        }
    }

    /// Whether nothing lies before a facet's middle.
    fn shows(&self, facets: &Facets, i: usize) -> bool {
        let facing = dot(&facets.normals[i], &self.axes[2]);
        if facing < GRAZING {
            return false;
        }
        let [x, y, depth] = self.project(&facets.centres[i]);
        // Its own surface rises by the slope within a pixel or two.
        let slope = ((1.0 - facing * facing).max(0.0).sqrt() / facing).min(6.0);
        let own = self.pixel * (1.0 + 1.5 * slope);
        self.nearest[y as usize * PIXELS + x as usize] <= depth + own
    }
}
