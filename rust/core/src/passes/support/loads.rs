//! How many tips the loads ask for: at every layer the pull on each connected piece of the part,
//! with its moment, over the tips that it has by then.

use super::tips::{Pixel, Site, Sites};
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Layers, Survey};
use crate::mechanics::peel::{Model, Pull};
use crate::mechanics::{bar, suction, tips};
use crate::mesh::Point;
use std::collections::BTreeMap;

/// A layer in which the tips of a piece carry more than they may.
#[derive(Clone, Copy, Debug)]
pub(super) struct Overload {
    pub(super) layer: u32,
    pub(super) place: Point,
    /// Greatest pull on one tip, N; infinite where the tips cannot carry the moment at all.
    pub(super) tip_n: f64,
}

/// What the loads came to.
#[derive(Debug, Default)]
pub(super) struct Verdict {
    pub(super) overloads: Vec<Overload>,
    /// Greatest pull on one tip, N.
    pub(super) highest_n: f64,
    /// Greatest pull that tips carry together in one layer, N, and that layer.
    pub(super) peak_n: f64,
    pub(super) peak_layer: u32,
}

/// What one neck may carry, safety counted in.
#[derive(Clone, Copy, Debug)]
pub(super) struct Neck {
    /// Pull, N.
    pub(super) allowed_n: f64,
    /// Moment, N·mm.
    pub(super) allowed_n_mm: f64,
}

impl Neck {
    /// A round neck: σπd²/4 and σπd³/32 over the safety.
    pub(super) fn new(diameter_mm: f64, strength_mpa: f64, safety: f64) -> Neck {
        let allowed_n = bar::neck_n(strength_mpa, diameter_mm) / safety;
        Neck { allowed_n, allowed_n_mm: allowed_n * diameter_mm / 8.0 }
    }

    /// The highest pull on a tip of a group. The part of the moment that the necks can carry by
    /// bending, with what the mean pull leaves of their strength, does not go into pulls: without
    /// that, one tip under a piece a few layers high would count as lost for a hair of
    /// eccentricity. Infinite for a group that cannot stand.
    fn highest_n(&self, tips_mm: &[[f64; 2]], pull: &Pull) -> f64 {
        if tips_mm.is_empty() {
            return f64::INFINITY;
        }
        let n = tips_mm.len() as f64;
        let mean = |k: usize| tips_mm.iter().map(|t| t[k]).sum::<f64>() / n;
        let c = [mean(0), mean(1)];
        let arm = [pull.x_mm - c[0], pull.y_mm - c[1]];
        let reserve = (1.0 - pull.force_n / (n * self.allowed_n)).max(0.0);
        let borne = n * self.allowed_n_mm * reserve / pull.force_n;
        let left = (1.0 - borne / arm[0].hypot(arm[1]).max(1e-12)).max(0.0);
        let at = [c[0] + arm[0] * left, c[1] + arm[1] * left];
        tips::highest_n(tips_mm, pull.force_n, at).unwrap_or(f64::INFINITY)
    }
}

/// Pulls by layer, and which regions have grown together when.
pub(super) struct Loads<'a> {
    survey: &'a Survey,
    /// Pull of each region in its layer.
    pulls: Vec<Pull>,
    /// Whether a region rests on raft or plate.
    grounded: Vec<bool>,
    neck: Neck,
}

impl<'a> Loads<'a> {
    /// `rests` tells the regions that rest on raft or plate.
    pub(super) fn new(
        survey: &'a Survey,
        grounded: Vec<bool>,
        neck: Neck,
        ctx: &Context,
    ) -> Loads<'a> {
        let model = Model::of(&ctx.setup);
        // As if every section were compact: never less than the true pull.
        let mut pulls: Vec<Pull> = survey
            .regions
            .iter()
            .map(|r| Pull {
                force_n: model.force_n(r.area_mm2, 1.0),
                x_mm: r.centroid_mm[0],
                y_mm: r.centroid_mm[1],
            })
            .collect();
        for cup in &survey.cups {
            for &(layer, area) in &cup.sealed {
                // A cup pulls on the wall that closes it: the region around its place.
                let inside = survey.regions_of(layer).filter(|&i| {
                    let r = &survey.regions[i];
                    let within = |v: f64, k: usize| (r.min_mm[k]..=r.max_mm[k]).contains(&v);
                    within(cup.place.x, 0) && within(cup.place.y, 1)
                });
                let Some(i) = inside.min_by(|&a, &b| {
                    let size = |i: usize| survey.regions[i].area_mm2;
                    size(a).total_cmp(&size(b))
                }) else {
                    continue;
                };
                let suck = Pull {
                    force_n: suction::sealed_force_n(area),
                    x_mm: cup.place.x,
                    y_mm: cup.place.y,
                };
                pulls[i] = Pull::sum([pulls[i], suck]);
            }
        }
        Loads { survey, pulls, grounded, neck }
    }

    /// Walks up the layers and, where the tips fall short, takes more from `more`.
    ///
    /// `more` gets the region's layer, the tips so far and which of them hold the piece, and
    /// returns another tip for it, or nothing when there is no place left.
    pub(super) fn settle(
        &self,
        sites: &Sites<'_>,
        found: &mut Vec<Site>,
        pool: &Pool,
        ctx: &Context,
    ) -> Result<Verdict> {
        let survey = self.survey;
        let mut verdict = Verdict::default();
        let mut sets = Groups::new(survey.regions.len());
        let mut holding: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        let mut regions = Lookup::new(sites.layers, survey);
        for (i, site) in found.iter().enumerate() {
            if let Some(r) = regions.region(site.layer, site.pixel) {
                holding.entry(r).or_default().push(i);
            }
        }
        // Tips by root region, regions of the pool by root region.
        let mut tips_of: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        let mut pool_of: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        let mut grounded = self.grounded.clone();
        for k in 0..survey.grid.layers {
            if k % 64 == 0 {
                ctx.checkpoint(f64::from(k) / f64::from(survey.grid.layers))?;
            }
            let here = survey.regions_of(k);
            for i in here.clone() {
                let i = i as u32;
                for below in survey.below(i) {
                    let (keep, gone) = sets.join(i, below);
                    if keep != gone {
                        let g = grounded[gone as usize] | grounded[keep as usize];
                        grounded[keep as usize] = g;
                        for map in [&mut tips_of, &mut pool_of] {
                            if let Some(list) = map.remove(&gone) {
                                map.entry(keep).or_default().extend(list);
                            }
                        }
                    }
                }
                let root = sets.root(i);
                if let Some(list) = holding.remove(&i) {
                    tips_of.entry(root).or_default().extend(list);
                }
                if let Some(list) = pool.by_region.get(&i) {
                    pool_of.entry(root).or_default().extend(list);
                }
            }
            let mut groups: BTreeMap<u32, Vec<Pull>> = BTreeMap::new();
            for i in here {
                groups.entry(sets.root(i as u32)).or_default().push(self.pulls[i]);
            }
            for (root, pulls) in groups {
                let pull = Pull::sum(pulls);
                // What stands on raft or plate is held by the bond there; adhesion is judged apart.
                if grounded[root as usize] || pull.force_n <= 0.0 {
                    continue;
                }
                let group = tips_of.entry(root).or_default();
                let candidates = pool_of.get(&root).map_or(&[][..], Vec::as_slice);
                let highest = self.add(sites, found, group, candidates, pool, &pull);
                if pull.force_n > verdict.peak_n {
                    (verdict.peak_n, verdict.peak_layer) = (pull.force_n, k);
                }
                verdict.highest_n =
                    verdict.highest_n.max(if highest.is_finite() { highest } else { 0.0 });
                if highest > self.neck.allowed_n * (1.0 + 1e-9) {
                    let place = Point::new(pull.x_mm, pull.y_mm, survey.grid.z_mm(k));
                    verdict.overloads.push(Overload { layer: k, place, tip_n: highest });
                }
            }
        }
        Ok(verdict)
    }

    /// Adds tips to a group until it carries the pull or no place is left; the highest load then.
    fn add(
        &self,
        sites: &Sites<'_>,
        found: &mut Vec<Site>,
        group: &mut Vec<usize>,
        candidates: &[usize],
        pool: &Pool,
        pull: &Pull,
    ) -> f64 {
        let mut places: Vec<[f64; 2]> = group.iter().map(|&i| place(&found[i])).collect();
        let mut highest = self.neck.highest_n(&places, pull);
        let mut refused =
            vec![false; if highest > self.neck.allowed_n { candidates.len() } else { 0 }];
        while highest > self.neck.allowed_n * (1.0 + 1e-9) {
            let Some(c) = self.best_place(&places, candidates, &refused, pool, pull) else { break };
            refused[c] = true;
            let (pixel, layer) = pool.places[candidates[c]];
            let Ok(site) = sites.on_base(pixel, layer) else { continue };
            places.push(place(&site));
            group.push(found.len());
            found.push(site);
            highest = self.neck.highest_n(&places, pull);
        }
        highest
    }

    /// The candidate that leaves the lowest highest load; far from all tips first among equals.
    fn best_place(
        &self,
        tips_mm: &[[f64; 2]],
        candidates: &[usize],
        refused: &[bool],
        pool: &Pool,
        pull: &Pull,
    ) -> Option<usize> {
        let distance = |p: [f64; 2]| {
            tips_mm.iter().map(|t| (t[0] - p[0]).hypot(t[1] - p[1])).fold(f64::INFINITY, f64::min)
        };
        let mut free: Vec<(f64, usize)> = (0..candidates.len())
            .filter(|&c| !refused[c])
            .map(|c| (distance(pool.xy[candidates[c]]), c))
            .filter(|f| f.0 >= LEAST_SPACING_MM)
            .collect();
        free.sort_unstable_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        // Half of the places weighed are the farthest off, half are spread over the rest.
        let stride = (free.len() * 2).div_ceil(WEIGHED).max(1);
        let chosen =
            free.iter().take(WEIGHED / 2).chain(free.iter().skip(WEIGHED / 2).step_by(stride));
        let mut with = tips_mm.to_vec();
        with.push([0.0; 2]);
        let last = with.len() - 1;
        let mut best: Option<(f64, f64, usize)> = None;
        for &(far, c) in chosen {
            with[last] = pool.xy[candidates[c]];
            let high = self.neck.highest_n(&with, pull);
            let better =
                best.is_none_or(|b| high < b.0 - 1e-12 || (high <= b.0 + 1e-12 && far > b.1));
            if better {
                best = Some((high, far, c));
            }
        }
        best.map(|b| b.2)
    }
}

fn place(site: &Site) -> [f64; 2] {
    [site.hit.place.x, site.hit.place.y]
}

/// Tips nearer than this share their contact's strength, mm.
const LEAST_SPACING_MM: f64 = 0.8;
/// So many candidates are weighed for each tip.
const WEIGHED: usize = 48;

/// Places on the part's underside where a tip might go, a step apart.
#[derive(Default)]
pub(super) struct Pool {
    places: Vec<(Pixel, u32)>,
    xy: Vec<[f64; 2]>,
    by_region: BTreeMap<u32, Vec<usize>>,
}

impl Pool {
    /// Gathers what has nothing under it, every `step_mm` in both directions.
    pub(super) fn new(layers: &Layers, survey: &Survey, step_mm: f64) -> Pool {
        let grid = &layers.grid;
        let step = (step_mm / grid.pitch_mm).round().max(1.0) as u32;
        let mut regions = Lookup::new(layers, survey);
        let mut pool = Pool::default();
        for k in 1..layers.layers.len() as u32 {
            let (here, below) = (layers.layer(k), layers.layer(k - 1));
            let rows = here.rows();
            for row in (rows.start.next_multiple_of(step)..rows.end).step_by(step as usize) {
                for s in here.row(row) {
                    let (a, b) = s.pixels();
                    for column in (a.next_multiple_of(step)..b).step_by(step as usize) {
                        let pixel = Pixel { row, column };
                        if pixel.is_in(below) {
                            continue;
                        }
                        let Some(r) = regions.region(k, pixel) else { continue };
                        let p = grid.pixel(column, row, k);
                        pool.by_region.entry(r).or_default().push(pool.places.len());
                        pool.places.push((pixel, k));
                        pool.xy.push([p.x, p.y]);
                    }
                }
            }
        }
        pool
    }
}

/// Finds the region of a pixel; remembers the pieces of the layer asked last.
struct Lookup<'a> {
    layers: &'a Layers,
    survey: &'a Survey,
    last: Option<(u32, Vec<crate::layers::Layer>)>,
}

impl<'a> Lookup<'a> {
    fn new(layers: &'a Layers, survey: &'a Survey) -> Lookup<'a> {
        Lookup { layers, survey, last: None }
    }

    fn region(&mut self, k: u32, pixel: Pixel) -> Option<u32> {
        let range = self.survey.regions_of(k);
        if range.len() == 1 {
            return Some(range.start as u32);
        }
        if self.last.as_ref().is_none_or(|l| l.0 != k) {
            let pieces = self.layers.layer(k).pieces(&self.layers.grid);
            self.last = Some((k, pieces));
        }
        let pieces = &self.last.as_ref()?.1;
        pieces.iter().position(|p| pixel.is_in(p)).map(|i| (range.start + i) as u32)
    }
}

/// Sets of regions that hang together; the lowest number stands for a set.
struct Groups(Vec<u32>);

impl Groups {
    fn new(n: usize) -> Groups {
        Groups((0..n as u32).collect())
    }

    fn root(&mut self, mut i: u32) -> u32 {
        while self.0[i as usize] != i {
            let up = self.0[self.0[i as usize] as usize];
            self.0[i as usize] = up;
            i = up;
        }
        i
    }

    /// The set's new and its vanished stand-in; equal when they were one already.
    fn join(&mut self, a: u32, b: u32) -> (u32, u32) {
        let (a, b) = (self.root(a), self.root(b));
        let (keep, gone) = (a.min(b), a.max(b));
        self.0[gone as usize] = keep;
        (keep, gone)
    }
}
