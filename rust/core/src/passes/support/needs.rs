//! What must be held, found layer by layer, and tips placed before it arises.
//!
//! One sweep upward keeps the *carried* part of each layer: what rests on the plate, on the raft or
//! on the carried part of the layer before, which reaches out at the slope that carries itself.
//! A piece that begins in mid-air, and whatever lies farther from the carried part than one layer
//! of young resin can hang over, needs tips; a tip carries what lies within its reach.

use super::tips::{Pixel, Refusal, Site, Sites};
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Grid, Layer, Layers, Region, SUBPIXEL, Span, Survey};
use crate::mesh::Point;
use std::collections::BTreeMap;

/// What the resin carries by itself, mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reach {
    /// From one layer to the next, along a slope that carries itself.
    pub(super) slope: f64,
    /// One young layer beyond what is carried.
    pub(super) layer: f64,
    /// Around a tip.
    pub(super) tip: f64,
}

/// A place that no tip could be found for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Unmet {
    pub(super) place: Point,
    pub(super) layer: u32,
    pub(super) island: bool,
    pub(super) why: Refusal,
}

impl Unmet {
    /// Whether it is an island that lies in the box of a region.
    pub(super) fn is_of(&self, region: &Region) -> bool {
        let within = |i: usize| (region.min_mm[i]..=region.max_mm[i]).contains(&self.place[i]);
        self.island && self.layer == region.layer && within(0) && within(1)
    }
}

pub(super) struct Sweep<'a> {
    pub(super) sites: &'a Sites<'a>,
    pub(super) reach: Reach,
    pub(super) tips: Vec<Site>,
    /// Islands that begin on the neck of a tip placed before: layer, a pixel, the tip.
    pub(super) shared: Vec<(u32, Pixel, usize)>,
    pub(super) unmet: Vec<Unmet>,
    /// Tips whose reach is not yet carried by growth alone: index into `tips` and the last layer.
    active: Vec<(usize, u32)>,
}

impl<'a> Sweep<'a> {
    pub(super) fn new(sites: &'a Sites<'a>, reach: Reach) -> Sweep<'a> {
        Sweep {
            sites,
            reach,
            tips: Vec::new(),
            shared: Vec::new(),
            unmet: Vec::new(),
            active: Vec::new(),
        }
    }

    /// Sweeps all layers; `raft` is what carries besides the part itself.
    pub(super) fn run(&mut self, survey: &Survey, raft: &Layers, ctx: &Context) -> Result<()> {
        let layers: &Layers = self.sites.layers;
        let grid = &layers.grid;
        let mut islands: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
        for &i in &survey.islands {
            let layer = survey.regions[i as usize].layer;
            islands.entry(layer).or_default().push(i - survey.regions_of(layer).start as u32);
        }
        let mut carried = layers.layers.first().cloned().unwrap_or_default();
        for k in 1..layers.layers.len() as u32 {
            if k % 32 == 0 {
                ctx.checkpoint(f64::from(k) / f64::from(grid.layers))?;
            }
            if let Some(base) = raft.layers.get(k as usize - 1).filter(|l| !l.is_empty()) {
                carried = carried.union(base);
            }
            let layer = layers.layer(k);
            // Whole pixels whose sum keeps to the slope, so that all directions are alike.
            let rate = self.reach.slope / grid.pitch_mm;
            let steps = (f64::from(k + 1) * rate).floor() - (f64::from(k) * rate).floor();
            let mut loose = layer.beyond(&carried, steps * grid.pitch_mm, grid);
            if let Some(found) = islands.get(&k) {
                // An island next to something carried is no less an island.
                let pieces = layer.pieces(grid);
                for &i in found {
                    loose = loose.union(&pieces[i as usize]);
                }
            }
            if loose.is_empty() {
                carried = layer.clone();
                continue;
            }
            carried = layer.minus(&loose);
            self.hold_active(k, layer, &mut loose, &mut carried);
            for &i in islands.get(&k).into_iter().flatten() {
                let piece = layer.pieces(grid).swap_remove(i as usize);
                let region = &survey.regions[survey.regions_of(k)][i as usize];
                let middle = nearest_pixel(&piece, region.centroid_mm, grid);
                let neck = neck_under(self.sites, &self.tips, k, &piece);
                if let (Some(tip), Some(pixel)) = (neck, middle) {
                    self.shared.push((k, pixel, tip));
                    let held = disc(self.tips[tip].pixel, self.reach.tip, grid);
                    carried = carried.union(&piece.intersection(&held));
                } else {
                    self.cover(k, &piece, middle, true, &mut carried);
                }
            }
            let need = loose.beyond(&carried, self.reach.layer, grid);
            for piece in need.pieces(grid) {
                // A tip for the piece before may carry this one too.
                let piece = piece.beyond(&carried, self.reach.layer, grid);
                if !piece.is_empty() {
                    self.cover(k, &piece, None, false, &mut carried);
                }
            }
        }
        Ok(())
    }

    /// Lets tips placed before carry what lies within their reach in this layer.
    fn hold_active(&mut self, k: u32, layer: &Layer, loose: &mut Layer, carried: &mut Layer) {
        self.active.retain(|a| a.1 >= k);
        let grid = &self.sites.layers.grid;
        for &(i, _) in &self.active {
            let held = around(layer, self.tips[i].pixel, self.reach.tip, grid);
            if !held.intersection(loose).is_empty() {
                *carried = carried.union(&held);
                *loose = loose.minus(&held);
            }
        }
    }

    /// Places tips until all of a piece lies within reach of one, and notes what cannot be met.
    fn cover(
        &mut self,
        k: u32,
        piece: &Layer,
        first: Option<Pixel>,
        island: bool,
        carried: &mut Layer,
    ) {
        let grid = &self.sites.layers.grid;
        let mut samples = Samples::new(piece, self.reach.tip, grid);
        let mut held = false;
        // A single tip may do; the middle is the lowest place and the best balanced.
        if let Some(pixel) = first.filter(|&p| !self.at_mouth(p, k))
            && samples.points.len() == samples.around(pixel).len()
            && let Ok(site) = self.sites.on_base(pixel, k)
        {
            return self.take(site, k, carried);
        }
        while let Some(extreme) = samples.first_open() {
            let site = samples.best(extreme).into_iter().map(|i| samples.points[i]);
            match self.pick(site, k) {
                Ok(site) => {
                    samples.close(site.pixel);
                    held = true;
                    self.take(site, k, carried);
                }
                Err(why) => {
                    // Whatever hangs on a neighbour that is held is no lost island.
                    if !(island && held) {
                        let p = grid.pixel(extreme.column, extreme.row, k);
                        self.unmet.push(Unmet { place: p, layer: k, island, why });
                    }
                    samples.close(extreme);
                    // Counted as carried, or the same place would be reported layer after layer.
                    let lost = around(self.sites.layers.layer(k), extreme, self.reach.tip, grid);
                    *carried = carried.union(&lost);
                }
            }
        }
    }

    /// Whether a tip there would touch the rim of a vent.
    fn at_mouth(&self, pixel: Pixel, k: u32) -> bool {
        let place = self.sites.layers.grid.pixel(pixel.column, pixel.row, k);
        self.sites.probe.mouths.touch(&place, self.sites.options.tip_mm / 2.0)
    }

    /// The first place that takes a tip: on the base, else on the part; the rim of a vent last.
    fn pick(
        &self,
        places: impl Iterator<Item = Pixel>,
        k: u32,
    ) -> std::result::Result<Site, Refusal> {
        let (rim, free): (Vec<Pixel>, Vec<Pixel>) = places.partition(|&p| self.at_mouth(p, k));
        let places = free.into_iter().chain(rim);
        let mut why = Refusal::KeepClean;
        for pixel in places.clone() {
            match self.sites.on_base(pixel, k) {
                Ok(site) => return Ok(site),
                Err(refusal) => why = why.max(refusal),
            }
        }
        if self.sites.options.land_on_part {
            for pixel in places {
                if let Ok(site) = self.sites.on_part(pixel, k) {
                    return Ok(site);
                }
            }
        }
        Err(why)
    }

    fn take(&mut self, site: Site, k: u32, carried: &mut Layer) {
        let grid = &self.sites.layers.grid;
        let held = around(self.sites.layers.layer(k), site.pixel, self.reach.tip, grid);
        *carried = carried.union(&held);
        let layers = (self.reach.tip / self.reach.slope).ceil() as u32;
        self.active.push((self.tips.len(), k + layers));
        self.tips.push(site);
    }
}

/// The tip whose neck already passes under an island, close enough to fuse with it.
fn neck_under(sites: &Sites<'_>, tips: &[Site], k: u32, piece: &Layer) -> Option<usize> {
    let (grid, o) = (&sites.layers.grid, sites.options);
    let z = grid.z_mm(k);
    let radius = o.tip_mm / 2.0 - grid.pitch_mm;
    (0..tips.len()).rev().find(|&i| {
        let p = tips[i].hit.place;
        let near = z - p.z <= o.embed_mm - grid.layer_mm && p.z <= z + grid.layer_mm;
        near && !disc(tips[i].pixel, radius, grid).intersection(piece).is_empty()
    })
}

/// Islands without a tip of their own that begin on the neck of another: layer, a pixel, the tip.
pub(super) fn shared(
    sites: &Sites<'_>,
    survey: &Survey,
    tips: &[Site],
) -> Vec<(u32, Pixel, usize)> {
    let grid = &sites.layers.grid;
    let mut out = Vec::new();
    for &i in &survey.islands {
        let region = &survey.regions[i as usize];
        let k = region.layer;
        let piece = i as usize - survey.regions_of(k).start;
        let piece = sites.layers.layer(k).pieces(grid).swap_remove(piece);
        if tips.iter().any(|t| t.layer == k && t.pixel.is_in(&piece)) {
            continue;
        }
        let pixel = nearest_pixel(&piece, region.centroid_mm, grid);
        let neck = neck_under(sites, tips, k, &piece);
        out.extend(pixel.zip(neck).map(|(pixel, tip)| (k, pixel, tip)));
    }
    out
}

/// The disc around a pixel's centre.
pub(super) fn disc(pixel: Pixel, radius_mm: f64, grid: &Grid) -> Layer {
    let r = radius_mm / grid.pitch_mm;
    let n = r.max(0.0).floor() as u32;
    let rows = pixel.row.saturating_sub(n)..(pixel.row + n + 1).min(grid.rows);
    let middle = (f64::from(pixel.column) + 0.5) * f64::from(SUBPIXEL);
    Layer::from_rows(rows, |row, out| {
        let d = f64::from(row.abs_diff(pixel.row));
        let half = ((r * r - d * d).max(0.0).sqrt() * f64::from(SUBPIXEL)).max(1.0);
        out.push(Span { x0: (middle - half).max(0.0) as u32, x1: (middle + half) as u32 });
    })
}

/// What hangs together with a pixel within a radius around it.
fn around(layer: &Layer, pixel: Pixel, radius_mm: f64, grid: &Grid) -> Layer {
    let pieces = layer.intersection(&disc(pixel, radius_mm, grid)).pieces(grid);
    pieces.into_iter().find(|p| pixel.is_in(p)).unwrap_or_default()
}

pub(super) fn pixel_at(place: &[f64; 2], grid: &Grid) -> Pixel {
    let at = |v: f64, v0: f64| ((v - v0) / grid.pitch_mm).floor().max(0.0) as u32;
    Pixel { row: at(place[1], grid.y0_mm), column: at(place[0], grid.x0_mm) }
}

/// The pixel of a piece nearest to a place.
pub(super) fn nearest_pixel(piece: &Layer, place: [f64; 2], grid: &Grid) -> Option<Pixel> {
    let want = pixel_at(&place, grid);
    let mut best: Option<(u64, Pixel)> = None;
    for row in piece.rows() {
        for s in piece.row(row) {
            let (a, b) = s.pixels();
            if a == b {
                continue;
            }
            let column = want.column.clamp(a, b - 1);
            let (dx, dy) =
                (u64::from(column.abs_diff(want.column)), u64::from(row.abs_diff(want.row)));
            let candidate = (dx * dx + dy * dy, Pixel { row, column });
            if best.is_none_or(|b| candidate < b) {
                best = Some(candidate);
            }
        }
    }
    best.map(|b| b.1)
}

/// Pixels of a piece, a fraction of the reach apart, that stand for it while tips are chosen.
struct Samples {
    points: Vec<Pixel>,
    open: Vec<bool>,
    next: usize,
    reach: f64,
    cell: u32,
    cells: BTreeMap<(u32, u32), Vec<usize>>,
}

impl Samples {
    fn new(piece: &Layer, reach_mm: f64, grid: &Grid) -> Samples {
        let reach = (reach_mm / grid.pitch_mm).max(1.0);
        let step = ((reach / 5.0) as u32).max(1);
        let rows = piece.rows();
        let mut points = Vec::new();
        for row in rows.clone() {
            // Every step-th row, and the first so that none is lost.
            if row % step != 0 && row != rows.start {
                continue;
            }
            for s in piece.row(row) {
                let (a, b) = s.pixels();
                let first = a.next_multiple_of(step);
                let before = points.len();
                points
                    .extend((first..b).step_by(step as usize).map(|column| Pixel { row, column }));
                if points.len() == before && a < b {
                    points.push(Pixel { row, column: (a + b) / 2 });
                }
            }
        }
        let cell = reach.ceil() as u32;
        let mut cells: BTreeMap<(u32, u32), Vec<usize>> = BTreeMap::new();
        for (i, p) in points.iter().enumerate() {
            cells.entry((p.row / cell, p.column / cell)).or_default().push(i);
        }
        let open = vec![true; points.len()];
        Samples { points, open, next: 0, reach, cell, cells }
    }

    /// Samples within reach of a pixel.
    fn around(&self, p: Pixel) -> Vec<usize> {
        let (r, c) = (p.row / self.cell, p.column / self.cell);
        let mut out = Vec::new();
        for row in r.saturating_sub(1)..=r + 1 {
            let cells = self.cells.range((row, c.saturating_sub(1))..=(row, c + 1));
            for &i in cells.flat_map(|(_, list)| list) {
                let q = self.points[i];
                let d =
                    f64::from(q.row.abs_diff(p.row)).hypot(f64::from(q.column.abs_diff(p.column)));
                if d <= self.reach {
                    out.push(i);
                }
            }
        }
        out
    }

    fn first_open(&mut self) -> Option<Pixel> {
        while self.next < self.points.len() {
            if self.open[self.next] {
                return Some(self.points[self.next]);
            }
            self.next += 1;
        }
        None
    }

    /// Samples within reach of this one, those first that would close the most.
    fn best(&self, extreme: Pixel) -> Vec<usize> {
        let mut near: Vec<(usize, usize)> = self
            .around(extreme)
            .into_iter()
            .map(|i| (self.around(self.points[i]).iter().filter(|&&j| self.open[j]).count(), i))
            .collect();
        near.sort_unstable_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
        near.into_iter().map(|n| n.1).collect()
    }

    /// Marks what lies within reach of a pixel.
    fn close(&mut self, p: Pixel) {
        for i in self.around(p) {
            self.open[i] = false;
        }
    }
}
