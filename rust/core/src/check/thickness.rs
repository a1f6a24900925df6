//! Lines: how thick solid and void are along rows and columns of pixels and along z.
//!
//! A wall thinner than a pixel can pass between the centres of a row of pixels, one thinner than a
//! layer between the middles of two layers. Lines in all three directions meet every wall; what is
//! short on them is gathered in the plane across the lines, and only *patches* of some width
//! count, since every edge and crevice tapers to nothing somewhere.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::layers::{Grid, Layers, SUBPIXEL, Scan, Surface};
use crate::mesh::{Bounds, Point, Pose};
use crate::part::Role;
use nalgebra::{Matrix3, Rotation3, Translation3, UnitQuaternion};
use rayon::prelude::*;

/// Widths below which walls and gaps count, mm: across a layer and along z.
#[derive(Clone, Copy, Debug)]
pub(super) struct Widths {
    pub across_mm: f64,
    pub along_z_mm: f64,
}

/// What is measured between the crossings of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Between {
    Solid,
    Void,
}

/// A coherent place where solid or void is too narrow.
#[derive(Clone, Debug)]
pub(super) struct Patch {
    /// Least width, mm, and where.
    pub least_mm: f64,
    pub place: Point,
    /// Box around it.
    pub bounds: Bounds,
    /// Area across the lines, mm².
    pub area_mm2: f64,
    /// The limit it was held against, mm.
    pub limit_mm: f64,
}

impl Patch {
    /// What is said of a patch: where it is and how narrow.
    pub(super) fn finding(
        &self,
        e: &Evidence<'_>,
        code: FindingCode,
        severity: Severity,
        message: String,
    ) -> Finding {
        let layer_at = |z_mm: f64| e.grid().layer_at(z_mm);
        Finding::new(code, severity, &e.part.name, message)
            .at_layers(layer_at(self.bounds.min.z), layer_at(self.bounds.max.z))
            .at(self.place)
            .measured(self.least_mm, self.limit_mm, "mm")
    }
}

/// Half the cells a patch must be wide both ways, so that it is a wall and not an edge.
const HALF_WIDTH: u32 = 3;

/// The body's lines in three directions.
#[derive(Debug, Default)]
pub(super) struct Lines {
    /// Stacks whose rows run along y and z, each with the way back to the plate's coordinates;
    /// those along x are the body's layers.
    turned: Vec<(Layers, Pose)>,
}

impl Lines {
    pub(super) fn of(e: &Evidence<'_>) -> Result<Lines> {
        let surfaces = e.part.surfaces(&[Role::Body, Role::Lattice]);
        // Rows along y: x' = y, y' = −x. Rows along z: x' = z, y' = x, z' = y.
        let about_z = Matrix3::new(0.0, 1.0, 0.0, -1.0, 0.0, 0.0, 0.0, 0.0, 1.0);
        let cyclic = Matrix3::new(0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0);
        let (pixel, layer) = (e.grid().pitch_mm, e.grid().layer_mm);
        let scan = |turn: Matrix3<f64>, layer_mm: f64| -> Result<(Layers, Pose)> {
            let rotation =
                UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
            let turned = |pose: &Pose| -> Vec<Surface<'_>> {
                surfaces.iter().map(|s| Surface { pose: pose * s.pose, ..*s }).collect()
            };
            let mut pose = Pose::from_parts(Translation3::identity(), rotation);
            let bounds = turned(&pose)
                .iter()
                .fold(Bounds::EMPTY, |b, s| b.union(&s.mesh.bounds_at(&s.pose)));
            // Only the stack across the layers must be lifted onto its own plate.
            if turn != about_z && !bounds.is_empty() {
                pose.translation.vector.z = -bounds.min.z;
            }
            let surfaces = turned(&pose);
            let grid = Grid::around(&surfaces, layer_mm, pixel)?;
            Ok((Scan::new(&surfaces, grid).layers(&e.ctx.job)?, pose.inverse()))
        };
        Ok(Lines { turned: vec![scan(about_z, layer)?, scan(cyclic, pixel)?] })
    }

    /// Patches narrower than the widths, largest first.
    pub(super) fn patches(&self, e: &Evidence<'_>, what: Between, widths: Widths) -> Vec<Patch> {
        let identity = Pose::identity();
        let stacks = std::iter::once((e.body(), &identity))
            .chain(self.turned.iter().map(|(layers, back)| (layers, back)))
            .zip([widths.across_mm, widths.across_mm, widths.along_z_mm]);
        let mut all: Vec<Patch> = stacks
            .flat_map(|((layers, back), limit)| patches_along(layers, back, what, limit))
            .collect();
        all.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
        // A slanting wall is short on lines of two directions; say it once.
        let mut out: Vec<Patch> = Vec::new();
        for patch in all {
            match out.iter_mut().find(|p| p.bounds.meets(&patch.bounds)) {
                Some(p) => {
                    if patch.least_mm < p.least_mm {
                        (p.least_mm, p.place) = (patch.least_mm, patch.place);
                        p.limit_mm = patch.limit_mm;
                    }
                    p.bounds = p.bounds.union(&patch.bounds);
                }
                None => out.push(patch),
            }
        }
        out
    }
}

/// A short stretch of a line: the cell (row, layer) of its line, where it is and how long.
#[derive(Clone, Copy)]
struct Short {
    cell: (u32, u32),
    x0: u32,
    x1: u32,
}

fn patches_along(layers: &Layers, back: &Pose, what: Between, limit_mm: f64) -> Vec<Patch> {
    let grid = &layers.grid;
    let sub = grid.pitch_mm / f64::from(SUBPIXEL);
    let limit = (limit_mm / sub * (1.0 - 1e-9)) as u32;
    let shorts: Vec<Short> = layers
        .layers
        .par_iter()
        .enumerate()
        .flat_map_iter(|(k, layer)| {
            let mut found = Vec::new();
            for row in layer.rows() {
                let spans = layer.row(row);
                let mut keep = |x0: u32, x1: u32| {
                    if x1 - x0 < limit {
                        found.push(Short { cell: (k as u32, row), x0, x1 });
                    }
                };
                match what {
                    Between::Solid => spans.iter().for_each(|s| keep(s.x0, s.x1)),
                    Between::Void => spans.windows(2).for_each(|w| keep(w[0].x1, w[1].x0)),
                }
            }
            found
        })
        .collect();
    let Some(groups) = Groups::of(&shorts) else { return Vec::new() };
    let cell_mm2 = grid.pitch_mm * grid.layer_mm;
    groups
        .wide
        .iter()
        .map(|members| {
            let mut patch = Patch {
                least_mm: f64::INFINITY,
                place: Point::origin(),
                bounds: Bounds::EMPTY,
                area_mm2: 0.0,
                limit_mm,
            };
            for s in members.iter().map(|&i| &shorts[i as usize]) {
                let (k, row) = s.cell;
                let mid = grid.x0_mm + 0.5 * (f64::from(s.x0) + f64::from(s.x1)) * sub;
                let place = back * Point::new(mid, grid.pixel(0, row, 0).y, grid.z_mm(k));
                let long = f64::from(s.x1 - s.x0) * sub;
                if long < patch.least_mm {
                    (patch.least_mm, patch.place) = (long, place);
                }
                patch.bounds = patch.bounds.union(&Bounds::of([&place]));
                patch.area_mm2 += cell_mm2;
            }
            patch
        })
        .collect()
}

/// Short stretches gathered where their cells touch in the plane across the lines.
struct Groups {
    /// Members of each group that is wide enough.
    wide: Vec<Vec<u32>>,
}

impl Groups {
    /// `None` when there are not even enough stretches for one patch.
    fn of(shorts: &[Short]) -> Option<Groups> {
        let side = 2 * HALF_WIDTH as usize - 1;
        if shorts.len() < side * side {
            return None;
        }
        let (mut k, mut r) = ((u32::MAX, 0), (u32::MAX, 0));
        for s in shorts {
            k = (k.0.min(s.cell.0), k.1.max(s.cell.0));
            r = (r.0.min(s.cell.1), r.1.max(s.cell.1));
        }
        // One free cell all round ends every walk.
        let width = (r.1 - r.0) as usize + 3;
        let height = (k.1 - k.0) as usize + 3;
        let at = |s: &Short| (s.cell.0 - k.0 + 1) as usize * width + (s.cell.1 - r.0 + 1) as usize;
        // Distance to the nearest free cell, eight neighbours alike (two sweeps).
        let mut depth = vec![0u16; width * height];
        shorts.iter().for_each(|s| depth[at(s)] = u16::MAX);
        for i in width + 1..depth.len() - width - 1 {
            let before = [i - 1, i - width - 1, i - width, i - width + 1];
            depth[i] = depth[i].min(least(&depth, before));
        }
        for i in (width + 1..depth.len() - width - 1).rev() {
            let after = [i + 1, i + width - 1, i + width, i + width + 1];
            depth[i] = depth[i].min(least(&depth, after));
        }
        let mut label = vec![0u32; depth.len()];
        let mut deepest = vec![0u16];
        for s in shorts {
            if label[at(s)] != 0 {
                continue;
            }
            let this = deepest.len() as u32;
            let mut most = 0;
            let mut stack = vec![at(s)];
            label[at(s)] = this;
            while let Some(i) = stack.pop() {
                most = most.max(depth[i]);
                for j in [i - 1, i + 1, i - width, i + width] {
                    if depth[j] > 0 && label[j] == 0 {
                        label[j] = this;
                        stack.push(j);
                    }
                }
            }
            deepest.push(most);
        }
        let mut members = vec![Vec::new(); deepest.len()];
        for (i, s) in shorts.iter().enumerate() {
            members[label[at(s)] as usize].push(i as u32);
        }
        let wide = members
            .into_iter()
            .zip(deepest)
            .filter(|(_, d)| u32::from(*d) >= HALF_WIDTH)
            .map(|(m, _)| m)
            .collect();
        Some(Groups { wide })
    }
}

/// One more than the least of the neighbours' depths.
fn least(depth: &[u16], around: [usize; 4]) -> u16 {
    around.iter().map(|&i| depth[i]).min().unwrap_or(0).saturating_add(1)
}
