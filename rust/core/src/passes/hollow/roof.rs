//! Roofs: the film side of a cavity brought to a slope that carries itself, since supports inside
//! could never come out.
//!
//! Seen from the film a cavity begins somewhere and may widen from layer to layer towards the
//! plate by no more than a self-supporting slope allows. So from the last layer down, what stays
//! hollow is what the layers allow within that reach of what stayed hollow above, and each new
//! hall begins in its middle. The rest is filled: a flat ceiling becomes a hipped roof.

use super::wall::Deeper;
use crate::error::Result;
use crate::job::Job;
use crate::layers::{Fill, Grid, Layer, SUBPIXEL, Scan, Span, Surface};
use crate::mesh::iso::{Field, Sample};
use crate::mesh::{Mesh, Point, Pose, Vector};

/// Layers looked back at once, so that a cone becomes round and not square.
const AHEAD: usize = 3;
/// Share of the cavity below which filling is not worth a second surface.
const LEAST_SHARE: f64 = 0.002;

/// What may stay hollow, as layers at a part's pose.
pub(super) struct Roof {
    grid: Grid,
    pose: Pose,
    /// Where the cavity may be, carried on a little into the wall, so that the wall's own surface
    /// is bounded by the wall alone.
    open: Vec<Layer>,
    /// What the slope takes from the cavity, mm³.
    pub(super) filled_mm3: f64,
}

impl Roof {
    /// The roof of a cavity with the given outward surface; none where it needs none.
    pub(super) fn over(
        cavity: &Mesh,
        pose: &Pose,
        cell_mm: f64,
        job: &Job,
    ) -> Result<Option<Roof>> {
        if cavity.triangles().is_empty() {
            return Ok(None);
        }
        let surfaces = [Surface { mesh: cavity, pose: *pose, fill: Fill::Body }];
        // Layers as thick as pixels are wide: one pixel a layer is a slope of 45°.
        let grid = Grid::around(&surfaces, cell_mm, cell_mm)?;
        let layers = Scan::new(&surfaces, grid).layers(&job.stage("scan", 0.0, 0.3))?.layers;
        let mut kept: Vec<Layer> = vec![Layer::default(); layers.len()];
        let mut filled = Vec::with_capacity(layers.len());
        for k in (0..layers.len()).rev() {
            job.checkpoint(1.0 - 0.7 * k as f64 / layers.len() as f64)?;
            let here = &layers[k];
            let mut reached = match kept.get(k + 1) {
                Some(above) if !above.is_empty() => here.intersection(&above.grown(cell_mm, &grid)),
                _ => Layer::default(),
            };
            if let Some(far) = kept.get(k + AHEAD).filter(|l| !l.is_empty()) {
                let between = layers[k + 1..k + AHEAD].iter();
                let way = between.fold(here.clone(), |way, l| way.intersection(l));
                reached =
                    reached.union(&way.intersection(&far.grown(AHEAD as f64 * cell_mm, &grid)));
            }
            for hall in here.minus(&reached).pieces(&grid) {
                if hall.grown(cell_mm, &grid).intersection(&reached).is_empty() {
                    reached = reached.union(&middle(&hall, &grid));
                }
            }
            filled.push(here.minus(&reached));
            kept[k] = reached;
        }
        filled.reverse();
        let volume = |all: &[Layer]| {
            all.iter().map(|l| l.area_mm2(&grid) * cell_mm).fold(0.0, std::ops::Add::add)
        };
        let filled_mm3 = volume(&filled);
        if filled_mm3 <= LEAST_SHARE * volume(&layers) {
            return Ok(None);
        }
        let wider: Vec<Layer> = (0..kept.len())
            .map(|k| {
                let near = k.saturating_sub(1)..(k + 2).min(kept.len());
                let near = kept[near].iter().fold(Layer::default(), |all, l| all.union(l));
                let into_wall = near.grown(2.0 * cell_mm, &grid).minus(&layers[k]);
                let into_wall = into_wall.minus(&filled[k].grown(cell_mm, &grid));
                kept[k].union(&into_wall)
            })
            .collect();
        Ok(Some(Roof { grid, pose: *pose, open: wider, filled_mm3 }))
    }

    /// About how far a place lies within what may stay hollow, mm: exact where a roof rises along
    /// the rows, and everywhere less than a true distance.
    fn at(&self, body: &Point) -> f64 {
        let p = self.pose * body;
        let pitch = self.grid.pitch_mm;
        let x = (p.x - self.grid.x0_mm) / pitch * f64::from(SUBPIXEL);
        let split = |v: f64, count: usize| {
            let v = v.clamp(0.0, (count.max(1) - 1) as f64);
            (v as usize, ((v as usize) + 1).min(count.max(1) - 1), v.fract())
        };
        let (row, next_row, across) =
            split((p.y - self.grid.y0_mm) / pitch - 0.5, self.grid.rows as usize);
        let (k, next_k, up) = split(p.z / self.grid.layer_mm - 0.5, self.open.len());
        let line = |k: usize, row: usize| {
            let most = 2.0 * f64::from(SUBPIXEL);
            within(self.open[k].row(row as u32), x).clamp(-most, most) / f64::from(SUBPIXEL) * pitch
        };
        let mix = |a: f64, b: f64, t: f64| a + (b - a) * t;
        let low = mix(line(k, row), line(k, next_row), across);
        let high = mix(line(next_k, row), line(next_k, next_row), across);
        STEEP * mix(low, high, up)
    }
}

/// The field may change by four pitches from one line to the next, both ways; scaled so that it
/// never changes faster than a distance.
const STEEP: f64 = 0.15;

/// How far a place of a row lies within its spans, sub-pixels; negative outside.
fn within(spans: &[Span], x: f64) -> f64 {
    let after = spans.partition_point(|s| f64::from(s.x1) < x);
    let of = |s: &Span| (x - f64::from(s.x0)).min(f64::from(s.x1) - x);
    let near = spans[after.saturating_sub(1)..spans.len().min(after + 1)].iter();
    near.map(of).fold(f64::NEG_INFINITY, f64::max)
}

/// The places of a piece that are farthest from its rim, give or take half a pixel.
fn middle(piece: &Layer, grid: &Grid) -> Layer {
    let whole = Layer::from_rows(0..grid.rows, |_, out| {
        out.push(Span { x0: 0, x1: grid.columns * SUBPIXEL });
    });
    let around = whole.minus(piece);
    let (mut low, mut high) = (0.0, grid.pitch_mm);
    while !piece.beyond(&around, high, grid).is_empty() {
        (low, high) = (high, 2.0 * high);
    }
    while high - low > 0.25 * grid.pitch_mm {
        let half = 0.5 * (low + high);
        if piece.beyond(&around, half, grid).is_empty() { high = half } else { low = half }
    }
    piece.beyond(&around, (low - 0.25 * grid.pitch_mm).max(0.0), grid)
}

/// Deep enough, and under a roof that carries itself.
pub(super) struct Roofed<'a> {
    pub(super) deep: Deeper<'a>,
    pub(super) roof: &'a Roof,
}

impl Field for Roofed<'_> {
    type Hint = <Deeper<'static> as Field>::Hint;

    fn hint(&self) -> Self::Hint {
        self.deep.hint()
    }

    fn at(&self, point: &Point, band: f64, near: &mut Self::Hint) -> Sample {
        let deep = self.deep.at(point, band, near);
        if deep.value <= -band {
            return deep;
        }
        let roof = self.roof.at(point);
        if deep.value < roof {
            return deep;
        }
        Sample { value: roof, gradient: Vector::zeros() }
    }

    /// Vertices of the wall go where the wall is; those of the roof stay.
    fn settle(&self, vertex: Point, sharp: bool, near: &mut Self::Hint) -> Point {
        let deep = self.deep.at(&vertex, f64::INFINITY, near).value;
        if deep <= self.roof.at(&vertex) { self.deep.settle(vertex, sharp, near) } else { vertex }
    }
}
