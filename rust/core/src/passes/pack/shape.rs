//! What can touch what: outlines cut into convex pieces, and for every pair of outlines the
//! places where they would overlap.
//!
//! For two convex pieces the forbidden offsets form a convex polygon, the Minkowski sum of one
//! and the mirrored other (the no-fit polygon; Cuninghame-Green 1989). It is kept by its corners
//! and walls: the depth of an offset in it is how far the pieces must move apart. Nothing is
//! rounded to a grid and no polygon boolean is needed, so "no overlap" is exact up to
//! [`Catalogue::slack_mm`].

use super::polygon::{
    Point2, bounds, convex_pieces, cross, dot, mirrored_sum, signed_area_mm2, tidy,
};
use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};
use std::sync::{Arc, PoisonError, RwLock};

/// A closed outline and the heights over which it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Ring {
    /// Corners, mm; either direction.
    pub points: Vec<Point2>,
    /// From and to, mm above the plate.
    pub z_mm: [f64; 2],
}

impl Ring {
    /// An outline that holds at every height.
    pub fn upright(points: Vec<Point2>) -> Ring {
        Ring { points, z_mm: [f64::NEG_INFINITY, f64::INFINITY] }
    }
}

#[derive(Clone, Debug)]
struct Piece {
    ring: Vec<Point2>,
    z_mm: [f64; 2],
}

/// One outline, centred on its box at turn 0.
#[derive(Clone, Debug)]
pub(super) struct Kind {
    pieces: Vec<Piece>,
    /// Sum of the pieces' areas, mm²; layered outlines count their largest layer.
    pub(super) area_mm2: f64,
    /// Where the reference point (the box's centre) was in the coordinates given.
    pub(super) center: Point2,
    /// Box at each turn.
    pub(super) boxes: Vec<[f64; 4]>,
}

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
pub(super) struct Table {
    bounds: [f64; 4],
    cells: Vec<Cell>,
    corners: Vec<Corners>,
}

fn outside(b: &[f64; 4], p: Point2) -> bool {
    p[0] <= b[0] || p[0] >= b[2] || p[1] <= b[1] || p[1] >= b[3]
}

impl Table {
    /// How deep an offset lies in the forbidden places, summed over pairs of pieces, mm.
    pub(super) fn depth(&self, d: Point2) -> f64 {
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
    pub(super) fn crossings(&self, p: Point2, u: Point2, mut each: impl FnMut(u32, f64, f64)) {
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

    fn bytes(&self) -> usize {
        size_of_val(&*self.cells) + size_of_val(&*self.corners)
    }

    /// Depth of an offset in one pair of pieces, as [`Table::crossings`] numbers them, mm.
    pub(super) fn depth_in(&self, cell: u32, d: Point2) -> f64 {
        self.cell_depth(&self.cells[cell as usize], d)
    }

    /// Directions of the walls within `reach` of an offset: along these it can slide.
    pub(super) fn slides(&self, d: Point2, reach: f64, out: &mut Vec<Point2>) {
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

/// All outlines of a packing task with their pair tables, which are made when first asked for.
pub(super) struct Catalogue {
    pub(super) kinds: Vec<Kind>,
    /// Cosine and sine of each turn.
    turns: Vec<Point2>,
    /// Distance that outlines nearer than count as overlapping, mm.
    reach_mm: f64,
    /// Depths up to this count as touching: well above rounding, well below anything printed.
    pub(super) slack_mm: f64,
    tables: RwLock<Shelf>,
}

/// Tables made so far, by kinds and turn. When they outgrow their share of memory all are
/// forgotten; they are made again when asked for, so only time depends on it.
#[derive(Default)]
struct Shelf {
    tables: HashMap<usize, Arc<Table>, BuildHasherDefault<Mix>>,
    bytes: usize,
}

/// Numbers a table by one multiplication (Fibonacci hashing): the search asks for millions.
#[derive(Default)]
struct Mix(u64);

impl Hasher for Mix {
    fn write(&mut self, _: &[u8]) {
        unreachable!("keys are single numbers");
    }

    fn write_usize(&mut self, key: usize) {
        self.0 = (key as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    }

    fn finish(&self) -> u64 {
        self.0.rotate_left(32)
    }
}

/// Memory that tables may take.
const SHELF_BYTES: usize = 400 << 20;

/// Where an outline is: its kind, its turn (a count of steps) and its reference point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spot {
    pub(super) kind: usize,
    pub(super) turn: usize,
    pub(super) at: Point2,
}

impl Catalogue {
    /// Outlines that must stay `gap_mm` apart and may take `turns` equal steps of a full turn.
    pub(super) fn new(outlines: &[Vec<Ring>], turns: usize, gap_mm: f64) -> Catalogue {
        let turns: Vec<Point2> = (0..turns.max(1)).map(|k| step(k, turns.max(1))).collect();
        let kinds: Vec<Kind> = outlines.iter().map(|o| Kind::new(o, &turns)).collect();
        let size = kinds.iter().map(|k| k.boxes[0][2] - k.boxes[0][0]).fold(1e-3, f64::max);
        let slack_mm = 1e-8 * size;
        // Without a gap the tables are wider by more than the slack, so that what is accepted is
        // truly apart.
        let reach_mm = if gap_mm > slack_mm { gap_mm } else { 2.0 * slack_mm };
        Catalogue { kinds, turns, reach_mm, slack_mm, tables: RwLock::default() }
    }

    pub(super) fn turn_count(&self) -> usize {
        self.turns.len()
    }

    /// The table of kinds a ≤ b with b turned by `turn` steps against a.
    fn table(&self, a: usize, b: usize, turn: usize) -> Arc<Table> {
        let key = (a * self.kinds.len() + b) * self.turns.len() + turn;
        let shelf = self.tables.read().unwrap_or_else(PoisonError::into_inner);
        if let Some(table) = shelf.tables.get(&key) {
            return Arc::clone(table);
        }
        drop(shelf);
        let (p, q) = (&self.kinds[a], &self.kinds[b]);
        let table = Arc::new(Table::new(p, q, self.turns[turn], self.reach_mm));
        let mut shelf = self.tables.write().unwrap_or_else(PoisonError::into_inner);
        if shelf.bytes > SHELF_BYTES {
            *shelf = Shelf::default();
        }
        shelf.bytes += table.bytes();
        shelf.tables.insert(key, Arc::clone(&table));
        table
    }

    /// The table in which `mover` against `other` is looked up, and the map from the mover's
    /// place to that table's offsets: d = m·(at − origin).
    pub(super) fn relation(&self, mover: &Spot, other: &Spot) -> Relation {
        let n = self.turns.len();
        // The table's first outline is at rest and unturned, so offsets turn back by its angle.
        let (first, second, sign) =
            if other.kind <= mover.kind { (other, mover, 1.0) } else { (mover, other, -1.0) };
        let table = self.table(first.kind, second.kind, (second.turn + n - first.turn) % n);
        let [c, s] = self.turns[first.turn];
        Relation { table, row: [sign * c, sign * s], origin: other.at }
    }

    /// Depth of overlap of two outlines, mm; 0 when they are at least the gap apart.
    pub(super) fn overlap(&self, a: &Spot, b: &Spot) -> f64 {
        let depth = self.relation(a, b).depth(a.at);
        if depth > self.slack_mm { depth } else { 0.0 }
    }

    /// Where the origin of the outline's own coordinates lands.
    pub(super) fn origin(&self, spot: &Spot) -> Point2 {
        let c = rotate(self.turns[spot.turn], self.kinds[spot.kind].center);
        [spot.at[0] - c[0], spot.at[1] - c[1]]
    }
}

/// A pair table seen from the mover.
pub(super) struct Relation {
    pub(super) table: Arc<Table>,
    row: Point2,
    origin: Point2,
}

impl Relation {
    /// Turns a direction of the plate into the table's.
    pub(super) fn direction(&self, u: Point2) -> Point2 {
        let [c, s] = self.row;
        [c * u[0] + s * u[1], c * u[1] - s * u[0]]
    }

    /// Turns a direction of the table into the plate's (up to its sign).
    pub(super) fn direction_back(&self, u: Point2) -> Point2 {
        let [c, s] = self.row;
        [c * u[0] - s * u[1], c * u[1] + s * u[0]]
    }

    /// The offset in the table when the mover stands at `at`.
    pub(super) fn offset(&self, at: Point2) -> Point2 {
        self.direction([at[0] - self.origin[0], at[1] - self.origin[1]])
    }

    pub(super) fn depth(&self, at: Point2) -> f64 {
        self.table.depth(self.offset(at))
    }
}

/// Cosine and sine of k/n of a full turn, exact at quarter turns.
fn step(k: usize, n: usize) -> Point2 {
    match (4 * k) % (4 * n) {
        q if q % n == 0 => [[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]][(q / n) % 4],
        _ => {
            let a = std::f64::consts::TAU * k as f64 / n as f64;
            [a.cos(), a.sin()]
        }
    }
}

fn rotate([c, s]: Point2, p: Point2) -> Point2 {
    [c * p[0] - s * p[1], s * p[0] + c * p[1]]
}

impl Kind {
    fn new(outline: &[Ring], turns: &[Point2]) -> Kind {
        let b = bounds(outline.iter().flat_map(|r| &r.points));
        let center = [(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0];
        let mut pieces = Vec::new();
        for ring in outline {
            let moved: Vec<Point2> =
                ring.points.iter().map(|p| [p[0] - center[0], p[1] - center[1]]).collect();
            let parts = convex_pieces(&tidy(&moved));
            pieces.extend(parts.into_iter().map(|ring_| Piece { ring: ring_, z_mm: ring.z_mm }));
        }
        let boxes = turns
            .iter()
            .map(|&r| {
                let turned: Vec<Point2> =
                    pieces.iter().flat_map(|p| &p.ring).map(|&p| rotate(r, p)).collect();
                bounds(&turned)
            })
            .collect();
        let area_mm2 = band_area(&pieces);
        Kind { pieces, area_mm2, center, boxes }
    }
}

/// Area of the largest band of heights, mm².
fn band_area(pieces: &[Piece]) -> f64 {
    let mut bands: Vec<([f64; 2], f64)> = Vec::new();
    for p in pieces {
        let area = signed_area_mm2(&p.ring);
        match bands.iter_mut().find(|(z, _)| *z == p.z_mm) {
            Some((_, a)) => *a += area,
            None => bands.push((p.z_mm, area)),
        }
    }
    bands.iter().map(|b| b.1).fold(0.0, f64::max)
}

impl Table {
    fn new(a: &Kind, b: &Kind, turn: Point2, gap: f64) -> Table {
        let mut t = Table::default();
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
    use super::super::rng::Rng;
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
            vec![Ring::upright((0..8).map(corner).collect())]
        };
        let outlines: Vec<Vec<Ring>> = (0..4).map(|_| star(&mut rng)).collect();
        let cat = Catalogue::new(&outlines, 8, 1.0);
        let mut met = 0;
        for _ in 0..300 {
            let spot = |rng: &mut Rng| Spot {
                kind: rng.below(4),
                turn: rng.below(8),
                at: [rng.between(0.0, 20.0), rng.between(0.0, 20.0)],
            };
            let (mover, other) = (spot(&mut rng), spot(&mut rng));
            let angle = rng.below(16) as f64 * std::f64::consts::TAU / 16.0;
            let u = if rng.below(2) == 0 { [1.0, 0.0] } else { [angle.cos(), angle.sin()] };
            let rel = cat.relation(&mover, &other);
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
}
