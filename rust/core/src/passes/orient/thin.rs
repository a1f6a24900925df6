//! How thin a part's walls are, so that no search looks at them through too coarse a grid.

use super::stand_in::StandIn;
use crate::error::Result;
use crate::job::Job;
use crate::layers::{Grid, SUBPIXEL, Scan};
use crate::mesh::Vector;
use nalgebra::UnitQuaternion;
use std::f64::consts::FRAC_PI_2;

/// Share of all crossings that may be shorter than what counts as the thinnest wall: edges and
/// round flanks are crossed in short stretches, too.
const SHARE: f64 = 0.05;

/// What lines along the part's own three axes cross.
pub(super) struct Crossed {
    /// Length in solid that all but the shortest few crossings exceed, mm: a wall is at most that
    /// thick, and at least 0.58 times that (it is met within 55° of square by one of the axes).
    pub(super) wall_mm: f64,
    /// Volume of the solid, overlaps counted once, mm³.
    pub(super) volume_mm3: f64,
}

impl Crossed {
    /// Looks along rows a pitch apart; their ends are much finer than the pitch.
    pub(super) fn of(part: &StandIn, pitch_mm: f64, job: &Job) -> Result<Crossed> {
        let (mut lengths, mut volume_mm3) = (Vec::new(), 0.0);
        let turns = [
            UnitQuaternion::identity(),
            UnitQuaternion::from_axis_angle(&Vector::z_axis(), FRAC_PI_2),
            UnitQuaternion::from_axis_angle(&Vector::y_axis(), FRAC_PI_2),
        ];
        for turn in &turns {
            let surfaces = part.standing(turn);
            let grid = Grid::around(&surfaces, pitch_mm, pitch_mm)?;
            let layers = Scan::new(&surfaces, grid).layers(&job.quiet())?;
            for layer in &layers.layers {
                lengths.extend(layer.spans().iter().map(|s| s.length()));
                volume_mm3 += layer.area_mm2(&grid) * pitch_mm / turns.len() as f64;
            }
        }
        let few = (SHARE * lengths.len() as f64) as usize;
        let wall_mm = if lengths.is_empty() {
            f64::INFINITY
        } else {
            let (_, length, _) = lengths.select_nth_unstable(few);
            f64::from(*length) * pitch_mm / f64::from(SUBPIXEL)
        };
        Ok(Crossed { wall_mm, volume_mm3 })
    }
}
