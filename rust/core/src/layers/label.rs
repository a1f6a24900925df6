//! Connected regions of one layer, solid and void, and how they meet those of the layer above.
//!
//! Pixels are joined through their faces. Runs of pixels are labelled with a union–find over
//! neighbouring rows (run labelling as in He, Chao & Suzuki 2008, 10.1109/TIP.2008.919369).

use super::grid::Grid;
use super::grid::SUBPIXEL;
use super::spans::{Layer, Span};
use crate::disjoint_sets::DisjointSets;
use crate::mesh::Point;
use serde::{Deserialize, Serialize};

/// The void that reaches the side of the grid.
pub(super) const OUTSIDE: u32 = u32::MAX;

/// A connected piece of a layer's solid. Lengths and areas are finer than a pixel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Region {
    /// Its layer.
    pub layer: u32,
    /// Number of pixels whose centre is solid.
    pub pixels: u32,
    /// Area, mm².
    pub area_mm2: f64,
    /// Length of its outline, holes included, mm; about 1 % true for shapes of many pixels.
    pub perimeter_mm: f64,
    /// Centroid (x, y), mm.
    pub centroid_mm: [f64; 2],
    /// Second moments of area about the centroid: ∫x², ∫y², ∫xy, mm⁴.
    pub moments_mm4: [f64; 3],
    /// Least x and y, mm.
    pub min_mm: [f64; 2],
    /// Greatest x and y, mm.
    pub max_mm: [f64; 2],
}

impl Region {
    /// Centroid at the height of the layer's middle.
    pub fn place(&self, grid: &Grid) -> Point {
        Point::new(self.centroid_mm[0], self.centroid_mm[1], grid.z_mm(self.layer))
    }
}

/// A connected piece of a layer's void that does not reach the side within the layer.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct VoidRegion {
    /// Its layer.
    pub layer: u32,
    /// Number of pixels.
    pub pixels: u32,
    /// Area, mm².
    pub area_mm2: f64,
    /// Centroid (x, y), mm.
    pub centroid_mm: [f64; 2],
    /// Whether film, plate and solid close it while this layer prints.
    pub sealed: bool,
}

/// A run of pixels of a row. Spans with no free pixel between them share one.
#[derive(Clone, Copy)]
pub(super) struct RowRun {
    /// First pixel, one past the last.
    pub(super) pixels: (u32, u32),
    /// Sub-pixel ends.
    x: (u32, u32),
    /// Number of the run's region in its layer.
    pub(super) region: u32,
    /// Number of the void region between this run and the next of its row, or [`OUTSIDE`].
    pub(super) gap: u32,
}

/// A layer with its regions found.
pub(super) struct Labelled {
    first_row: u32,
    starts: Vec<u32>,
    runs: Vec<RowRun>,
    pub(super) regions: Vec<Region>,
    pub(super) voids: Vec<VoidRegion>,
    /// Length of spans that hold no pixel's centre, sub-pixels.
    pub(super) thin: u64,
}

impl Labelled {
    /// A layer without solid.
    pub(super) fn nothing() -> Labelled {
        Labelled {
            first_row: 0,
            starts: vec![0],
            runs: Vec::new(),
            regions: Vec::new(),
            voids: Vec::new(),
            thin: 0,
        }
    }

    pub(super) fn new(layer: &Layer, k: u32, grid: &Grid) -> Labelled {
        let mut out = Labelled { first_row: layer.rows().start, ..Labelled::nothing() };
        for row in layer.rows() {
            let start = out.runs.len();
            for s in layer.row(row) {
                let pixels = s.pixels();
                if pixels.0 == pixels.1 {
                    out.thin += u64::from(s.length());
                    continue;
                }
                match out.runs[start..].last_mut() {
                    Some(last) if last.pixels.1 == pixels.0 => {
                        last.pixels.1 = pixels.1;
                        last.x.1 = s.x1;
                    }
                    _ => out.runs.push(RowRun { pixels, x: (s.x0, s.x1), region: 0, gap: OUTSIDE }),
                }
            }
            out.starts.push(out.runs.len() as u32);
        }
        out.label_solid(layer, k, grid);
        out.label_void(k, grid);
        out
    }

    /// The regions as layers of their own, in the order of `regions`.
    fn pieces(&self, layer: &Layer) -> Vec<Layer> {
        if self.regions.len() == 1 && self.thin == 0 {
            return vec![layer.clone()];
        }
        let mut rows: Vec<Vec<(u32, Span)>> = vec![Vec::new(); self.regions.len()];
        for row in self.rows() {
            let mut spans = layer.row(row).iter().peekable();
            for run in self.row(row) {
                while let Some(s) = spans.next_if(|s| s.x1 <= run.x.1) {
                    // Spans too thin to hold a pixel's centre lie between runs.
                    if s.x0 >= run.x.0 {
                        rows[run.region as usize].push((row, *s));
                    }
                }
            }
        }
        let cut = |rows: Vec<(u32, Span)>| {
            let range = match (rows.first(), rows.last()) {
                (Some(a), Some(b)) => a.0..b.0 + 1,
                _ => 0..0,
            };
            let mut rest = rows.into_iter().peekable();
            Layer::from_rows(range, |row, out| {
                while let Some((_, span)) = rest.next_if(|r| r.0 == row) {
                    out.push(span);
                }
            })
        };
        rows.into_iter().map(cut).collect()
    }

    fn row_count(&self) -> usize {
        self.starts.len() - 1
    }

    fn range(&self, r: usize) -> std::ops::Range<usize> {
        self.starts[r] as usize..self.starts[r + 1] as usize
    }

    /// The runs of a row of the grid.
    pub(super) fn row(&self, row: u32) -> &[RowRun] {
        match row.checked_sub(self.first_row) {
            Some(r) if (r as usize) < self.row_count() => &self.runs[self.range(r as usize)],
            _ => &[],
        }
    }

    pub(super) fn rows(&self) -> std::ops::Range<u32> {
        self.first_row..self.first_row + self.row_count() as u32
    }

    fn label_solid(&mut self, layer: &Layer, k: u32, grid: &Grid) {
        let n = self.runs.len();
        let mut sets = DisjointSets::new(n);
        // Outline length is gathered on runs first, since regions are not known yet.
        let mut outline = vec![0.0; n];
        let cap = f64::from(SUBPIXEL);
        let nothing = 0..0;
        for r in 0..=self.row_count() {
            let below = if r == 0 { nothing.clone() } else { self.range(r - 1) };
            let above = if r == self.row_count() { nothing.clone() } else { self.range(r) };
            let (mut i, mut j) = (below.start, above.start);
            let (mut met_i, mut met_j) = (false, false);
            while i < below.end || j < above.end {
                let (a, b) = (self.runs.get(i), self.runs.get(j));
                let a = a.filter(|_| i < below.end);
                let b = b.filter(|_| j < above.end);
                let (first_ends_below, meets) = match (a, b) {
                    (Some(a), Some(b)) => (a.x.1 <= b.x.1, meet(a.pixels, b.pixels)),
                    (a, _) => (a.is_some(), false),
                };
                if let (true, Some(a), Some(b)) = (meets, a, b) {
                    sets.join(i, j);
                    // Left ends continue each other unless one run already met a neighbour; then
                    // the gap between the two is closed by a cap.
                    outline[i] += match (met_i, met_j) {
                        (false, false) => slanted(a.x.0, b.x.0),
                        (true, _) => f64::from(b.x.0.saturating_sub(self.runs[j - 1].x.1)) + cap,
                        (_, true) => f64::from(a.x.0.saturating_sub(self.runs[i - 1].x.1)) + cap,
                    };
                    // Right ends continue each other when no further neighbour follows on either.
                    let next_a = (i + 1 < below.end).then(|| self.runs[i + 1]);
                    let next_b = (j + 1 < above.end).then(|| self.runs[j + 1]);
                    let more = next_a.is_some_and(|n| meet(n.pixels, b.pixels))
                        || next_b.is_some_and(|n| meet(a.pixels, n.pixels));
                    if !more {
                        outline[i] += slanted(a.x.1, b.x.1);
                    }
                    (met_i, met_j) = (true, true);
                }
                let lone = |run: &RowRun| f64::from(run.x.1 - run.x.0) + cap;
                if first_ends_below {
                    if let (false, Some(a)) = (met_i, a) {
                        outline[i] += lone(a);
                    }
                    (i, met_i) = (i + 1, false);
                    // The other run stays met only if it reaches into the next one.
                    met_j = met_j && a.zip(b).is_some_and(|(a, b)| meet(a.pixels, b.pixels));
                } else {
                    if let (false, Some(b)) = (met_j, b) {
                        outline[j] += lone(b);
                    }
                    (j, met_j) = (j + 1, false);
                    met_i = met_i && a.zip(b).is_some_and(|(a, b)| meet(a.pixels, b.pixels));
                }
            }
        }
        let count = sets.number(|i, label| self.runs[i].region = label);
        let mut sums = vec![Sums::default(); count];
        for r in 0..self.row_count() {
            let row = self.first_row + r as u32;
            let mut spans = layer.row(row).iter();
            for i in self.range(r) {
                let run = self.runs[i];
                let sum = &mut sums[run.region as usize];
                sum.outline += outline[i];
                sum.pixels += run.pixels.1 - run.pixels.0;
                for s in spans.by_ref() {
                    if s.x0 >= run.x.0 {
                        sum.add(s.x0, s.x1, row);
                    }
                    if s.x1 == run.x.1 {
                        break;
                    }
                }
            }
        }
        self.regions = sums.iter().map(|s| s.region(k, grid)).collect();
    }

    fn label_void(&mut self, k: u32, grid: &Grid) {
        // Set 0 is the outside; gap i lies between runs i and i + 1 of a row.
        let gap = |runs: &[RowRun], i: usize| (runs[i].pixels.1, runs[i + 1].pixels.0);
        let has_gaps = (0..self.row_count()).any(|r| self.range(r).len() > 1);
        if !has_gaps {
            return;
        }
        let mut sets = DisjointSets::new(self.runs.len() + 1);
        for r in 0..self.row_count() {
            let here = self.range(r);
            for i in here.start..here.end.saturating_sub(1) {
                let this = gap(&self.runs, i);
                for other in [r.checked_sub(1), (r + 1 < self.row_count()).then_some(r + 1)] {
                    let there = other.map_or(0..0, |o| self.range(o));
                    let open = there.is_empty()
                        || this.0 < self.runs[there.start].pixels.0
                        || this.1 > self.runs[there.end - 1].pixels.1;
                    if open {
                        sets.join(0, i + 1);
                    }
                }
            }
            if r == 0 {
                continue;
            }
            let below = self.range(r - 1);
            let (mut i, mut j) = (below.start, here.start);
            while i + 1 < below.end && j + 1 < here.end {
                let (a, b) = (gap(&self.runs, i), gap(&self.runs, j));
                if meet(a, b) {
                    sets.join(i + 1, j + 1);
                }
                if a.1 <= b.1 { i += 1 } else { j += 1 }
            }
        }
        let outside = sets.root(0);
        let mut labels = vec![OUTSIDE; self.runs.len() + 1];
        let mut sums: Vec<Sums> = Vec::new();
        for r in 0..self.row_count() {
            let here = self.range(r);
            for i in here.start..here.end.saturating_sub(1) {
                let root = sets.root(i + 1);
                if root == outside {
                    continue;
                }
                if labels[root] == OUTSIDE {
                    labels[root] = sums.len() as u32;
                    sums.push(Sums::default());
                }
                self.runs[i].gap = labels[root];
                let sum = &mut sums[labels[root] as usize];
                let (p0, p1) = gap(&self.runs, i);
                sum.pixels += p1 - p0;
                sum.add(self.runs[i].x.1, self.runs[i + 1].x.0, self.first_row + r as u32);
            }
        }
        self.voids = sums
            .iter()
            .map(|s| {
                let region = s.region(k, grid);
                VoidRegion {
                    layer: k,
                    pixels: region.pixels,
                    area_mm2: region.area_mm2,
                    centroid_mm: region.centroid_mm,
                    sealed: false,
                }
            })
            .collect();
    }

    /// Which regions of this layer share a pixel's face with regions of the layer above it:
    /// sorted pairs (here, above).
    pub(super) fn solid_contacts(&self, above: &Labelled) -> Vec<(u32, u32)> {
        let mut out = Vec::new();
        for row in common(self.rows(), above.rows()) {
            let (a, b) = (self.row(row), above.row(row));
            let (mut i, mut j) = (0, 0);
            while i < a.len() && j < b.len() {
                if meet(a[i].pixels, b[j].pixels) {
                    push_new(&mut out, (a[i].region, b[j].region));
                }
                if a[i].pixels.1 <= b[j].pixels.1 { i += 1 } else { j += 1 }
            }
        }
        out.sort_unstable();
        out.dedup();
        out
    }

    /// The same for void regions; [`OUTSIDE`] stands for the void that reaches the side.
    pub(super) fn void_contacts(&self, above: &Labelled) -> Vec<(u32, u32)> {
        if self.voids.is_empty() && above.voids.is_empty() {
            return Vec::new();
        }
        let mut out = Vec::new();
        let (a, b) = (self.rows(), above.rows());
        let (mut mine, mut theirs) = (Vec::new(), Vec::new());
        for row in a.start.min(b.start)..a.end.max(b.end) {
            let (a, b) = (self.row(row), above.row(row));
            if a.len() < 2 && b.len() < 2 {
                continue;
            }
            free(a, &mut mine);
            free(b, &mut theirs);
            let (mut i, mut j) = (0, 0);
            while i < mine.len() && j < theirs.len() {
                let (p, label) = mine[i];
                let (q, other) = theirs[j];
                if meet(p, q) && (label, other) != (OUTSIDE, OUTSIDE) {
                    push_new(&mut out, (label, other));
                }
                if p.1 <= q.1 { i += 1 } else { j += 1 }
            }
        }
        out.sort_unstable();
        out.dedup();
        out
    }
}

/// A row's free stretches with their void regions, from side to side.
fn free(row: &[RowRun], out: &mut Vec<((u32, u32), u32)>) {
    out.clear();
    let mut start = 0;
    let mut label = OUTSIDE;
    for run in row {
        out.push(((start, run.pixels.0), label));
        (start, label) = (run.pixels.1, run.gap);
    }
    out.push(((start, u32::MAX), OUTSIDE));
}

impl Layer {
    /// The connected regions of this layer, in the order in which a
    /// [`Survey`](super::Survey) lists them.
    pub fn pieces(&self, grid: &Grid) -> Vec<Layer> {
        Labelled::new(self, 0, grid).pieces(self)
    }

    /// The regions of this layer, number `k`, that share no pixel with the layer below it, each
    /// with its outline: what a [`Survey`](super::Survey) calls islands.
    pub fn islands(&self, below: &Layer, k: u32, grid: &Grid) -> Vec<(Region, Layer)> {
        let here = Labelled::new(self, k, grid);
        let mut carried = vec![false; here.regions.len()];
        for row in here.rows() {
            let under = below.row(row);
            for run in here.row(row) {
                let touches = |s: &Span| {
                    let (a, b) = s.pixels();
                    a < b && meet(run.pixels, (a, b))
                };
                carried[run.region as usize] |= under.iter().any(touches);
            }
        }
        if carried.iter().all(|&c| c) {
            return Vec::new();
        }
        let pieces = here.regions.iter().copied().zip(here.pieces(self)).zip(carried);
        pieces.filter_map(|(piece, carried)| (!carried).then_some(piece)).collect()
    }
}

fn meet(a: (u32, u32), b: (u32, u32)) -> bool {
    a.0 < b.1 && b.0 < a.1
}

fn common(a: std::ops::Range<u32>, b: std::ops::Range<u32>) -> std::ops::Range<u32> {
    a.start.max(b.start)..a.end.min(b.end)
}

/// Contacts of neighbouring rows repeat; keeping only changes keeps the list short.
fn push_new(out: &mut Vec<(u32, u32)>, pair: (u32, u32)) {
    if out.last() != Some(&pair) {
        out.push(pair);
    }
}

/// Outline between ends in neighbouring rows, sub-pixels.
fn slanted(a: u32, b: u32) -> f64 {
    f64::from(a.abs_diff(b)).hypot(f64::from(SUBPIXEL))
}

/// Running integrals of a region in pixels from the grid's corner.
#[derive(Clone, Default)]
struct Sums {
    pixels: u32,
    length: u64,
    outline: f64,
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
    columns: Option<(u32, u32)>,
    rows: (u32, u32),
}

impl Sums {
    fn add(&mut self, x0: u32, x1: u32, row: u32) {
        let (a, b) = (f64::from(x0) / f64::from(SUBPIXEL), f64::from(x1) / f64::from(SUBPIXEL));
        let (w, m, y) = (b - a, 0.5 * (a + b), f64::from(row) + 0.5);
        self.length += u64::from(x1 - x0);
        self.x += w * m;
        self.y += w * y;
        self.xx += w * (m * m + w * w / 12.0);
        self.yy += w * (y * y + 1.0 / 12.0);
        self.xy += w * m * y;
        let (first, last) = self.columns.unwrap_or((x0, x1));
        if self.columns.is_none() {
            self.rows = (row, row);
        }
        self.columns = Some((first.min(x0), last.max(x1)));
        self.rows = (self.rows.0.min(row), self.rows.1.max(row));
    }

    fn region(&self, layer: u32, grid: &Grid) -> Region {
        let p = grid.pitch_mm;
        let sub = p / f64::from(SUBPIXEL);
        let area = self.length as f64 / f64::from(SUBPIXEL);
        let (cx, cy) = if area > 0.0 { (self.x / area, self.y / area) } else { (0.0, 0.0) };
        let (x0, x1) = self.columns.unwrap_or_default();
        let about = |sum: f64, shift: f64| (sum - area * shift) * p.powi(4);
        Region {
            layer,
            pixels: self.pixels,
            area_mm2: area * p * p,
            perimeter_mm: self.outline * sub,
            centroid_mm: [grid.x0_mm + cx * p, grid.y0_mm + cy * p],
            moments_mm4: [
                about(self.xx, cx * cx),
                about(self.yy, cy * cy),
                about(self.xy, cx * cy),
            ],
            min_mm: [grid.x0_mm + f64::from(x0) * sub, grid.y0_mm + f64::from(self.rows.0) * p],
            max_mm: [grid.x0_mm + f64::from(x1) * sub, grid.y0_mm + f64::from(self.rows.1 + 1) * p],
        }
    }
}
