//! How many tips the loads ask for: at every layer the pull on each connected piece of the part,
//! with its moment, over the tips that it has by then.

use super::tips::{Pixel, Site, Sites};
use crate::context::Context;
use crate::disjoint_sets::DisjointSets;
use crate::error::Result;
use crate::layers::{Layer, Layers, Survey};
use crate::mechanics::peel::Pull;
use crate::mechanics::{bar, tips};
use crate::mesh::Point;
use crate::structure::{Load, STOOL, Section, asks_redundancy, fronts};
use std::collections::BTreeMap;

/// What one neck may carry, safety counted in.
#[derive(Clone, Copy, Debug)]
pub(super) struct Neck {
    /// Pull, N.
    pub(super) allowed_n: f64,
    /// Moment, N·mm.
    allowed_n_mm: f64,
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

/// What a piece in a layer asks of its tips.
#[derive(Clone, Copy, Debug)]
struct Asked {
    /// The pull of the layer, then its peeling front from four sides.
    pulls: [Pull; 5],
    /// Whether any one tip may fail.
    redundant: bool,
}

/// Of more tips than this the loss of one changes little that the safety does not cover.
const MANY_TIPS: usize = 24;

/// A connected piece in one layer that hangs on tips.
#[derive(Clone, Copy, Debug)]
pub(super) struct Case {
    pub(super) pull: Pull,
    /// Greatest pull on a tip by the bolt-group formula, N.
    pub(super) highest_n: f64,
}

/// What the loads came to.
#[derive(Debug, Default)]
pub(super) struct Verdict {
    /// Every piece in every layer that hangs on tips, layer by layer.
    pub(super) cases: Vec<Case>,
}

/// Pulls by region, and which regions rest on raft or plate.
pub(super) struct Loads<'a> {
    pub(super) survey: &'a Survey,
    pub(super) loads: &'a [Load],
    pub(super) grounded: &'a [bool],
    pub(super) neck: Neck,
    /// The same once another tip has gone.
    pub(super) lost_neck: Neck,
}

impl Loads<'_> {
    /// Walks up the layers and, where the tips fall short, adds more to `found` from the pool.
    /// `shared` names pieces that begin on the neck of a tip found for another.
    pub(super) fn settle(
        &self,
        sites: &Sites<'_>,
        found: &mut Vec<Site>,
        shared: &[(u32, Pixel, usize)],
        pool: &Pool,
        ctx: &Context,
    ) -> Result<Verdict> {
        let survey = self.survey;
        let mut verdict = Verdict::default();
        let mut sets = DisjointSets::new(survey.regions.len());
        let mut regions = Lookup::new(sites.layers, survey);
        let mut starting: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        let own = found.iter().enumerate().map(|(i, site)| (site.layer, site.pixel, i));
        for (layer, pixel, tip) in own.chain(shared.iter().copied()) {
            if let Some(r) = regions.region(layer, pixel) {
                starting.entry(r).or_default().push(tip);
            }
        }
        let landed: Vec<usize> =
            (0..found.len()).filter(|&i| found[i].ground().is_some()).collect();
        let mut stood_on: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (landing, &tip) in landed.iter().enumerate() {
            let on = found[tip].ground().and_then(|hit| sites.solid_under(hit));
            if let Some(r) = on.and_then(|(layer, pixel)| regions.region(layer, pixel)) {
                stood_on.entry(r).or_default().push(landing);
            }
        }
        // By the region that stands for its set: tips, landings, places of the pool.
        let mut tips_of: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        let mut landings_of: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        let mut pool_of: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        let mut grounded = self.grounded.to_vec();
        for k in 0..survey.grid.layers {
            if k % 64 == 0 {
                ctx.checkpoint(f64::from(k) / f64::from(survey.grid.layers))?;
            }
            let here = survey.regions_of(k);
            for i in here.clone() {
                for below in survey.below(i as u32) {
                    let (a, b) = (sets.root(i), sets.root(below as usize));
                    if a == b {
                        continue;
                    }
                    let keep = sets.join(a, b);
                    let gone = a + b - keep;
                    grounded[keep] |= grounded[gone];
                    for map in [&mut tips_of, &mut landings_of, &mut pool_of] {
                        if let Some(list) = map.remove(&gone) {
                            map.entry(keep).or_default().extend(list);
                        }
                    }
                }
                let root = sets.root(i);
                if let Some(list) = starting.remove(&(i as u32)) {
                    tips_of.entry(root).or_default().extend(list);
                }
                if let Some(list) = stood_on.remove(&(i as u32)) {
                    landings_of.entry(root).or_default().extend(list);
                }
                if let Some(list) = pool.by_region.get(&(i as u32)) {
                    pool_of.entry(root).or_default().extend(list);
                }
            }
            let mut pieces: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
            for i in here {
                pieces.entry(sets.root(i)).or_default().push(i);
            }
            for (root, regions) in pieces {
                let pull = self.pull(regions.iter().copied());
                let peel = Pull::sum(regions.iter().map(|&i| self.loads[i].peel));
                let section = Section::of(regions.iter().map(|&i| &survey.regions[i]));
                let [a, b, c, d] = fronts(pull, peel, section.half_mm());
                let pulls = [pull, a, b, c, d];
                // What stands on raft or plate is held by the bond there; adhesion is judged apart.
                if grounded[root] || pull.force_n <= 0.0 {
                    continue;
                }
                let tips = tips_of.entry(root).or_default();
                tips.sort_unstable();
                tips.dedup(); // a neck that two pieces began on
                let places = pool_of.get(&root).map_or(&[][..], Vec::as_slice);
                let landings = landings_of.get(&root).map_or(&[][..], Vec::as_slice);
                let idle = |tip: &&usize| landings.iter().any(|&l| landed[l] == **tip);
                let carriers = tips.iter().filter(|t| !idle(t));
                let mut at: Vec<[f64; 2]> = carriers.map(|&i| found[i].xy()).collect();
                let lowest = tips.iter().map(|&i| found[i].layer).min().unwrap_or(k);
                let risen_mm = f64::from(k - lowest.min(k)) * survey.grid.layer_mm;
                let redundant = asks_redundancy(section.area_mm2, risen_mm);
                let asked = Asked { pulls, redundant };
                let highest_n = self.add(sites, found, tips, &mut at, places, pool, &asked);
                verdict.cases.push(Case { pull, highest_n });
            }
        }
        Ok(verdict)
    }

    fn pull(&self, regions: impl Iterator<Item = usize>) -> Pull {
        Pull::sum(regions.flat_map(|i| self.loads[i].pulls()))
    }

    /// Adds tips to a group, carried at these places so far, until it carries the pull or no place
    /// is left; the highest load then.
    #[allow(clippy::too_many_arguments)]
    fn add(
        &self,
        sites: &Sites<'_>,
        found: &mut Vec<Site>,
        group: &mut Vec<usize>,
        at: &mut Vec<[f64; 2]>,
        places: &[usize],
        pool: &Pool,
        asked: &Asked,
    ) -> f64 {
        let mut highest = self.highest_of(at, asked);
        let mut tried = vec![false; if self.overloads(highest) { places.len() } else { 0 }];
        while self.overloads(highest) {
            let Some(c) = self.best_place(at, places, &tried, pool, asked) else { break };
            tried[c] = true;
            let (pixel, layer) = pool.places[places[c]];
            let Ok(site) = sites.on_base(pixel, layer) else { continue };
            at.push(site.xy());
            group.push(found.len());
            found.push(site);
            highest = self.highest_of(at, asked);
        }
        highest
    }

    /// The highest pull on a tip of a group under any of the pulls, and where it is asked, the highest
    /// after any one tip has gone, as far as necks bear more then.
    fn highest_of(&self, tips_mm: &[[f64; 2]], asked: &Asked) -> f64 {
        let all = asked.pulls.iter().map(|pull| self.neck.highest_n(tips_mm, pull));
        let all = all.fold(0.0, f64::max);
        if !asked.redundant || tips_mm.len() > MANY_TIPS {
            return all;
        }
        if tips_mm.len() < STOOL {
            return f64::INFINITY;
        }
        let as_borne = self.neck.allowed_n / self.lost_neck.allowed_n;
        let mut left = tips_mm[1..].to_vec();
        let mut highest = all;
        for gone in 0..tips_mm.len() {
            let high_n = self.lost_neck.highest_n(&left, &asked.pulls[0]);
            highest = highest.max(high_n * as_borne);
            if gone < left.len() {
                left[gone] = tips_mm[gone];
            }
        }
        highest
    }

    /// Whether that is more than a neck may carry.
    pub(super) fn overloads(&self, tip_n: f64) -> bool {
        tip_n > self.neck.allowed_n * (1.0 + 1e-9)
    }

    /// The place that leaves the lowest highest load; far from all tips first among equals.
    fn best_place(
        &self,
        tips_mm: &[[f64; 2]],
        places: &[usize],
        tried: &[bool],
        pool: &Pool,
        asked: &Asked,
    ) -> Option<usize> {
        let distance = |p: [f64; 2]| {
            let far = tips_mm.iter().map(|t| (t[0] - p[0]).hypot(t[1] - p[1]));
            far.fold(f64::INFINITY, f64::min)
        };
        let mut free: Vec<(f64, usize)> = (0..places.len())
            .filter(|&c| !tried[c])
            .map(|c| (distance(pool.xy[places[c]]), c))
            .filter(|f| f.0 >= LEAST_SPACING_MM)
            .collect();
        free.sort_unstable_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        // Half of the places weighed are the farthest off, half are spread over the rest.
        let stride = (free.len() * 2).div_ceil(WEIGHED).max(1);
        let far = free.iter().take(WEIGHED / 2);
        let chosen = far.chain(free.iter().skip(WEIGHED / 2).step_by(stride));
        let mut with = tips_mm.to_vec();
        with.push([0.0; 2]);
        let last = with.len() - 1;
        let mut best: Option<(f64, f64, usize)> = None;
        for &(far, c) in chosen {
            with[last] = pool.xy[places[c]];
            let high = self.highest_of(&with, asked);
            let less =
                |b: (f64, f64, usize)| high < b.0 - 1e-12 || (high <= b.0 + 1e-12 && far > b.1);
            if best.is_none_or(less) {
                best = Some((high, far, c));
            }
        }
        best.map(|b| b.2)
    }
}

/// Tips nearer than this share their contact's strength, mm.
const LEAST_SPACING_MM: f64 = 0.8;
/// So many places are weighed for each tip.
const WEIGHED: usize = 48;

/// Places on the part's underside where a tip might go, a step apart.
#[derive(Default)]
pub(super) struct Pool {
    places: Vec<(Pixel, u32)>,
    xy: Vec<[f64; 2]>,
    by_region: BTreeMap<u32, Vec<usize>>,
}

impl Pool {
    /// Gathers usable places with nothing under them, every `step_mm` in both directions.
    pub(super) fn new(
        layers: &Layers,
        survey: &Survey,
        step_mm: f64,
        usable: impl Fn(&Point) -> bool,
    ) -> Pool {
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
                        if !usable(&p) {
                            continue;
                        }
                        pool.by_region.entry(r).or_default().push(pool.places.len());
                        pool.places.push((pixel, k));
                        pool.xy.push([p.x, p.y]);
                    }
                }
            }
        }
        pool
    }

    /// Places so many more tips beside one that carries too much at a layer, among the places that
    /// begin before it.
    pub(super) fn relieve(
        &self,
        sites: &Sites<'_>,
        found: &mut Vec<Site>,
        tip: usize,
        layer: u32,
        mut helpers: usize,
    ) {
        const FAR_MM: f64 = 6.0;
        let here = found[tip].xy();
        let distance = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        let mut near: Vec<(f64, usize)> = (0..self.places.len())
            .filter(|&p| self.places[p].1 < layer)
            .map(|p| (distance(self.xy[p], here), p))
            .filter(|n| n.0 <= FAR_MM)
            .collect();
        near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let mut leaning = None;
        for (_, p) in near.into_iter().take(TRIED) {
            let close = |s: &Site| distance(s.xy(), self.xy[p]) < LEAST_SPACING_MM;
            if helpers == 0 {
                return;
            }
            if found.iter().any(close) {
                continue;
            }
            let (pixel, layer) = self.places[p];
            match sites.on_base(pixel, layer) {
                Ok(site) if site.is_upright() => {
                    found.push(site);
                    helpers -= 1;
                    leaning = None;
                }
                Ok(site) => leaning = leaning.or(Some(site)),
                Err(_) => {}
            }
        }
        // A leaning neck bends, and may be the next to be helped; but better than none.
        found.extend(leaning);
    }
}

/// So many of the nearest places are tried for help.
const TRIED: usize = 48;

/// Finds the region of a pixel; remembers the pieces of the layer asked last.
struct Lookup<'a> {
    layers: &'a Layers,
    survey: &'a Survey,
    last: Option<(u32, Vec<Layer>)>,
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
            self.last = Some((k, self.layers.layer(k).pieces(&self.layers.grid)));
        }
        let pieces = &self.last.as_ref()?.1;
        pieces.iter().position(|p| pixel.is_in(p)).map(|i| (range.start + i) as u32)
    }
}
