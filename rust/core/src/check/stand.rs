//! Standing: what carries each piece of the part while it grows, and how hard that works.
//!
//! Layer by layer the part's regions join into pieces. A piece stands on the plate (or raft), or
//! hangs on the tips that touch it so far: an arm has only its own tips until a layer joins it
//! to the trunk. Each layer pulls on its piece when it leaves the film and presses on it when it
//! comes back.

use super::Evidence;
use super::limb::Limb;
use crate::disjoint_sets::DisjointSets;
use crate::error::{Error, Result};
use crate::layers::{Layer, SUBPIXEL};
use crate::mechanics::frame::{Response, SupportFrame, buckling_loads_n};
use crate::mechanics::peel::Pull;
use crate::mechanics::{bar, springback, tips};
use crate::mesh::Point;
use crate::part::{Supports, Tip};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::ops::Range;

/// The piece of a layer that is worst off in some way.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Worst {
    /// What is over what may be: 1 at the limit.
    pub ratio: f64,
    /// What is, in the mode's unit.
    pub value: f64,
    /// What may be.
    pub limit: f64,
    /// Where.
    pub place: Option<Point>,
}

impl Worst {
    fn keep(&mut self, other: Worst) {
        if other.ratio > self.ratio {
            *self = other;
        }
    }
}

/// What the sweep found, one entry a layer.
#[derive(Debug, Default)]
pub(super) struct Standing {
    /// Tip loads against necks over safety, N.
    pub tips: Vec<Worst>,
    /// Press on columns against buckling, N.
    pub columns: Vec<Worst>,
    /// Part of the layer by which it turns out too thick; the ratio is the same number.
    pub missed: Vec<Worst>,
    /// Tips that touch nothing.
    pub loose_tips: Vec<u32>,
    /// Why the supports make no sound structure.
    pub unsound: Option<String>,
}

/// A piece of the part so far.
#[derive(Default)]
struct Piece {
    grounded: bool,
    tips: Vec<u32>,
    /// Landings that stand on it.
    landings: Vec<u32>,
    /// How its supports answer, if they are sound, as of the time when it had so many tips and landings.
    frame: Option<Response>,
    framed: (usize, usize),
}

/// A frame of many tips is made anew when they have grown by more than this part, since each new
/// tip of a forest changes little; tips it does not know carry nothing until then (the safe side).
pub(crate) const NEW_FRAME: f64 = 0.1;
/// Up to so many tips every new one counts.
pub(crate) const FEW_TIPS: usize = 64;

pub(super) fn sweep(e: &Evidence<'_>) -> Result<Standing> {
    let survey = e.body_survey();
    let supports = e.part.supports.as_deref();
    let attached =
        attach(e, supports.map_or(&[], |s| &s.tips), |first| first..first + CONTACT_LAYERS)?;
    let landings = supports.map_or(&[][..], |s| &s.landings);
    let landed = attach(e, landings, |first| first.saturating_sub(CONTACT_LAYERS)..first + 1)?;
    let grounded = grounded(e);
    let strut_n =
        supports.map_or_else(Vec::new, |s| buckling_loads_n(s, e.setup().resin.green_modulus_mpa));
    let n = e.grid().layers as usize;
    let mut out = Standing {
        tips: vec![Worst::default(); n],
        columns: vec![Worst::default(); n],
        missed: vec![Worst::default(); n],
        loose_tips: attached.loose,
        unsound: None,
    };
    let mut sets = DisjointSets::new(survey.regions.len());
    let mut pieces: Vec<Option<Piece>> = Vec::new();
    pieces.resize_with(survey.regions.len(), || None);
    let mut limbs = vec![Limb::default(); survey.regions.len()];
    // How far machine, supports and limb still give way when the light comes, mm.
    let mut lag_mm = vec![0.0; survey.regions.len()];
    let (mut next_tip, mut next_landing) = (0, 0);
    for k in 0..e.grid().layers {
        e.ctx.checkpoint(f64::from(k) / n as f64)?;
        for r in survey.regions_of(k) {
            let mut piece = Piece { grounded: grounded[r], ..Piece::default() };
            while attached.tips.get(next_tip).is_some_and(|t| t.0 as usize == r) {
                piece.tips.push(attached.tips[next_tip].1);
                next_tip += 1;
            }
            while landed.tips.get(next_landing).is_some_and(|t| t.0 as usize == r) {
                piece.landings.push(landed.tips[next_landing].1);
                next_landing += 1;
            }
            if !piece.grounded && piece.tips.is_empty() {
                let modulus_mpa = e.setup().resin.green_modulus_mpa;
                limbs[r] = Limb::of(r as u32, survey, &limbs, modulus_mpa);
            }
            pieces[r] = Some(piece);
            for b in survey.below(r as u32) {
                let (a, b) = (sets.root(r), sets.root(b as usize));
                if a != b {
                    let kept = sets.join(a, b);
                    let other = pieces[a.max(b)].take();
                    merge(&mut pieces[kept], other);
                }
            }
        }
        let mut here: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for r in survey.regions_of(k) {
            here.entry(sets.root(r)).or_default().push(r);
        }
        let all_mm4: f64 = e.loads[survey.regions_of(k)].iter().map(|l| l.torsion_mm4).sum();
        for (root, regions) in here {
            let Some(piece) = &mut pieces[root] else { continue };
            if let (false, Some(s)) = (piece.grounded, supports)
                && let Err(Error::Structure { place, problem, .. }) = piece.refresh(e, s)
            {
                out.unsound.get_or_insert(format!("{place}: {problem}"));
            }
            let Some(base) = load(e, k, piece, &regions, all_mm4, &strut_n, &mut out) else {
                continue; // an island: it has nothing to strain
            };
            for r in regions {
                let below = survey.below(r as u32).map(|b| lag_mm[b as usize]).fold(0.0, f64::max);
                let limb_mm_n = limbs[r].bend_mm_n(&survey.regions[r]);
                lag_mm[r] = settle(e, r, base, limb_mm_n, below, &mut out.missed[k as usize]);
            }
        }
    }
    Ok(out)
}

fn merge(kept: &mut Option<Piece>, other: Option<Piece>) {
    let (Some(kept), Some(other)) = (kept.as_mut(), other) else { return };
    kept.grounded |= other.grounded;
    if other.framed > kept.framed {
        (kept.frame, kept.framed) = (other.frame, other.framed);
    }
    kept.tips.extend(other.tips);
    kept.landings.extend(other.landings);
}

impl Piece {
    /// Makes the frame anew when it knows too few of the tips, or not all landings.
    fn refresh(&mut self, e: &Evidence<'_>, supports: &Supports) -> Result<()> {
        let (now, framed) = (self.tips.len(), self.framed.0);
        let known = if now <= FEW_TIPS { framed as f64 } else { framed as f64 * (1.0 + NEW_FRAME) };
        if now as f64 <= known && self.landings.len() == self.framed.1 {
            return Ok(());
        }
        self.tips.sort_unstable();
        self.framed = (self.tips.len(), self.landings.len());
        self.frame = None;
        let some = |all: &[u32]| all.iter().map(|&i| i as usize).collect::<Vec<_>>();
        let own = supports.holding(&some(&self.tips), &some(&self.landings));
        let r = &e.setup().resin;
        let frame = SupportFrame::new(&own, r.green_modulus_mpa, r.poisson);
        self.frame = Some(frame.response()?);
        Ok(())
    }
}

/// How a piece of a layer is held.
#[derive(Clone, Copy)]
struct Base {
    /// Stiffness of machine and supports, N/mm.
    stiffness_n_mm: f64,
    /// Torsion constant of the piece's regions together, mm⁴; they share the stiffness by it.
    torsion_mm4: f64,
}

/// What one layer does to a piece, and how the piece is held meanwhile; `None` when it is not.
fn load(
    e: &Evidence<'_>,
    k: u32,
    piece: &Piece,
    regions: &[usize],
    all_mm4: f64,
    strut_n: &[f64],
    out: &mut Standing,
) -> Option<Base> {
    let loads = || regions.iter().map(|&r| &e.loads[r]);
    let pull = Pull::sum(loads().flat_map(|l| [l.peel, l.suction]));
    let torsion_mm4: f64 = loads().map(|l| l.torsion_mm4).sum();
    let layer = k as usize;
    let (m, r, h) = (&e.setup().machine, &e.setup().resin, e.grid().layer_mm);
    // The pieces of a layer share the machine's arm as they resist.
    let arm_n_mm = m.frame_stiffness_n_mm * if all_mm4 > 0.0 { torsion_mm4 / all_mm4 } else { 1.0 };
    let mut stiffness = arm_n_mm;
    if let (false, Some(s)) = (piece.grounded, e.part.supports.as_deref()) {
        if piece.tips.is_empty() {
            return None;
        }
        out.tips[layer].keep(tip_use(e, piece, s, pull));
        let framed = piece.frame.as_ref()?;
        stiffness = springback::series_stiffness_n_mm(&[
            arm_n_mm,
            framed.stiffness_n_mm(pull.x_mm, pull.y_mm),
        ]);
        let press_n =
            springback::arrival_n(torsion_mm4, h, m.return_speed_mm_s, r.viscosity_pa_s, stiffness);
        let press = Pull { force_n: -press_n, ..pull };
        for (i, axial_n) in framed.member_pulls_n(press).into_iter().enumerate() {
            let (value, limit) = (-axial_n, strut_n[i]);
            let middle = &s.members[i];
            let place = nalgebra::center(&s.nodes[middle.a as usize], &s.nodes[middle.b as usize]);
            out.columns[layer].keep(Worst {
                ratio: value / limit,
                value,
                limit,
                place: Some(place),
            });
        }
    }
    Some(Base { stiffness_n_mm: stiffness, torsion_mm4 })
}

/// Lets a region settle before the light: the gap left is its layer. Returns how far what holds it
/// then still gives way, mm, after `lag_mm` before.
fn settle(
    e: &Evidence<'_>,
    region: usize,
    base: Base,
    limb_mm_n: f64,
    lag_mm: f64,
    missed: &mut Worst,
) -> f64 {
    let (m, r, h) = (&e.setup().machine, &e.setup().resin, e.grid().layer_mm);
    let torsion_mm4 = e.loads[region].torsion_mm4;
    let share = if base.torsion_mm4 > 0.0 { torsion_mm4 / base.torsion_mm4 } else { 1.0 };
    let stiffness =
        springback::series_stiffness_n_mm(&[base.stiffness_n_mm * share, limb_mm_n.recip()]);
    // What holds it still presses on from the layers before: the gap heads for less than a layer.
    let target = h - lag_mm;
    let gap = springback::gap_left_mm(torsion_mm4, target, m.settle_s, r.viscosity_pa_s, stiffness);
    let ratio = (gap - h) / h;
    let limit = e.setup().limits.missed_layer;
    let place = Some(e.body_survey().regions[region].place(e.grid()));
    missed.keep(Worst { ratio, value: ratio, limit, place });
    (lag_mm + gap - h).max(0.0)
}

/// The tip that comes nearest to tearing off.
fn tip_use(e: &Evidence<'_>, piece: &Piece, supports: &Supports, pull: Pull) -> Worst {
    let own: Vec<&Tip> = piece.tips.iter().map(|&t| &supports.tips[t as usize]).collect();
    let at: Vec<[f64; 2]> = own.iter().map(|t| [t.contact.x, t.contact.y]).collect();
    let place = [pull.x_mm, pull.y_mm];
    let known = piece.frame.as_ref().filter(|_| piece.framed.0 == own.len());
    let pulls = match known {
        Some(f) => f.tip_pulls_n(pull),
        None => tips::loads_n(&at, pull.force_n, place).unwrap_or_else(|_| bent_n(&own, pull)),
    };
    let (r, safety) = (&e.setup().resin, e.setup().limits.safety);
    let mut worst = Worst::default();
    for (tip, value) in own.iter().zip(pulls) {
        let limit = bar::neck_n(r.green_strength_mpa, tip.diameter_mm) / safety;
        worst.keep(Worst { ratio: value / limit, value, limit, place: Some(tip.contact) });
    }
    worst
}

/// Tips on one point or line under a pull beside it: their necks also bend, which counts as the
/// pull that would strain the edge as much, F(1 + 8e/d) for a round neck (M·r/I against F/A).
fn bent_n(own: &[&Tip], pull: Pull) -> Vec<f64> {
    let n = own.len() as f64;
    let middle = own.iter().map(|t| t.contact.coords.xy()).sum::<nalgebra::Vector2<f64>>() / n;
    let off = (pull.x_mm - middle.x).hypot(pull.y_mm - middle.y);
    own.iter().map(|t| pull.force_n / n * (1.0 + 8.0 * off / t.diameter_mm)).collect()
}

/// Regions that lie on the plate or on the raft.
fn grounded(e: &Evidence<'_>) -> Vec<bool> {
    let survey = e.body_survey();
    let mut out = vec![false; survey.regions.len()];
    if e.grid().layers == 0 {
        return out;
    }
    out[survey.regions_of(0)].fill(true);
    let Some(raft) = &e.part.raft else { return out };
    // The first layers above the raft are within a layer of its top.
    let top = (raft.plan.top_mm() / e.grid().layer_mm).ceil() as u32 + 1;
    for k in 1..top.min(e.grid().layers) {
        let base = e.printed.layer(k - 1).minus(e.body().layer(k - 1));
        let pieces = e.body().layer(k).pieces(e.grid());
        for (r, piece) in survey.regions_of(k).zip(&pieces) {
            out[r] = !piece.intersection(&base).is_empty();
        }
    }
    out
}

/// Tips with the regions they touch.
struct Attached {
    /// (region, tip), sorted.
    tips: Vec<(u32, u32)>,
    loose: Vec<u32>,
}

/// Layers beyond a contact in which the part may begin: tips end flush or a little inside.
const CONTACT_LAYERS: u32 = 4;

/// Finds the regions that tips touch in the layers that may hold what they touch, given the layer of
/// the contact.
fn attach(
    e: &Evidence<'_>,
    tips: &[Tip],
    layers: impl Fn(u32) -> Range<u32> + Sync,
) -> Result<Attached> {
    let grid = e.grid();
    let mut by_layer: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
    for (i, tip) in tips.iter().enumerate() {
        by_layer.entry(grid.layer_at(tip.contact.z)).or_default().push(i as u32);
    }
    let found = by_layer
        .par_iter()
        .map(|(&first, of_layer)| {
            e.ctx.checkpoint(0.0)?;
            let mut left = of_layer.clone();
            let mut at = Vec::new();
            for k in layers(first).filter(|&k| k < grid.layers) {
                if left.is_empty() {
                    break;
                }
                let pieces = e.body().layer(k).pieces(grid);
                let base = e.body_survey().regions_of(k).start;
                left.retain(|&t| {
                    let hit = pieces.iter().position(|p| touches(p, &tips[t as usize], e));
                    at.extend(hit.map(|i| ((base + i) as u32, t)));
                    hit.is_none()
                });
            }
            Ok((at, left))
        })
        .collect::<Result<Vec<_>>>()?;
    let mut out = Attached { tips: Vec::new(), loose: Vec::new() };
    for (at, loose) in found {
        out.tips.extend(at);
        out.loose.extend(loose);
    }
    out.tips.sort_unstable();
    Ok(out)
}

/// Whether a piece of a layer comes within a tip's neck.
fn touches(piece: &Layer, tip: &Tip, e: &Evidence<'_>) -> bool {
    let grid = e.grid();
    let radius = (0.5 * tip.diameter_mm).max(grid.pitch_mm);
    let sub = grid.pitch_mm / f64::from(SUBPIXEL);
    let row = |y: f64| ((y - grid.y0_mm) / grid.pitch_mm).floor().max(0.0) as u32;
    (row(tip.contact.y - radius)..=row(tip.contact.y + radius)).any(|j| {
        piece.row(j).iter().any(|s| {
            let x0 = grid.x0_mm + f64::from(s.x0) * sub;
            let x1 = grid.x0_mm + f64::from(s.x1) * sub;
            x0 <= tip.contact.x + radius && tip.contact.x - radius <= x1
        })
    })
}
