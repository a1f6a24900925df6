//! What can touch what: outlines cut into convex pieces, and for every pair of outlines the
//! places where they would overlap.
//!
//! For two convex pieces the forbidden offsets form a convex polygon, the Minkowski sum of one
//! and the mirrored other (the no-fit polygon; Cuninghame-Green 1989). It is kept by its corners
//! and walls: the depth of an offset in it is how far the pieces must move apart. Nothing is
//! rounded to a grid and no polygon boolean is needed, so "no overlap" is exact up to
//! [`NfpCache::slack_mm`].

mod table;

pub(super) use table::NfpTable;

use super::polygon::{Point2, bounds, convex_pieces, signed_area_mm2, tidy};
use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};
use std::ops::Deref;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, OnceLock, PoisonError, RwLock};

/// A closed outline and the heights over which it holds.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ring {
    /// Corners, mm; either direction.
    pub points: Vec<Point2>,
    /// From and to, mm above the plate.
    pub z_mm: [f64; 2],
}

impl Ring {
    /// An outline that holds at every height.
    pub(super) fn upright(points: Vec<Point2>) -> Ring {
        Ring { points, z_mm: [f64::NEG_INFINITY, f64::INFINITY] }
    }
}

/// What the packer is told of an outline.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Shape {
    pub(super) rings: Vec<Ring>,
    /// How far the rings may lie inside the true outline, mm.
    pub(super) short_mm: f64,
    /// Points whose box at any turn holds everything; empty: the rings' own.
    pub(super) extent: Vec<Point2>,
}

impl Shape {
    /// A true outline for all heights.
    pub(super) fn upright(points: Vec<Point2>) -> Shape {
        Shape { rings: vec![Ring::upright(points)], short_mm: 0.0, extent: Vec::new() }
    }
}

#[derive(Clone, Debug)]
struct Piece {
    ring: Vec<Point2>,
    z_mm: [f64; 2],
}

/// One outline, centred on its box at turn 0.
#[derive(Clone, Debug)]
pub(super) struct Outline {
    pieces: Vec<Piece>,
    /// Sum of the pieces' areas, mm²; layered outlines count their largest layer.
    pub(super) area_mm2: f64,
    /// Where the reference point (the box's centre) was in the coordinates given.
    pub(super) center: Point2,
    /// How far the pieces may lie inside the true outline, mm.
    pub(super) short_mm: f64,
    /// Box of the true outline at each turn.
    pub(super) boxes: Vec<[f64; 4]>,
}

/// All outlines of a packing task with their pair tables, which are made when first asked for.
pub(super) struct NfpCache {
    pub(super) outlines: Vec<Outline>,
    /// Cosine and sine of each turn.
    turns: Vec<Point2>,
    /// Distance that outlines are kept apart by, mm.
    gap_mm: f64,
    /// Depths up to this count as touching: well above rounding, well below anything printed.
    pub(super) slack_mm: f64,
    /// Tables that stay, by outlines and turn: reading one takes no lock.
    kept: Vec<OnceLock<Box<NfpTable>>>,
    kept_bytes: AtomicUsize,
    /// Tables made when there was no memory left to keep them.
    lent: RwLock<Lent>,
}

/// Tables that may be forgotten. When they outgrow their share of memory all are; they are made
/// again when asked for, so only time depends on it.
#[derive(Default)]
struct Lent {
    tables: HashMap<usize, Arc<NfpTable>, BuildHasherDefault<Mix>>,
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

/// Memory that tables may take: those that stay, and those that are lent.
const KEPT_BYTES: usize = 300 << 20;
const LENT_BYTES: usize = 100 << 20;

/// Places for tables that stay, at most; pairs beyond are lent theirs.
const MOST_KEPT: usize = 1 << 20;

/// Where an outline is: which, its turn (a count of steps) and its reference point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Placement {
    pub(super) outline: usize,
    pub(super) turn: usize,
    pub(super) at: Point2,
}

impl NfpCache {
    /// Outlines that must stay `gap_mm` apart and may take `turns` equal steps of a full turn.
    pub(super) fn new(shapes: &[Shape], turns: usize, gap_mm: f64) -> NfpCache {
        let turns: Vec<Point2> = (0..turns.max(1)).map(|k| step(k, turns.max(1))).collect();
        let outlines: Vec<Outline> = shapes.iter().map(|s| Outline::new(s, &turns)).collect();
        let size = outlines.iter().map(|k| k.boxes[0][2] - k.boxes[0][0]).fold(1e-3, f64::max);
        let places = (outlines.len() * outlines.len() * turns.len()).min(MOST_KEPT);
        NfpCache {
            outlines,
            turns,
            gap_mm,
            slack_mm: 1e-11 * size,
            kept: (0..places).map(|_| OnceLock::new()).collect(),
            kept_bytes: AtomicUsize::new(0),
            lent: RwLock::default(),
        }
    }

    pub(super) fn turn_count(&self) -> usize {
        self.turns.len()
    }

    /// The table of outlines a ≤ b with b turned by `turn` steps against a.
    fn table(&self, a: usize, b: usize, turn: usize) -> Borrowed<'_> {
        let key = (a * self.outlines.len() + b) * self.turns.len() + turn;
        let make = || {
            let (p, q) = (&self.outlines[a], &self.outlines[b]);
            // Without a gap the tables are wider by more than the slack, so that what is accepted
            // is truly apart.
            let reach = (self.gap_mm + p.short_mm + q.short_mm).max(2.0 * self.slack_mm);
            NfpTable::new(p, q, self.turns[turn], reach)
        };
        if let Some(place) = self.kept.get(key) {
            if let Some(table) = place.get() {
                return Borrowed::Kept(table);
            }
            if self.kept_bytes.load(Ordering::Relaxed) < KEPT_BYTES {
                let table = place.get_or_init(|| Box::new(make()));
                self.kept_bytes.fetch_add(table.bytes(), Ordering::Relaxed);
                return Borrowed::Kept(table);
            }
        }
        let lent = self.lent.read().unwrap_or_else(PoisonError::into_inner);
        if let Some(table) = lent.tables.get(&key) {
            return Borrowed::Lent(Arc::clone(table));
        }
        drop(lent);
        let table = Arc::new(make());
        let mut lent = self.lent.write().unwrap_or_else(PoisonError::into_inner);
        if lent.bytes > LENT_BYTES {
            *lent = Lent::default();
        }
        lent.bytes += table.bytes();
        lent.tables.insert(key, Arc::clone(&table));
        Borrowed::Lent(table)
    }

    /// The table in which `mover` against `other` is looked up, and the map from the mover's
    /// place to that table's offsets: d = m·(at − origin).
    pub(super) fn relation(&self, mover: &Placement, other: &Placement) -> Relation<'_> {
        let n = self.turns.len();
        // The table's first outline is at rest and unturned, so offsets turn back by its angle.
        let (first, second, sign) =
            if other.outline <= mover.outline { (other, mover, 1.0) } else { (mover, other, -1.0) };
        let table = self.table(first.outline, second.outline, (second.turn + n - first.turn) % n);
        let [c, s] = self.turns[first.turn];
        Relation { table, row: [sign * c, sign * s], origin: other.at }
    }

    /// Depth of overlap of two outlines, mm; 0 when they are at least the gap apart.
    pub(super) fn overlap(&self, a: &Placement, b: &Placement) -> f64 {
        let depth = self.relation(a, b).depth(a.at);
        if depth > self.slack_mm { depth } else { 0.0 }
    }

    /// Where the origin of the outline's own coordinates lands.
    pub(super) fn origin(&self, placement: &Placement) -> Point2 {
        let c = rotate(self.turns[placement.turn], self.outlines[placement.outline].center);
        [placement.at[0] - c[0], placement.at[1] - c[1]]
    }
}

/// A table of the cache.
pub(super) enum Borrowed<'a> {
    Kept(&'a NfpTable),
    Lent(Arc<NfpTable>),
}

impl Deref for Borrowed<'_> {
    type Target = NfpTable;

    fn deref(&self) -> &NfpTable {
        match self {
            Borrowed::Kept(table) => table,
            Borrowed::Lent(table) => table,
        }
    }
}

/// A pair table seen from the mover.
pub(super) struct Relation<'a> {
    pub(super) table: Borrowed<'a>,
    row: Point2,
    origin: Point2,
}

impl Relation<'_> {
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

impl Outline {
    fn new(shape: &Shape, turns: &[Point2]) -> Outline {
        let b = bounds(shape.rings.iter().flat_map(|r| &r.points));
        let center = [(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0];
        let about = |p: &Point2| [p[0] - center[0], p[1] - center[1]];
        let mut pieces = Vec::new();
        for ring in &shape.rings {
            let moved: Vec<Point2> = ring.points.iter().map(about).collect();
            let parts = convex_pieces(&tidy(&moved));
            pieces.extend(parts.into_iter().map(|part| Piece { ring: part, z_mm: ring.z_mm }));
        }
        let extent: Vec<Point2> = match shape.extent.len() {
            0 => pieces.iter().flat_map(|p| &p.ring).copied().collect(),
            _ => shape.extent.iter().map(about).collect(),
        };
        let at_turn = |&r: &Point2| {
            let turned: Vec<Point2> = extent.iter().map(|&p| rotate(r, p)).collect();
            bounds(&turned)
        };
        let boxes = turns.iter().map(at_turn).collect();
        let area_mm2 = band_area(&pieces);
        Outline { pieces, area_mm2, center, short_mm: shape.short_mm, boxes }
    }

    /// The turn at which its box is least.
    pub(super) fn flattest_turn(&self) -> usize {
        let area = |k: &usize| {
            let b = self.boxes[*k];
            (b[2] - b[0]) * (b[3] - b[1])
        };
        (0..self.boxes.len()).min_by(|a, b| area(a).total_cmp(&area(b))).unwrap_or(0)
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
