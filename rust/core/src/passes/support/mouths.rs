//! The mouths of vents: a stopper must go in, so tips keep off the rim where another place will do,
//! and nothing that stands crosses the way in.

use super::needs::{disc, pixel_at};
use super::probe::parry;
use crate::layers::Layers;
use crate::mesh::{Point, Vector};
use crate::part::{Part, VentHole};
use parry3d_f64::math::Pose as ParryPose;
use parry3d_f64::query::distance;
use parry3d_f64::shape::Segment;

/// Surface that a stopper's rim needs around the hole, mm (common practice, no source).
const RIM_MM: f64 = 0.5;

struct Mouth {
    at: Point,
    out: Vector,
    radius_mm: f64,
    /// Where the way in begins, as far off as the longest stopper is long.
    far: Point,
}

/// All mouths of a part, in plate coordinates.
pub(super) struct Mouths(Vec<Mouth>);

impl Mouths {
    pub(super) fn of(part: &Part) -> Mouths {
        let mouth = |v: &VentHole| {
            let (at, out) = (part.pose * v.mouth, part.pose * -v.inward);
            let far = at + out * v.longest_stopper_mm();
            Mouth { at, out, radius_mm: v.diameter_mm / 2.0, far }
        };
        Mouths(part.vents.iter().map(mouth).collect())
    }

    /// Whether a contact of that radius lies on a rim or within a bore.
    pub(super) fn touch(&self, contact: &Point, radius_mm: f64) -> bool {
        self.0.iter().any(|m| {
            let to = contact - m.at;
            let along = to.dot(&m.out);
            let near = m.radius_mm + RIM_MM + radius_mm;
            (to - m.out * along).norm() < near && along.abs() < near
        })
    }

    /// Whether the axis of a bar passes before a mouth.
    pub(super) fn crossed(&self, a: &Point, b: &Point) -> bool {
        let here = ParryPose::IDENTITY;
        let segment = |a: &Point, b: &Point| Segment::new(parry(a), parry(b));
        self.0.iter().any(|m| {
            distance(&here, &segment(a, b), &here, &segment(&m.at, &m.far))
                .is_ok_and(|d| d.distance < m.radius_mm)
        })
    }

    /// The layers with what lies before the mouths, so that columns which keep `clear_mm` from it
    /// do not cross a way in; none where there are no mouths.
    pub(super) fn barred(&self, layers: &Layers, clear_mm: f64) -> Option<Layers> {
        if self.0.is_empty() {
            return None;
        }
        let grid = layers.grid;
        let mut barred = layers.clone();
        let last = barred.layers.len() as u32;
        for m in &self.0 {
            let radius = (m.radius_mm - clear_mm).max(grid.pitch_mm);
            let (a, b) = (m.at, m.far);
            let at = |z: f64| grid.layer_at(z.max(0.0)).min(last);
            for k in at(a.z.min(b.z) - radius)..at(a.z.max(b.z) + radius) {
                let disc_at = |t: f64| {
                    let p = a + (b - a) * t.clamp(0.0, 1.0);
                    disc(pixel_at(&[p.x, p.y], &grid), radius, &grid)
                };
                let layer = &mut barred.layers[k as usize];
                let rise = b.z - a.z;
                if rise.abs() > radius {
                    *layer = layer.union(&disc_at((grid.z_mm(k) - a.z) / rise));
                    continue;
                }
                // A level way lies in its layers all along; what columns keep closes the gaps.
                let steps = (2.0 * (b - a).norm() / (radius + clear_mm)).ceil() as u32;
                for i in 0..=steps {
                    *layer = layer.union(&disc_at(f64::from(i) / f64::from(steps)));
                }
            }
        }
        Some(barred)
    }
}
