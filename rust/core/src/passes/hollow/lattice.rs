//! Struts inside a cavity: stiffness for little resin, open everywhere so that it drains.

use super::Hollow;
use super::cavity::Cavities;
use super::wall::Deeper;
use crate::context::Context;
use crate::error::{Result, check_range};
use crate::mesh::iso::{Field, Sample, surface};
use crate::mesh::measure::volume_mm3;
use crate::mesh::{Mesh, Point, Pose, Vector};
use crate::options::{Options, options};

options! {
    /// Round struts along the four diagonals of a cube, meeting at its middle and its corners. At the
    /// part's pose they lean 35° from the horizontal, so none of them is an overhang over its length.
    /// The space between them is all one, so a cavity drains as before.
    #[derive(Copy)]
    pub struct Lattice at "hollow.lattice" {
        /// Edge of the cube that repeats, mm.
        spacing_mm: f64 = 10.0, larger "a lighter lattice";
        /// Diameter of a strut, mm; its facets may cut it thinner by a hundredth of a millimetre or two.
        strut_mm: f64 = 1.2, in 0.3..=20.0 "mm", larger "a stiffer lattice; more resin";
    }
}

/// Struts where the body is deeper than `Deeper` asks.
struct Struts<'a> {
    lattice: Lattice,
    pose: &'a Pose,
    deeper: Deeper<'a>,
}

impl Lattice {
    pub(super) fn validate(&self) -> Result<()> {
        self.check_ranges()?;
        // closer struts would close the gaps between them
        let least = 4.0 * self.strut_mm;
        check_range("hollow.lattice.spacing_mm", self.spacing_mm, least, 200.0, "mm")
    }

    /// The struts, rooted half a wall deep (and the volume of them that stands in the cavities).
    pub(super) fn build(
        &self,
        found: &Cavities,
        pose: &Pose,
        options: &Hollow,
        ctx: &Context,
    ) -> Result<(Mesh, f64)> {
        let cell_mm = found.cell_mm.min(self.strut_mm / 4.0);
        let make = |wall_mm: f64, ctx: &Context| {
            let deeper = found.deeper(wall_mm);
            let field = Struts { lattice: *self, pose, deeper };
            surface(&field, &found.bounds, cell_mm, options.max_cells, &ctx.job)
        };
        let rooted = make(options.wall_mm / 2.0, &ctx.stage("lattice", 0.8, 0.9))?;
        let inside = make(options.wall_mm, &ctx.stage("lattice", 0.9, 1.0))?;
        Ok((rooted.renamed("lattice"), volume_mm3(&inside)))
    }

    /// Distance to the nearest strut's axis and the direction away from it.
    fn off_axis(&self, p: &Point) -> (f64, Vector) {
        // The pattern mirrors itself at the cube's faces, so the nearest axis is in p's own cube.
        let q = p.coords.map(|c| c - self.spacing_mm * (c / self.spacing_mm).round());
        let diagonals = [[1.0, 1.0, 1.0], [1.0, 1.0, -1.0], [1.0, -1.0, 1.0], [-1.0, 1.0, 1.0]];
        let away = diagonals.map(|d| {
            let u = Vector::from(d) / 3.0_f64.sqrt();
            q - u * q.dot(&u)
        });
        let first = away.into_iter().min_by(|a, b| a.norm_squared().total_cmp(&b.norm_squared()));
        let away = first.unwrap_or_default();
        (away.norm(), away)
    }
}

impl Field for Struts<'_> {
    type Hint = <Deeper<'static> as Field>::Hint;

    fn hint(&self) -> Self::Hint {
        self.deeper.hint()
    }

    fn at(&self, point: &Point, band: f64, near: &mut Self::Hint) -> Sample {
        let (distance, away) = self.lattice.off_axis(&(self.pose * point));
        let value = self.lattice.strut_mm / 2.0 - distance;
        let strut = Sample {
            value,
            gradient: -self.pose.rotation.inverse_transform_vector(&away) / distance.max(1e-12),
        };
        // Away from the struts the depth below the skin does not matter.
        if value <= -band {
            return strut;
        }
        let deep = self.deeper.at(point, band, near);
        if deep.value < value { deep } else { strut }
    }
}
