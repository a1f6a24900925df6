//! Stages: what carries each piece of the part while it grows.
//!
//! Layer by layer the part's regions join into pieces. A piece stands on the plate (or raft), or
//! hangs on the tips that touch it so far: an arm has only its own tips until a layer joins it
//! to the trunk. A stage is a piece with what holds it, for as long as that stays the same.

use super::demand::Demand;
use super::loads::Load;
use crate::error::Result;
use crate::job::Job;
use crate::layers::{Grid, Layer, Layers, Region, SUBPIXEL, Survey};
use crate::mechanics::peel::Pull;
use crate::part::{Supports, Tip};
use crate::setup::Setup;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::ops::Range;

/// A part without supports and base, as the layers see it.
#[derive(Clone, Copy)]
pub(crate) struct Body<'a> {
    pub(crate) layers: &'a Layers,
    pub(crate) survey: &'a Survey,
    /// What the film does to each region.
    pub(crate) loads: &'a [Load],
    /// Which regions lie on plate or raft.
    pub(crate) grounded: &'a [bool],
}

/// A piece with what holds it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Stage {
    /// The tips that touch it.
    pub(crate) tips: Vec<u32>,
    /// The landings that stand on it. They rise with it, so a column between one of them and one of
    /// its tips carries nothing.
    pub(crate) landings: Vec<u32>,
    /// The layer in which it begins.
    pub(crate) layer: u32,
}

/// A piece in one layer.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Case {
    pub(crate) layer: u32,
    /// The stage it hangs on; none if it stands on plate or raft, or on nothing.
    pub(crate) stage: Option<u32>,
    pub(crate) grounded: bool,
    /// Its regions in the layer.
    pub(crate) regions: Vec<u32>,
    /// Everything that pulls on it.
    pub(crate) pull: Pull,
    /// Peel alone.
    pub(crate) peel: Pull,
    /// Area, mm², and [`Section::half_mm`].
    pub(crate) area_mm2: f64,
    pub(crate) half_mm: [f64; 2],
    /// How its regions together resist being pressed through resin, mm⁴.
    pub(crate) torsion_mm4: f64,
    /// Its share of the machine's arm: the pieces of a layer share it as they resist.
    pub(crate) arm_share: f64,
}

/// How the part grew.
#[derive(Debug)]
pub(crate) struct History {
    pub(crate) stages: Vec<Stage>,
    /// Every piece in every layer, layer by layer.
    pub(crate) cases: Vec<Case>,
    /// Tips and landings that touch nothing.
    pub(crate) loose: Vec<u32>,
    /// The regions that tips touch and landings stand on.
    pub(crate) tip_region: Vec<Option<u32>>,
    pub(crate) landing_region: Vec<Option<u32>>,
    pub(crate) joined: Joined,
}

/// A stage of many tips begins anew when they have grown by more than this part, since each new tip
/// of a forest changes little; tips it does not know carry nothing until then.
const NEW_STAGE: f64 = 0.1;
/// Up to so many tips every new one counts.
const FEW_TIPS: usize = 64;

/// A piece of the part so far.
#[derive(Clone, Default)]
struct Piece {
    grounded: bool,
    tips: Vec<u32>,
    landings: Vec<u32>,
    stage: Option<u32>,
}

/// Which regions had joined by which layer: union–find whose links carry the layer they were made
/// in.
#[derive(Debug, Default)]
pub(crate) struct Joined {
    up: Vec<(u32, u32)>,
    size: Vec<u32>,
}

impl Joined {
    fn new(n: usize) -> Joined {
        Joined { up: (0..n as u32).map(|i| (i, u32::MAX)).collect(), size: vec![1; n] }
    }

    /// The region that stands for what a region hangs together with once `layer` is there.
    pub(crate) fn root(&self, mut region: u32, layer: u32) -> u32 {
        while self.up[region as usize].1 <= layer {
            region = self.up[region as usize].0;
        }
        region
    }

    /// Joins two roots; the one that stays.
    fn join(&mut self, a: u32, b: u32, layer: u32) -> u32 {
        let size = |r: u32| (self.size[r as usize], std::cmp::Reverse(r));
        let (kept, gone) = if size(a) >= size(b) { (a, b) } else { (b, a) };
        self.up[gone as usize] = (kept, layer);
        self.size[kept as usize] += self.size[gone as usize];
        kept
    }
}

impl History {
    /// Follows a part up its layers.
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled).
    pub(crate) fn of(body: &Body<'_>, supports: Option<&Supports>, job: &Job) -> Result<History> {
        let survey = body.survey;
        let (tips, landings) =
            supports.map_or((&[][..], &[][..]), |s| (&s.tips[..], &s.landings[..]));
        let held = attach(body, tips, |first| first..first + CONTACT_LAYERS, job)?;
        let stood = |first: u32| first.saturating_sub(CONTACT_LAYERS)..first + 1;
        let landed = attach(body, landings, stood, job)?;
        let regions = |of: &[Tip], found: &Attached| {
            let mut out = vec![None; of.len()];
            found.at.iter().for_each(|&(r, t)| out[t as usize] = Some(r));
            out
        };
        let n = survey.regions.len();
        let mut out = History {
            stages: Vec::new(),
            cases: Vec::new(),
            loose: held.loose.clone(),
            tip_region: regions(tips, &held),
            landing_region: regions(landings, &landed),
            joined: Joined::new(n),
        };
        let mut pieces: Vec<Piece> = vec![Piece::default(); n];
        let (mut next_tip, mut next_landing) =
            (held.at.iter().peekable(), landed.at.iter().peekable());
        for k in 0..survey.grid.layers {
            if k % 64 == 0 {
                job.checkpoint(f64::from(k) / f64::from(survey.grid.layers))?;
            }
            let here = survey.regions_of(k);
            for r in here.clone() {
                let piece = &mut pieces[r];
                piece.grounded = body.grounded[r];
                while let Some(&(_, t)) = next_tip.next_if(|t| t.0 as usize == r) {
                    piece.tips.push(t);
                }
                while let Some(&(_, t)) = next_landing.next_if(|t| t.0 as usize == r) {
                    piece.landings.push(t);
                }
                for below in survey.below(r as u32) {
                    let (a, b) = (out.joined.root(r as u32, k), out.joined.root(below, k));
                    if a != b {
                        let kept = out.joined.join(a, b, k);
                        let gone = std::mem::take(&mut pieces[(a + b - kept) as usize]);
                        merge(&mut pieces[kept as usize], gone, &out.stages);
                    }
                }
            }
            let mut by_root: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
            for r in here.clone() {
                by_root.entry(out.joined.root(r as u32, k)).or_default().push(r as u32);
            }
            let all_mm4: f64 = body.loads[here].iter().map(|l| l.torsion_mm4).sum();
            for (root, regions) in by_root {
                let piece = &mut pieces[root as usize];
                if !piece.grounded && !piece.tips.is_empty() {
                    piece.refresh(&mut out.stages, k);
                }
                let mut case = Case::of(body, k, regions, all_mm4);
                case.grounded = piece.grounded;
                case.stage = piece.stage.filter(|_| !piece.grounded);
                out.cases.push(case);
            }
        }
        Ok(out)
    }
}

fn merge(kept: &mut Piece, gone: Piece, stages: &[Stage]) {
    kept.grounded |= gone.grounded;
    let size = |s: Option<u32>| s.map(|s| stages[s as usize].tips.len());
    if size(gone.stage) > size(kept.stage) {
        kept.stage = gone.stage;
    }
    kept.tips.extend(gone.tips);
    kept.landings.extend(gone.landings);
}

impl Piece {
    /// Begins a stage when the one so far knows too few of the tips, or not all landings.
    fn refresh(&mut self, stages: &mut Vec<Stage>, layer: u32) {
        let known = self.stage.map_or((0, 0), |s| {
            let stage = &stages[s as usize];
            (stage.tips.len(), stage.landings.len())
        });
        let now = self.tips.len();
        let enough = if now <= FEW_TIPS { 1.0 } else { 1.0 + NEW_STAGE };
        if self.stage.is_some()
            && now as f64 <= known.0 as f64 * enough
            && self.landings.len() == known.1
        {
            return;
        }
        self.tips.sort_unstable();
        self.landings.sort_unstable();
        self.stage = Some(stages.len() as u32);
        stages.push(Stage { tips: self.tips.clone(), landings: self.landings.clone(), layer });
    }
}

/// The peeling front half-way, from four sides: the half of the section that still holds pulls at its
/// own middle, `half_mm` off along x or y; what pulls besides peel stays whole meanwhile.
pub(crate) fn fronts(pull: Pull, peel: Pull, half_mm: [f64; 2]) -> [Pull; 4] {
    let force_n = pull.force_n - peel.force_n;
    let along = |all: f64, own: f64| (pull.force_n * all - peel.force_n * own) / force_n;
    let rest = if force_n > 1e-12 * pull.force_n {
        let (x_mm, y_mm) = (along(pull.x_mm, peel.x_mm), along(pull.y_mm, peel.y_mm));
        Pull { force_n, x_mm, y_mm }
    } else {
        Pull::default()
    };
    let [x, y] = half_mm;
    [[x, 0.0], [-x, 0.0], [0.0, y], [0.0, -y]].map(|[x, y]| {
        let (x_mm, y_mm) = (peel.x_mm + x, peel.y_mm + y);
        Pull::sum([rest, Pull { force_n: 0.5 * peel.force_n, x_mm, y_mm }])
    })
}

/// A pull with its side load, from four sides, as what stands so far below it feels it: a force
/// aside on a lever of that height turns like the pull itself moved aside.
pub(crate) fn aside(pull: Pull, height_mm: f64, setup: &Setup) -> [Pull; 4] {
    let far = setup.machine.side_share * height_mm;
    [[far, 0.0], [-far, 0.0], [0.0, far], [0.0, -far]].map(|[x, y]| Pull {
        x_mm: pull.x_mm + x,
        y_mm: pull.y_mm + y,
        ..pull
    })
}

impl Case {
    /// The peeling front half-way, from four sides ([`fronts`]).
    pub(crate) fn fronts(&self) -> [(Demand, Pull); 4] {
        fronts(self.pull, self.peel, self.half_mm).map(|pull| (Demand::Front, pull))
    }

    fn of(body: &Body<'_>, layer: u32, regions: Vec<u32>, all_mm4: f64) -> Case {
        let loads = || regions.iter().map(|&r| &body.loads[r as usize]);
        let torsion_mm4: f64 = loads().map(|l| l.torsion_mm4).sum();
        let section = Section::of(regions.iter().map(|&r| &body.survey.regions[r as usize]));
        Case {
            layer,
            stage: None,
            grounded: false,
            pull: Pull::sum(loads().flat_map(Load::pulls)),
            peel: Pull::sum(loads().map(|l| l.peel)),
            area_mm2: section.area_mm2,
            half_mm: section.half_mm(),
            torsion_mm4,
            arm_share: if all_mm4 > 0.0 { torsion_mm4 / all_mm4 } else { 1.0 },
            regions,
        }
    }
}

/// Several regions of a layer taken as one section.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Section {
    pub(crate) area_mm2: f64,
    pub(crate) centroid_mm: [f64; 2],
    /// ∫x², ∫y², ∫xy about the centroid, mm⁴.
    pub(crate) moments_mm4: [f64; 3],
    pub(crate) min_mm: [f64; 2],
    pub(crate) max_mm: [f64; 2],
}

impl From<&Region> for Section {
    fn from(r: &Region) -> Section {
        Section {
            area_mm2: r.area_mm2,
            centroid_mm: r.centroid_mm,
            moments_mm4: r.moments_mm4,
            min_mm: r.min_mm,
            max_mm: r.max_mm,
        }
    }
}

impl Section {
    /// Regions as one section.
    pub(crate) fn of<'r>(regions: impl Iterator<Item = &'r Region>) -> Section {
        let parts: Vec<Section> = regions.map(Section::from).collect();
        Section::joined(parts.iter())
    }

    /// How far the middle of half of it lies from its centroid along x and y, at most, mm: the mean
    /// distance is never more than its root mean square (Jensen).
    pub(crate) fn half_mm(&self) -> [f64; 2] {
        [0, 1].map(|i| (self.moments_mm4[i] / self.area_mm2.max(1e-12)).sqrt())
    }

    /// Sections as one.
    pub(crate) fn joined<'s>(parts: impl Iterator<Item = &'s Section> + Clone) -> Section {
        let area: f64 = parts.clone().map(|r| r.area_mm2).sum();
        let mean = |i: usize| {
            parts.clone().map(|r| r.area_mm2 * r.centroid_mm[i]).sum::<f64>() / area.max(1e-12)
        };
        let c = [mean(0), mean(1)];
        let mut out = Section {
            area_mm2: area,
            centroid_mm: c,
            min_mm: [f64::INFINITY; 2],
            max_mm: [f64::NEG_INFINITY; 2],
            ..Section::default()
        };
        for r in parts {
            let d = [r.centroid_mm[0] - c[0], r.centroid_mm[1] - c[1]];
            let steiner = [d[0] * d[0], d[1] * d[1], d[0] * d[1]];
            for (sum, (own, far)) in
                out.moments_mm4.iter_mut().zip(r.moments_mm4.iter().zip(steiner))
            {
                *sum += own + r.area_mm2 * far;
            }
            for i in 0..2 {
                out.min_mm[i] = out.min_mm[i].min(r.min_mm[i]);
                out.max_mm[i] = out.max_mm[i].max(r.max_mm[i]);
            }
        }
        out
    }
}

/// Tips with the regions they touch.
struct Attached {
    /// (region, tip), sorted.
    at: Vec<(u32, u32)>,
    loose: Vec<u32>,
}

/// Layers beyond a contact in which the part may begin: tips end flush or a little inside.
const CONTACT_LAYERS: u32 = 4;

/// Finds the regions that tips touch in the layers that may hold what they touch, given the layer of
/// the contact.
fn attach(
    body: &Body<'_>,
    tips: &[Tip],
    layers: impl Fn(u32) -> Range<u32> + Sync,
    job: &Job,
) -> Result<Attached> {
    let grid = &body.survey.grid;
    let mut by_layer: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
    for (i, tip) in tips.iter().enumerate() {
        by_layer.entry(grid.layer_at(tip.contact.z)).or_default().push(i as u32);
    }
    let found = by_layer
        .par_iter()
        .map(|(&first, of_layer)| {
            job.go_on()?;
            let mut left = of_layer.clone();
            let mut at = Vec::new();
            for k in layers(first).filter(|&k| k < grid.layers) {
                if left.is_empty() {
                    break;
                }
                let pieces = body.layers.layer(k).pieces(grid);
                let base = body.survey.regions_of(k).start;
                left.retain(|&t| {
                    // The nearest piece: two legs may both come within a neck.
                    let far = pieces.iter().map(|p| distance_mm(p, &tips[t as usize], grid));
                    let hits = far.enumerate().filter_map(|(i, d)| Some((d?, i)));
                    let hit = hits.min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
                    at.extend(hit.map(|(_, i)| ((base + i) as u32, t)));
                    hit.is_none()
                });
            }
            Ok((at, left))
        })
        .collect::<Result<Vec<_>>>()?;
    let mut out = Attached { at: Vec::new(), loose: Vec::new() };
    for (at, loose) in found {
        out.at.extend(at);
        out.loose.extend(loose);
    }
    out.at.sort_unstable();
    Ok(out)
}

/// How far a piece of a layer is from the middle of a tip's neck, mm, if it comes within the neck.
fn distance_mm(piece: &Layer, tip: &Tip, grid: &Grid) -> Option<f64> {
    let radius = (0.5 * tip.diameter_mm).max(grid.pitch_mm);
    let sub = grid.pitch_mm / f64::from(SUBPIXEL);
    let row = |y: f64| ((y - grid.y0_mm) / grid.pitch_mm).floor().max(0.0) as u32;
    let c = tip.contact;
    // From a number to the stretch that begins and ends there.
    let off = |at: f64, from: f64, to: f64| (from - at).max(at - to).max(0.0);
    (row(c.y - radius)..=row(c.y + radius))
        .flat_map(|j| {
            let y = grid.y0_mm + f64::from(j) * grid.pitch_mm;
            let aside = off(c.y, y, y + grid.pitch_mm);
            piece.row(j).iter().map(move |s| {
                let x = |at: u32| grid.x0_mm + f64::from(at) * sub;
                off(c.x, x(s.x0), x(s.x1)).hypot(aside)
            })
        })
        .filter(|&d| d <= radius)
        .min_by(f64::total_cmp)
}
