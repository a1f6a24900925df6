//! The places where two outlines would overlap, kept by corners and walls of convex cells.

use super::super::polygon::{Point2, bounds, cross, dot, mirrored_sum};
use super::{Outline, rotate};

/// Corners side by side, so that vector instructions serve several.
const LANES: usize = 4;

/// Corners of a convex polygon, counter-clockwise, each with the outward normal of the wall that
/// leads from it to the next. The last one of a polygon fills up its block.
#[derive(Clone, Copy, Debug)]
struct Corners {
    x: [f64; LANES],
    y: [f64; LANES],
    nx: [f64; LANES],
    ny: [f64; LANES],
}

impl Corners {
    /// How far an offset is inside the wall of each corner.
    fn rooms(&self, d: Point2) -> [f64; LANES] {
        std::array::from_fn(|k| self.nx[k] * (self.x[k] - d[0]) + self.ny[k] * (self.y[k] - d[1]))
    }
}

/// Forbidden offsets of two convex pieces.
#[derive(Clone, Debug)]
struct Cell {
    bounds: [f64; 4],
    corners: std::ops::Range<u32>,
}

/// Forbidden offsets of two outlines at a given turn of one against the other.
#[derive(Clone, Debug, Default)]
pub(in super::super) struct NfpTable {
    bounds: [f64; 4],
    cells: Vec<Cell>,
    corners: Vec<Corners>,
}

fn outside(b: &[f64; 4], p: Point2) -> bool {
    p[0] <= b[0] || p[0] >= b[2] || p[1] <= b[1] || p[1] >= b[3]
}

impl NfpTable {
    /// How deep an offset lies in the forbidden places, summed over pairs of pieces, mm.
    pub(in super::super) fn depth(&self, d: Point2) -> f64 {
        if outside(&self.bounds, d) {
            return 0.0;
        }
        self.cells.iter().map(|c| self.cell_depth(c, d)).sum()
    }

    fn cell_depth(&self, cell: &Cell, d: Point2) -> f64 {
        if outside(&cell.bounds, d) {
            return 0.0;
        }
        let mut least = [f64::INFINITY; LANES];
        for c in self.corners_of(cell) {
            let room = c.rooms(d);
            for k in 0..LANES {
                least[k] = if room[k] < least[k] { room[k] } else { least[k] };
            }
        }
        least.into_iter().fold(f64::INFINITY, f64::min).max(0.0)
    }

    fn corners_of(&self, cell: &Cell) -> &[Corners] {
        &self.corners[cell.corners.start as usize..cell.corners.end as usize]
    }

    /// The stretches `s` of the line `p + s·u` that are forbidden, one per pair of pieces it
    /// meets, with the number of that pair.
    pub(in super::super) fn crossings(
        &self,
        p: Point2,
        u: Point2,
        mut each: impl FnMut(u32, f64, f64),
    ) {
        if misses(&self.bounds, p, u) {
            return;
        }
        for (i, cell) in self.cells.iter().enumerate() {
            if misses(&cell.bounds, p, u) {
                continue;
            }
            if let Some((lo, hi)) = stretch(self.corners_of(cell), p, u) {
                each(i as u32, lo, hi);
            }
        }
    }

    pub(super) fn bytes(&self) -> usize {
        size_of_val(&*self.cells) + size_of_val(&*self.corners)
    }

    /// Depth of an offset in one pair of pieces, as [`NfpTable::crossings`] numbers them, mm.
    pub(in super::super) fn depth_in(&self, cell: u32, d: Point2) -> f64 {
        self.cell_depth(&self.cells[cell as usize], d)
    }

    /// Directions of the walls within `reach` of an offset: along these it can slide.
    pub(in super::super) fn slides(&self, d: Point2, reach: f64, out: &mut Vec<Point2>) {
        if outside(&grown(&self.bounds, reach), d) {
            return;
        }
        for cell in &self.cells {
            if outside(&grown(&cell.bounds, reach), d) {
                continue;
            }
            let walls = self.corners_of(cell).iter().flat_map(|c| {
                let room = c.rooms(d);
                (0..LANES).map(move |k| (room[k], [-c.ny[k], c.nx[k]]))
            });
            let nearest = walls.min_by(|a, b| a.0.total_cmp(&b.0)).expect("a cell has corners");
            if nearest.0 > -reach {
                out.push(nearest.1);
            }
        }
    }
}

/// The part of the line `p + s·u` inside a convex polygon: two of its walls lead from one side of
/// the line to the other.
fn stretch(corners: &[Corners], p: Point2, u: Point2) -> Option<(f64, f64)> {
    let across = p[0] * u[1] - p[1] * u[0];
    let beside = |c: &Corners, k: usize| c.x[k] * u[1] - c.y[k] * u[0] - across;
    let along = |c: &Corners, k: usize| (c.x[k] - p[0]) * u[0] + (c.y[k] - p[1]) * u[1];
    let left =
        |c: &Corners| (0..LANES).fold(0u32, |all, k| all | u32::from(beside(c, k) > 0.0) << k);
    let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut before = left(corners.last()?) >> (LANES - 1);
    for (i, to) in corners.iter().enumerate() {
        let now = left(to);
        let mut change = now ^ (now << 1 | before) & ((1 << LANES) - 1);
        before = now >> (LANES - 1);
        while change != 0 {
            let k = change.trailing_zeros() as usize;
            change &= change - 1;
            let (from, j) = match k {
                0 => (&corners[(i + corners.len() - 1) % corners.len()], LANES - 1),
                _ => (to, k - 1),
            };
            // Between the two corners, so that a wall nearly along the line does no harm.
            let (a, b) = (beside(from, j), beside(to, k));
            let s = along(from, j) + a / (a - b) * (along(to, k) - along(from, j));
            lo = lo.min(s);
            hi = hi.max(s);
        }
    }
    (lo < hi).then_some((lo, hi))
}

fn grown(b: &[f64; 4], r: f64) -> [f64; 4] {
    [b[0] - r, b[1] - r, b[2] + r, b[3] + r]
}

/// Whether an axis-parallel or slanted line misses a box (may say no when it does miss).
fn misses(b: &[f64; 4], p: Point2, u: Point2) -> bool {
    if u[1] == 0.0 {
        return p[1] <= b[1] || p[1] >= b[3];
    }
    if u[0] == 0.0 {
        return p[0] <= b[0] || p[0] >= b[2];
    }
    // The box's middle is farther from the line than its half extent across.
    let middle = (b[0] + b[2] - 2.0 * p[0]) * u[1] - (b[1] + b[3] - 2.0 * p[1]) * u[0];
    middle.abs() > (b[2] - b[0]) * u[1].abs() + (b[3] - b[1]) * u[0].abs()
}

impl NfpTable {
    pub(super) fn new(a: &Outline, b: &Outline, turn: Point2, gap: f64) -> NfpTable {
        let mut t = NfpTable::default();
        for p in &a.pieces {
            for q in &b.pieces {
                if p.z_mm[0] < q.z_mm[1] && q.z_mm[0] < p.z_mm[1] {
                    let turned: Vec<Point2> = q.ring.iter().map(|&v| rotate(turn, v)).collect();
                    t.push_pair(&p.ring, &turned, gap);
                }
            }
        }
        t.bounds = t.cells.iter().fold(bounds([]), |b, c| {
            let o = c.bounds;
            [b[0].min(o[0]), b[1].min(o[1]), b[2].max(o[2]), b[3].max(o[3])]
        });
        t
    }

    /// Offsets d at which q + d comes nearer to p than the gap.
    fn push_pair(&mut self, p: &[Point2], q: &[Point2], gap: f64) {
        // Round the corners of the gap by a wall at least every 22.5°: the polygon stays outside
        // the true offset, by at most gap·(1/cos 11.25° − 1) = 2 % of the gap.
        const BEND: f64 = std::f64::consts::TAU / 16.0;
        let bare = mirrored_sum(p, q);
        let mut corners: Vec<(Point2, Point2)> = Vec::with_capacity(bare.len() + 16);
        let mut before = bare[bare.len() - 1].1;
        for (at, normal) in bare {
            let [sin, cos] = [cross(before, normal), dot(before, normal)];
            let bend = sin.atan2(cos);
            let steps = if gap > 0.01 { (bend / BEND).ceil().max(1.0) as usize } else { 1 };
            let half = bend / steps as f64 / 2.0;
            let half = [half.cos(), half.sin()];
            for step in 1..=steps {
                let out = rotate(half, before);
                let by = gap / half[0];
                before = if step == steps { normal } else { rotate(half, out) };
                corners.push(([at[0] + by * out[0], at[1] + by * out[1]], snap(before)));
            }
        }
        let from = self.corners.len();
        for few in corners.chunks(LANES) {
            let of = |k: usize| few[k.min(few.len() - 1)];
            self.corners.push(Corners {
                x: std::array::from_fn(|k| of(k).0[0]),
                y: std::array::from_fn(|k| of(k).0[1]),
                nx: std::array::from_fn(|k| of(k).1[0]),
                ny: std::array::from_fn(|k| of(k).1[1]),
            });
        }
        let bounds = bounds(corners.iter().map(|c| &c.0));
        self.cells.push(Cell { bounds, corners: from as u32..self.corners.len() as u32 });
    }
}

/// Removes the rounding noise of an axis-parallel direction.
fn snap(n: Point2) -> Point2 {
    n.map(|v| if v.abs() < 1e-14 { 0.0 } else { v })
}

#[cfg(test)]
mod tests {
    use super::super::super::rng::Rng;
    use super::super::{NfpCache, Placement, Shape};
    use super::*;

    /// The stretches of a line end where the depth begins, whatever the line and the turns.
    #[test]
    fn a_line_is_forbidden_where_there_is_depth() {
        let mut rng = Rng::new(5);
        let star = |rng: &mut Rng| {
            let corner = |k: u32| {
                let a = f64::from(k) * 0.25 * std::f64::consts::PI;
                let r = rng.between(3.0, 12.0);
                [r * a.cos(), r * a.sin()]
            };
            Shape::upright((0..8).map(corner).collect())
        };
        let outlines: Vec<Shape> = (0..4).map(|_| star(&mut rng)).collect();
        let nfps = NfpCache::new(&outlines, 8, 1.0);
        let mut met = 0;
        for _ in 0..300 {
            let placement = |rng: &mut Rng| Placement {
                outline: rng.below(4),
                turn: rng.below(8),
                at: [rng.between(0.0, 20.0), rng.between(0.0, 20.0)],
            };
            let (mover, other) = (placement(&mut rng), placement(&mut rng));
            let angle = rng.below(16) as f64 * std::f64::consts::TAU / 16.0;
            let u = if rng.below(2) == 0 { [1.0, 0.0] } else { [angle.cos(), angle.sin()] };
            let rel = nfps.relation(&mover, &other);
            let on = |s: f64| rel.offset([mover.at[0] + s * u[0], mover.at[1] + s * u[1]]);
            let mut seen = vec![(0.0, 0.0); rel.table.cells.len()];
            rel.table.crossings(on(0.0), rel.direction(u), |cell, lo, hi| {
                seen[cell as usize] = (lo, hi);
                met += 1;
            });
            for (cell, (lo, hi)) in seen.into_iter().enumerate() {
                for s in (-500..500).map(|k| f64::from(k) * 0.1) {
                    let deep = rel.table.depth_in(cell as u32, on(s)) > 1e-9;
                    let inside = lo + 1e-6 < s && s < hi - 1e-6;
                    let outside = s < lo - 1e-6 || s > hi + 1e-6 || lo == hi;
                    assert!(if deep { !outside } else { !inside }, "{s} of {lo}..{hi}");
                }
            }
        }
        assert!(met > 500, "{met} stretches");
    }

    /// Corners and walls of a cell one by one, without the copies that fill up its last block.
    fn plain(table: &NfpTable, cell: &Cell) -> Vec<(Point2, Point2)> {
        let blocks = table.corners_of(cell).iter();
        let mut all: Vec<(Point2, Point2)> = blocks
            .flat_map(|c| (0..LANES).map(|k| ([c.x[k], c.y[k]], [c.nx[k], c.ny[k]])))
            .collect();
        all.dedup();
        all
    }

    /// Depth in lanes against the definition, wall by wall; stretches against the line cut by
    /// one wall after the other (Cyrus & Beck 1978).
    #[test]
    fn lanes_agree_with_one_wall_at_a_time() {
        let mut rng = Rng::new(8);
        let shape = |rng: &mut Rng| {
            let n = 3 + rng.below(7);
            let corner = |k: usize| {
                let a = k as f64 * std::f64::consts::TAU / n as f64;
                let r = rng.between(2.0, 9.0);
                [r * a.cos(), r * a.sin()]
            };
            Shape::upright((0..n).map(corner).collect())
        };
        let shapes: Vec<Shape> = (0..5).map(|_| shape(&mut rng)).collect();
        let nfps = NfpCache::new(&shapes, 4, 0.8);
        let mut inside = 0;
        for _ in 0..2000 {
            let any = |rng: &mut Rng| [rng.between(-20.0, 20.0), rng.between(-20.0, 20.0)];
            let place = |rng: &mut Rng| Placement {
                outline: rng.below(5),
                turn: rng.below(4),
                at: [0.0, 0.0],
            };
            let (a, b) = (place(&mut rng), place(&mut rng));
            let table = &nfps.relation(&a, &b).table;
            let (d, angle) = (any(&mut rng), rng.between(0.0, std::f64::consts::TAU));
            let u = [angle.cos(), angle.sin()];
            for cell in &table.cells {
                let walls = plain(table, cell);
                let room =
                    |(at, n): &(Point2, Point2)| n[0] * (at[0] - d[0]) + n[1] * (at[1] - d[1]);
                let depth = walls.iter().map(room).fold(f64::INFINITY, f64::min).max(0.0);
                assert!((table.cell_depth(cell, d) - depth).abs() < 1e-12);
                inside += usize::from(depth > 0.0);
                let (mut lo, mut hi) = (f64::NEG_INFINITY, f64::INFINITY);
                for wall in &walls {
                    let along = wall.1[0] * u[0] + wall.1[1] * u[1];
                    let s = room(wall) / along;
                    if along > 0.0 {
                        hi = hi.min(s);
                    } else {
                        lo = lo.max(s);
                    }
                }
                match stretch(table.corners_of(cell), d, u) {
                    Some((from, to)) => {
                        assert!((from - lo).abs() < 1e-6 && (to - hi).abs() < 1e-6);
                    }
                    None => assert!(hi - lo < 1e-6),
                }
            }
        }
        assert!(inside > 200, "{inside}");
    }
}
