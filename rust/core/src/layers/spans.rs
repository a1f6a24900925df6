//! Layers as rows of solid stretches, and the set operations passes need on them.

use super::grid::{Grid, SUBPIXEL};
use serde::{Deserialize, Serialize};

/// A solid stretch of a pixel row, from `x0` to `x1` in sub-pixels from the grid's left edge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Span {
    /// Where it starts.
    pub x0: u32,
    /// Where it ends; never at or before `x0`.
    pub x1: u32,
}

impl Span {
    /// Length in sub-pixels.
    pub fn length(self) -> u32 {
        self.x1 - self.x0
    }

    /// First covered pixel and the one past the last: those whose centre lies inside.
    pub fn pixels(self) -> (u32, u32) {
        let half = SUBPIXEL / 2 - 1;
        ((self.x0 + half) / SUBPIXEL, (self.x1 + half) / SUBPIXEL)
    }
}

/// One layer: sorted, disjoint spans of rows `first_row..`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Layer {
    first_row: u32,
    /// `ends[r]`: number of spans in rows up to and with the r-th.
    ends: Vec<u32>,
    spans: Vec<Span>,
}

impl Layer {
    /// The rows that may hold spans.
    pub fn rows(&self) -> std::ops::Range<u32> {
        self.first_row..self.first_row + self.ends.len() as u32
    }

    /// The spans of a row of the grid; none outside [`Layer::rows`].
    pub fn row(&self, row: u32) -> &[Span] {
        let Some(r) = row.checked_sub(self.first_row).map(|r| r as usize) else { return &[] };
        let Some(&end) = self.ends.get(r) else { return &[] };
        let start = if r == 0 { 0 } else { self.ends[r - 1] };
        &self.spans[start as usize..end as usize]
    }

    /// All spans, row by row.
    pub fn spans(&self) -> &[Span] {
        &self.spans
    }

    /// Whether nothing is solid.
    pub fn is_empty(&self) -> bool {
        self.spans.is_empty()
    }

    /// Total length of all spans in sub-pixels.
    pub fn length(&self) -> u64 {
        self.spans.iter().map(|s| u64::from(s.length())).sum()
    }

    /// Solid area, mm².
    pub fn area_mm2(&self, grid: &Grid) -> f64 {
        self.length() as f64 * grid.pitch_mm * grid.pitch_mm / f64::from(SUBPIXEL)
    }

    /// Whether a place seen from above lies in it.
    pub(crate) fn holds(&self, x_mm: f64, y_mm: f64, grid: &Grid) -> bool {
        let (row, x) = ((y_mm - grid.y0_mm) / grid.pitch_mm, (x_mm - grid.x0_mm) / grid.pitch_mm);
        let x = x * f64::from(SUBPIXEL);
        let inside = |s: &Span| f64::from(s.x0) <= x && x <= f64::from(s.x1);
        row >= 0.0 && self.row(row as u32).iter().any(inside)
    }

    /// Bytes held.
    pub fn bytes(&self) -> usize {
        self.ends.capacity() * 4 + self.spans.capacity() * size_of::<Span>()
    }

    /// Builds a layer row by row; `fill(row, out)` appends the row's sorted, disjoint spans.
    pub fn from_rows(
        rows: std::ops::Range<u32>,
        mut fill: impl FnMut(u32, &mut Vec<Span>),
    ) -> Layer {
        let mut layer = Layer { first_row: rows.start, ..Layer::default() };
        layer.ends.reserve_exact(rows.len());
        for row in rows {
            fill(row, &mut layer.spans);
            layer.ends.push(layer.spans.len() as u32);
        }
        layer.spans.shrink_to_fit();
        layer
    }

    /// What is in this layer or the other.
    pub fn union(&self, other: &Layer) -> Layer {
        if self.is_empty() || other.is_empty() {
            return if self.is_empty() { other.clone() } else { self.clone() };
        }
        let (a, b) = (self.rows(), other.rows());
        let mut both = Vec::new();
        Layer::from_rows(a.start.min(b.start)..a.end.max(b.end), |row, out| {
            both.clear();
            both.extend_from_slice(self.row(row));
            both.extend_from_slice(other.row(row));
            merge_into(&mut both, out);
        })
    }

    /// What is in this layer and in the other.
    pub fn intersection(&self, other: &Layer) -> Layer {
        let (a, b) = (self.rows(), other.rows());
        let start = a.start.max(b.start);
        Layer::from_rows(start..a.end.min(b.end).max(start), |row, out| {
            let (mut a, mut b) = (self.row(row), other.row(row));
            while let (Some(s), Some(t)) = (a.first(), b.first()) {
                let (x0, x1) = (s.x0.max(t.x0), s.x1.min(t.x1));
                if x0 < x1 {
                    out.push(Span { x0, x1 });
                }
                if s.x1 <= t.x1 {
                    a = &a[1..];
                } else {
                    b = &b[1..];
                }
            }
        })
    }

    /// What is in this layer and not in the other.
    pub fn minus(&self, other: &Layer) -> Layer {
        Layer::from_rows(self.rows(), |row, out| {
            let start = out.len();
            out.extend_from_slice(self.row(row));
            subtract(out, start, other.row(row).iter().copied());
        })
    }

    /// Everything within `radius_mm` of this layer's solid, on the grid's rows and columns
    /// (rows are taken at their centres).
    pub fn grown(&self, radius_mm: f64, grid: &Grid) -> Layer {
        let reach = DiscReach::new(radius_mm, grid);
        let rows = self.rows();
        let n = reach.rows();
        let start = rows.start.saturating_sub(n);
        let end = (rows.end + n).min(grid.rows).max(start);
        let limit = grid.columns * SUBPIXEL;
        let mut all = Vec::new();
        Layer::from_rows(start..end, |row, out| {
            all.clear();
            for other in row.saturating_sub(n)..=row + n {
                let by = reach.at(row.abs_diff(other));
                all.extend(self.row(other).iter().map(|s| widened(*s, by, limit)));
            }
            merge_into(&mut all, out);
        })
    }
}

/// How far a disc reaches sideways at each distance in rows.
pub(super) struct DiscReach(Vec<u32>);

impl DiscReach {
    pub(super) fn new(radius_mm: f64, grid: &Grid) -> DiscReach {
        // Nothing on the grid is farther away than its diagonal, whatever is asked.
        let diagonal = f64::from(grid.rows).hypot(f64::from(grid.columns)).ceil();
        let r = (radius_mm / grid.pitch_mm).clamp(0.0, diagonal);
        let half = (0..=r.floor() as u32).map(|d| {
            ((r * r - f64::from(d) * f64::from(d)).max(0.0).sqrt() * f64::from(SUBPIXEL)) as u32
        });
        DiscReach(half.collect())
    }

    /// Distance in rows up to which the disc reaches.
    pub(super) fn rows(&self) -> u32 {
        self.0.len() as u32 - 1
    }

    /// Half width at a distance in rows, sub-pixels.
    pub(super) fn at(&self, rows: u32) -> u32 {
        self.0[rows as usize]
    }
}

pub(super) fn widened(s: Span, by: u32, limit: u32) -> Span {
    Span { x0: s.x0.saturating_sub(by), x1: s.x1.saturating_add(by).min(limit) }
}

/// Sorts spans and appends their union to `out`.
fn merge_into(spans: &mut [Span], out: &mut Vec<Span>) {
    spans.sort_unstable();
    let start = out.len();
    for s in spans.iter() {
        match out[start..].last_mut() {
            Some(last) if s.x0 <= last.x1 => last.x1 = last.x1.max(s.x1),
            _ => out.push(*s),
        }
    }
}

/// Takes `cuts` (sorted or not) out of `out[start..]`.
pub(super) fn subtract(out: &mut Vec<Span>, start: usize, cuts: impl Iterator<Item = Span>) {
    for cut in cuts {
        let mut i = start;
        while i < out.len() {
            let s = out[i];
            if cut.x1 <= s.x0 || s.x1 <= cut.x0 {
                i += 1;
                continue;
            }
            let left = (s.x0 < cut.x0).then_some(Span { x0: s.x0, x1: cut.x0 });
            let right = (cut.x1 < s.x1).then_some(Span { x0: cut.x1, x1: s.x1 });
            match (left, right) {
                (Some(l), Some(r)) => {
                    out[i] = l;
                    out.insert(i + 1, r);
                    i += 2;
                }
                (Some(one), None) | (None, Some(one)) => {
                    out[i] = one;
                    i += 1;
                }
                (None, None) => {
                    out.remove(i);
                }
            }
        }
    }
}

/// A stack of layers on one grid: all of them, or a block of neighbours.
///
/// ```
/// use vatwright::{Job, Part, Role, layers::{Grid, Scan}, mesh::shapes::cuboid};
/// let part = Part::new(cuboid(4.0, 2.0, 1.0)?);
/// let surfaces = part.surfaces(&Role::ALL);
/// let grid = Grid::around(&surfaces, 0.1, 0.1)?;
/// let layers = Scan::new(&surfaces, grid).layers(&Job::default())?;
/// assert!((layers.layer(3).area_mm2(&grid) - 8.0).abs() < 1e-9);
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Layers {
    /// Where layers, rows and pixels lie.
    pub grid: Grid,
    /// Number of the first layer held.
    pub first: u32,
    /// The layers from `first` on.
    pub layers: Vec<Layer>,
}

impl Layers {
    /// Layer `k` of the grid.
    ///
    /// # Panics
    /// When this block does not hold it.
    pub fn layer(&self, k: u32) -> &Layer {
        &self.layers[(k - self.first) as usize]
    }

    /// Solid volume of the layers held, mm³. Second order in pitch and layer.
    pub fn volume_mm3(&self) -> f64 {
        let length: u64 = self.layers.iter().map(Layer::length).sum();
        length as f64 * self.grid.cell_mm3() / f64::from(SUBPIXEL)
    }

    /// Bytes held.
    pub fn bytes(&self) -> usize {
        self.layers.iter().map(Layer::bytes).sum()
    }

    /// Layer `k` as a picture: `rows × columns` bytes, row 0 first, 255 where a pixel's centre is
    /// solid.
    ///
    /// # Panics
    /// When this block does not hold it.
    pub fn mask(&self, k: u32) -> Vec<u8> {
        let width = self.grid.columns as usize;
        let mut out = vec![0; width * self.grid.rows as usize];
        let layer = self.layer(k);
        for row in layer.rows() {
            let line = &mut out[row as usize * width..][..width];
            for s in layer.row(row) {
                let (a, b) = s.pixels();
                line[a as usize..b as usize].fill(255);
            }
        }
        out
    }

    /// Everything that is solid in any of the layers: the outline from above.
    pub fn silhouette(&self) -> Layer {
        let rows = self.layers.iter().filter(|l| !l.is_empty()).map(Layer::rows);
        let Some(rows) = rows.reduce(|a, b| a.start.min(b.start)..a.end.max(b.end)) else {
            return Layer::default();
        };
        let mut all = Vec::new();
        Layer::from_rows(rows, |row, out| {
            all.clear();
            all.extend(self.layers.iter().flat_map(|l| l.row(row)).copied());
            merge_into(&mut all, out);
        })
    }
}
