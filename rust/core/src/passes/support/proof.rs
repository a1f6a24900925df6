//! The structure proven: a frame model at the critical layers gives the pull in every neck, the
//! stress in every member, buckling on the way back to the film, and spring-back. What falls short
//! grows until it holds or cannot grow any more.

use super::loads::{Case, Group, Verdict};
use super::probe::Probe;
use super::{Support, trees};
use crate::check::{FEW_TIPS, NEW_FRAME};
use crate::error::Result;
use crate::mechanics::frame::{SupportFrame, buckling_loads_n};
use crate::mechanics::{bar, springback};
use crate::mesh::Point;
use crate::part::Supports;
use crate::setup::Setup;
use rayon::prelude::*;

/// Layers at which the frame is solved, by each measure.
const CRITICAL: usize = 5;
/// Rounds of growing and solving again.
const ROUNDS: usize = 9;
/// Use of a limit that rounding alone may bring about.
pub(super) const TOLERATED: f64 = 1.005;
/// Use of a neck's strength that is aimed at: layers that are not solved may pull a little more.
const AIM: f64 = 0.95;
/// How much thicker than asked members and necks may grow.
const THICKEST: f64 = 2.0;
const WIDEST_NECK: f64 = 1.6;

/// The worst of each kind, with the layer.
#[derive(Clone, Debug, Default)]
pub(super) struct Proof {
    /// Pull over what a neck may carry.
    pub(super) neck: (f64, u32),
    /// Stress in a member over what it may have, bending included.
    pub(super) stress: (f64, u32),
    /// Thrust over the buckling load, safety counted in.
    pub(super) buckling: (f64, u32),
    /// Part of a layer's thickness that is left open when the light comes.
    pub(super) excess: (f64, u32),
    /// Settle pause that the spring-back limit asks for, s.
    pub(super) settle_s: f64,
    /// Least stiffness against the pull, N/mm.
    pub(super) stiffness_n_mm: f64,
    /// Members and necks made thicker.
    pub(super) grown: usize,
    /// Necks beyond their limit, worst first, each with the layer that pulls it most.
    pub(super) torn: Vec<(usize, u32)>,
}

/// What one case does to the structure: ratios to the limits.
struct Answer {
    case: Case,
    necks: Vec<(usize, f64)>,
    stress: Vec<f64>,
    buckling: Vec<f64>,
    /// Of the supports alone, N/mm.
    stiffness: f64,
}

/// Solves, grows and solves again.
///
/// # Errors
/// [`Error::Structure`](crate::Error::Structure) when the structure cannot stand, which would be
/// a fault of this pass.
pub(super) fn prove(
    s: &mut Supports,
    verdict: &Verdict,
    o: &Support,
    setup: &Setup,
    probe: &Probe,
) -> Result<Proof> {
    let mut cases = critical(s, verdict, setup)?;
    let mut grown = vec![false; s.members.len() + s.tips.len()];
    for round in 0..=ROUNDS {
        let struts_n = buckling_loads_n(s, setup.resin.green_modulus_mpa);
        let answers = cases
            .par_iter()
            .map(|c| answer(s, &struts_n, c, verdict, setup))
            .collect::<Result<Vec<_>>>()?;
        let mut proof = worst(&answers, setup);
        let mut settled = round == ROUNDS;
        if !settled && !grow(s, &answers, &proof, o, setup, probe, &mut grown) {
            // Thicker bars draw more load, so that another layer may be the worst by now.
            let before = cases.len();
            cases.extend(critical(s, verdict, setup)?);
            sort(&mut cases);
            settled = cases.len() == before;
        }
        if settled {
            proof.grown = grown.iter().filter(|&&g| g).count();
            proof.torn = torn(&answers);
            return Ok(proof);
        }
    }
    Ok(Proof::default())
}

/// The cases with the greatest pull, the greatest pull on a tip by formula and by frame, the greatest
/// resistance to being pressed through resin, and the last; one of each for every group at most.
fn critical(s: &Supports, verdict: &Verdict, setup: &Setup) -> Result<Vec<Case>> {
    // Groups are framed as the check does it: all of few tips, beyond those that have grown.
    let few = FEW_TIPS as f64;
    let mut last = few;
    let mut chosen = |g: &Group| {
        let tips = g.tips.len() as f64;
        let more = tips > last * (1.0 + NEW_FRAME);
        last = if more { tips } else { last };
        g.carriers > 0 && (more || tips <= few)
    };
    let chosen: Vec<bool> = verdict.groups.iter().map(&mut chosen).collect();
    let framed = verdict
        .groups
        .par_iter()
        .zip(chosen)
        .map(|(g, chosen)| chosen.then(|| model(s, g, setup).response()).transpose())
        .collect::<Result<Vec<_>>>()?;
    let neck_use = |c: &Case| {
        let tips = &verdict.groups[c.group].tips;
        let pulls = framed[c.group].as_ref().map_or_else(Vec::new, |f| f.tip_pulls_n(c.pull));
        let uses = pulls.iter().zip(tips).map(|(n, &i)| n / bar::area_mm2(s.tips[i].diameter_mm));
        uses.fold(0.0, f64::max)
    };
    let mut out: Vec<Case> = Vec::new();
    let mut pick = |measure: &dyn Fn(&Case) -> f64| {
        let mut best: Vec<Option<(f64, Case)>> = vec![None; verdict.groups.len()];
        for c in verdict.cases.iter().filter(|c| verdict.groups[c.group].carriers > 0) {
            let value = measure(c);
            if best[c.group].is_none_or(|b| value > b.0) {
                best[c.group] = Some((value, *c));
            }
        }
        let mut found: Vec<(f64, Case)> = best.into_iter().flatten().collect();
        found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.layer.cmp(&b.1.layer)));
        out.extend(found.into_iter().take(CRITICAL).map(|f| f.1));
    };
    pick(&|c| c.pull.force_n);
    pick(&|c| if c.highest_n.is_finite() { c.highest_n } else { 0.0 });
    pick(&neck_use);
    pick(&|c| c.torsion_mm4);
    pick(&|c| f64::from(c.layer));
    sort(&mut out);
    Ok(out)
}

/// Each case once, in the order of the layers.
fn sort(cases: &mut Vec<Case>) {
    cases.sort_by_key(|c| (c.layer, c.group));
    cases.dedup_by_key(|c| (c.layer, c.group));
}

/// The frame of what a group hangs on.
fn model(s: &Supports, group: &Group, setup: &Setup) -> SupportFrame {
    let hanging = s.holding(&group.tips, &group.landings);
    SupportFrame::new(&hanging, setup.resin.green_modulus_mpa, setup.resin.poisson)
}

fn answer(
    s: &Supports,
    struts_n: &[f64],
    case: &Case,
    verdict: &Verdict,
    setup: &Setup,
) -> Result<Answer> {
    let (r, m) = (&setup.resin, &setup.machine);
    let group = &verdict.groups[case.group];
    let model = model(s, group, setup);
    let frame = &model.frame;
    let pulled = frame.factor()?.solve(&[model.load(case.pull)])?;
    let at = Point::new(case.pull.x_mm, case.pull.y_mm, frame.nodes[model.body as usize].z);
    let rise = pulled.displacement_mm(frame, model.body, at).z;
    let stiffness = case.pull.force_n / rise;
    let springs = [stiffness, m.frame_stiffness_n_mm];
    // On the way back everything is pressed instead, by what the resin in the gap resists.
    let press = springback::arrival_n(
        case.torsion_mm4,
        setup.exposure.layer_mm,
        m.return_speed_mm_s,
        r.viscosity_pa_s,
        springback::series_stiffness_n_mm(&springs),
    ) / case.pull.force_n;
    let safety = setup.limits.safety;
    let allowed = r.green_strength_mpa / safety;
    let neck = |i: usize, beam: usize| {
        pulled.axial_n(beam) * safety / bar::neck_n(r.green_strength_mpa, s.tips[i].diameter_mm)
    };
    Ok(Answer {
        case: *case,
        necks: group.tips.iter().zip(model.tips.clone()).map(|(&i, b)| (i, neck(i, b))).collect(),
        stress: (0..s.members.len()).map(|i| pulled.stress_mpa(frame, i) / allowed).collect(),
        buckling: (0..s.members.len())
            .map(|i| pulled.axial_n(i) * press * safety / struts_n[i])
            .collect(),
        stiffness,
    })
}

fn worst(answers: &[Answer], setup: &Setup) -> Proof {
    let mut p = Proof { stiffness_n_mm: f64::INFINITY, ..Proof::default() };
    let more = |w: &mut (f64, u32), v: f64, layer: u32| {
        if v > w.0 {
            *w = (v, layer);
        }
    };
    for a in answers {
        a.necks.iter().for_each(|n| more(&mut p.neck, n.1, a.case.layer));
        a.stress.iter().for_each(|&v| more(&mut p.stress, v, a.case.layer));
        a.buckling.iter().for_each(|&v| more(&mut p.buckling, v, a.case.layer));
        p.stiffness_n_mm = p.stiffness_n_mm.min(a.stiffness);
        let tau = time_constant_s(a, setup);
        let left = springback::excess_left(f64::INFINITY, setup.machine.settle_s, tau);
        more(&mut p.excess, left, a.case.layer);
        p.settle_s = p.settle_s.max(springback::settle_for_s(setup.limits.missed_layer, tau));
    }
    p
}

/// Necks that carry too much, worst first.
fn torn(answers: &[Answer]) -> Vec<(usize, u32)> {
    let necks = |a: &Answer| a.necks.iter().map(|n| (n.1, n.0, a.case.layer)).collect::<Vec<_>>();
    let mut over: Vec<_> = answers.iter().flat_map(necks).filter(|n| n.0 > 1.0).collect();
    over.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
    let mut seen = std::collections::BTreeSet::new();
    over.retain(|n| seen.insert(n.1));
    over.into_iter().map(|n| (n.1, n.2)).collect()
}

/// How fast the last of the gap closes while the piece presses resin out of it.
fn time_constant_s(a: &Answer, setup: &Setup) -> f64 {
    let springs = [a.stiffness, setup.machine.frame_stiffness_n_mm];
    springback::time_constant_s(damping(a, setup), springback::series_stiffness_n_mm(&springs))
}

fn damping(a: &Answer, setup: &Setup) -> f64 {
    let h = setup.exposure.layer_mm;
    springback::damping_n_s_mm(a.case.torsion_mm4, h, setup.resin.viscosity_pa_s)
}

/// Thickens what falls short; whether anything could.
fn grow(
    s: &mut Supports,
    answers: &[Answer],
    proof: &Proof,
    o: &Support,
    setup: &Setup,
    probe: &Probe,
    grown: &mut [bool],
) -> bool {
    let mut changed = false;
    let stiffer = stiffening(answers, proof, setup);
    let count = s.members.len();
    for (i, flag) in grown[..count].iter_mut().enumerate() {
        let over = answers.iter().map(|a| a.stress[i].max(a.buckling[i])).fold(0.0, f64::max);
        // Bending stress falls with d³, the buckling load rises with d⁴.
        let factor = if over > 1.0 { over.cbrt() * 1.02 } else { 1.0 }.max(stiffer);
        let m = &s.members[i];
        let wanted = (m.diameter_mm * factor).min(THICKEST * o.column_mm);
        if wanted <= m.diameter_mm * 1.001 {
            continue;
        }
        let (a, b) = (s.nodes[m.a as usize], s.nodes[m.b as usize]);
        if probe.clear(&a, &b, wanted / 2.0 + o.gap_mm) {
            s.members[i].diameter_mm = wanted;
            (changed, *flag) = (true, true);
        }
    }
    for (i, tip) in s.tips.iter_mut().enumerate() {
        let of_tip = |a: &Answer| a.necks.iter().find(|n| n.0 == i).map_or(0.0, |n| n.1);
        let over = answers.iter().map(of_tip).fold(0.0, f64::max);
        let wanted = (tip.diameter_mm * (over / AIM).sqrt()).min(WIDEST_NECK * o.tip_mm);
        if over > AIM && wanted > tip.diameter_mm * 1.001 {
            tip.diameter_mm = wanted;
            (changed, grown[count + i]) = (true, true);
        }
    }
    trees::never_thinner_below(s);
    changed
}

/// Factor on diameters by which spring-back would hold, or 1 where thicker columns cannot bring it
/// about: the machine's own give may already be too much.
fn stiffening(answers: &[Answer], proof: &Proof, setup: &Setup) -> f64 {
    const MOST: f64 = 2.0; // on stiffness; beyond that a longer pause is the better cure
    if proof.excess.0 <= setup.limits.missed_layer {
        return 1.0;
    }
    let need = |a: &Answer| {
        // Time constants per second of pause: settle_for is linear in them.
        let unit = springback::settle_for_s(setup.limits.missed_layer, 1.0);
        let wanted = damping(a, setup) * unit / setup.machine.settle_s.max(1e-9);
        let supports = 1.0 / (1.0 / wanted - 1.0 / setup.machine.frame_stiffness_n_mm);
        if supports < 0.0 { f64::INFINITY } else { supports / a.stiffness }
    };
    let factor = answers.iter().map(need).fold(1.0, f64::max);
    if factor <= MOST { factor.sqrt() } else { 1.0 }
}
