//! The thin band of grid nodes around the surface, stored as small bricks.

use super::{Field, Sample};
use crate::error::{Error, Result};
use crate::job::Job;
use crate::mesh::{Bounds, Point, Vector};
use rayon::prelude::*;

/// Nodes along one side of a brick.
pub(super) const SIDE: usize = 4;
/// Nodes of a brick.
pub(super) const NODES: usize = SIDE * SIDE * SIDE;
/// Levels of halving above the bricks, at least.
const LEVELS: u32 = 3;
/// Most cubes to begin with; beyond them one halving more pays.
const MOST_CUBES: f64 = 1e5;
/// How many cells beyond a brick the surface is still felt: a node of a cell that the surface
/// crosses is at most one edge and one diagonal, 1 + √3 cells, from it.
const REACH: f64 = 2.8;
/// Cells from the surface within which nodes are sampled exactly: one for those that end crossed
/// edges, one so that a sample spares its neighbours.
const BAND: f64 = 2.0;
/// Boxes handled between two checkpoints.
pub(super) const BATCH: usize = 4096;

/// Grid nodes near the surface of a field.
pub struct Bricks<H> {
    pub(super) origin: Point,
    pub(super) cell: f64,
    /// Bricks along each axis.
    size: [i32; 3],
    /// Sorted by place: z, then y, then x.
    pub(super) bricks: Vec<Brick<H>>,
    /// First brick of each row along x.
    rows: Vec<u32>,
}

/// One brick: `SIDE`³ nodes.
pub(super) struct Brick<H> {
    /// Place in units of bricks.
    pub(super) at: [i32; 3],
    /// Field values, mm; infinite where only the sign matters.
    pub(super) value: [f32; NODES],
    /// Gradients where the value is finite.
    pub(super) gradient: [[f32; 3]; NODES],
    pub(super) hint: H,
}

/// A cube of 2^level bricks a side.
struct BrickRange<H> {
    at: [i32; 3],
    hint: H,
    sample: f64,
}

impl<H: Clone + Send + Sync> Bricks<H> {
    /// Finds and samples the bricks that the surface passes.
    ///
    /// # Errors
    /// [`Error::Limit`] when they would hold more than `max_cells` nodes, [`Error::Cancelled`].
    pub fn find<F: Field<Hint = H>>(
        field: &F,
        bounds: &Bounds,
        cell_mm: f64,
        max_cells: u64,
        job: &Job,
    ) -> Result<Bricks<H>> {
        // Two free cells around, so that the surface never meets the grid's border.
        let origin = bounds.min - Vector::repeat(2.0 * cell_mm);
        let brick = cell_mm * SIDE as f64;
        let size = bounds.size().map(|s| ((s + 5.0 * cell_mm) / brick).ceil().max(1.0));
        // Rows of bricks are counted in an index of their own, and nodes in 32 bits.
        let rows = size.y * size.z;
        if rows > max_cells as f64 || size.max() * SIDE as f64 > f64::from(i32::MAX) {
            return Err(too_many(rows, max_cells));
        }
        let levels = (LEVELS..)
            .find(|l| size.map(|s| (s / f64::from(1 << l)).ceil()).product() <= MOST_CUBES)
            .expect("halving ends at one cube");
        let size: [i32; 3] = size.map(|s| s as i32).into();
        let mut grid = Bricks { origin, cell: cell_mm, size, bricks: vec![], rows: vec![] };

        let top = 1 << levels;
        let mut regions: Vec<BrickRange<H>> = Vec::new();
        for z in (0..size[2]).step_by(top) {
            for y in (0..size[1]).step_by(top) {
                for x in (0..size[0]).step_by(top) {
                    regions.push(BrickRange { at: [x, y, z], hint: field.hint(), sample: 0.0 });
                }
            }
        }
        for level in (0..=levels).rev() {
            let kept = grid.near_surface(field, regions, 1 << level, job)?;
            let nodes = (kept.len() * NODES) as u64;
            if nodes > max_cells {
                return Err(too_many(nodes as f64, max_cells));
            }
            regions = if level == 0 { kept } else { grid.halved(kept, 1 << (level - 1)) };
        }
        regions.sort_unstable_by_key(|r| [r.at[2], r.at[1], r.at[0]]);
        for (done, batch) in regions.chunks(BATCH).enumerate() {
            job.checkpoint((done * BATCH) as f64 / regions.len() as f64)?;
            grid.bricks
                .par_extend(batch.par_iter().map(|r| grid_brick(&origin, cell_mm, field, r)));
        }
        grid.index_rows();
        Ok(grid)
    }

    /// Keeps the regions, `side` bricks wide, that the surface may pass.
    fn near_surface<F: Field<Hint = H>>(
        &self,
        field: &F,
        regions: Vec<BrickRange<H>>,
        side: i32,
        job: &Job,
    ) -> Result<Vec<BrickRange<H>>> {
        let nodes = f64::from(side) * SIDE as f64 - 1.0;
        let limit = self.cell * (3.0_f64.sqrt() * nodes / 2.0 + REACH);
        let mut kept = Vec::new();
        for batch in regions.chunks(BATCH) {
            job.checkpoint(0.0)?;
            kept.par_extend(batch.par_iter().filter_map(|r| {
                let mut hint = r.hint.clone();
                let center = middle(&self.origin, self.cell, r.at, nodes);
                let sample = field.at(&center, limit, &mut hint).value;
                (sample.abs() < limit).then_some(BrickRange { at: r.at, hint, sample })
            }));
        }
        Ok(kept)
    }

    /// The eight halves of each region, as far as they lie on the grid; halves are `side` wide.
    fn halved(&self, regions: Vec<BrickRange<H>>, side: i32) -> Vec<BrickRange<H>> {
        let part = |r: &BrickRange<H>, i: i32| {
            let at = [0, 1, 2].map(|a| r.at[a] + side * (i >> a & 1));
            let on_grid = (0..3).all(|a| at[a] < self.size[a]);
            on_grid.then(|| BrickRange { at, hint: r.hint.clone(), sample: r.sample })
        };
        regions.iter().flat_map(|r| (0..8).filter_map(move |i| part(r, i))).collect()
    }

    fn row(&self, y: i32, z: i32) -> usize {
        (z * self.size[1] + y) as usize
    }

    fn index_rows(&mut self) {
        let mut rows = vec![0u32; (self.size[1] * self.size[2]) as usize + 1];
        for b in &self.bricks {
            rows[self.row(b.at[1], b.at[2]) + 1] += 1;
        }
        for i in 1..rows.len() {
            rows[i] += rows[i - 1];
        }
        self.rows = rows;
    }

    /// Index of the brick at a place in units of bricks.
    pub(super) fn brick_at(&self, at: [i32; 3]) -> Option<usize> {
        if (0..3).any(|a| at[a] < 0 || at[a] >= self.size[a]) {
            return None;
        }
        let row = self.row(at[1], at[2]);
        let (from, to) = (self.rows[row] as usize, self.rows[row + 1] as usize);
        let i = self.bricks[from..to].binary_search_by_key(&at[0], |b| b.at[0]).ok()?;
        Some(from + i)
    }

    /// Value at a node of the grid, `None` away from the surface.
    pub(super) fn value(&self, node: [i32; 3]) -> Option<f32> {
        let (brick, local) = split(node);
        Some(self.bricks[self.brick_at(brick)?].value[local])
    }

    /// Place of a node.
    pub(super) fn place(&self, node: [i32; 3]) -> Point {
        self.origin + Vector::new(node[0].into(), node[1].into(), node[2].into()) * self.cell
    }

    /// Nodes stored.
    pub fn nodes(&self) -> usize {
        self.bricks.len() * NODES
    }
}

fn too_many(nodes: f64, max_cells: u64) -> Error {
    Error::Limit {
        place: "the grid around the surface".into(),
        value: nodes,
        limit: max_cells as f64,
        unit: "nodes",
        remedy: "use a larger cell".into(),
    }
}

/// Brick and index within it of a node.
pub(super) fn split(node: [i32; 3]) -> ([i32; 3], usize) {
    let side = SIDE as i32;
    let local = node.map(|n| n.rem_euclid(side) as usize);
    (node.map(|n| n.div_euclid(side)), local[0] + SIDE * (local[1] + SIDE * local[2]))
}

/// Middle of the `nodes` + 1 nodes along each side from the first node of a brick.
fn middle(origin: &Point, cell: f64, at: [i32; 3], nodes: f64) -> Point {
    let first = Vector::new(at[0].into(), at[1].into(), at[2].into()) * SIDE as f64;
    origin + (first + Vector::repeat(nodes / 2.0)) * cell
}

/// Samples the nodes of one brick, skipping those whose sign an earlier sample settles.
fn grid_brick<F: Field>(
    origin: &Point,
    cell: f64,
    field: &F,
    region: &BrickRange<F::Hint>,
) -> Brick<F::Hint> {
    let place = |i: usize| {
        Vector::new((i % SIDE) as f64, (i / SIDE % SIDE) as f64, (i / SIDE / SIDE) as f64)
    };
    let first = middle(origin, cell, region.at, 0.0);
    let mut value = [f32::NAN; NODES];
    let mut gradient = [[0.0; 3]; NODES];
    // Beyond one cell (and rounding) from the surface a node ends no crossed edge: its sign is
    // enough.
    let settle = |value: &mut [f32; NODES], center: Vector, sample: f64| {
        let radius = sample.abs() / cell - 1.001;
        for (i, v) in value.iter_mut().enumerate() {
            if v.is_nan() && radius > 0.0 && (place(i) - center).norm_squared() < radius * radius {
                *v = if sample > 0.0 { f32::INFINITY } else { f32::NEG_INFINITY };
            }
        }
    };
    settle(&mut value, Vector::repeat((SIDE - 1) as f64 / 2.0), region.sample);
    let mut hint = region.hint.clone();
    for i in 0..NODES {
        if !value[i].is_nan() {
            continue;
        }
        let Sample { value: v, gradient: g } =
            field.at(&(first + place(i) * cell), BAND * cell, &mut hint);
        settle(&mut value, place(i), v);
        if value[i].is_nan() {
            value[i] = v as f32;
            gradient[i] = [g.x as f32, g.y as f32, g.z as f32];
        }
    }
    Brick { at: region.at, value, gradient, hint: region.hint.clone() }
}
