//! Assessment: what every load case at every layer asks of necks, bars, feet and of the part itself,
//! over what they may bear.
//!
//! The part is a rigid body on elastic supports; its own sections are judged by what passes through
//! them ([`super::sections`]). Every stage is factored once; each layer in it is a sum of the
//! answers to six unit loads.

use super::demand::{Demand, Use};
use super::frame::{Lift, Response, Strain, SupportFrame, Wrench, buckling_loads_n};
use super::sections;
use super::settling::Settling;
use super::stages::{Body, Case, History};
use crate::error::{Error, Result};
use crate::job::Job;
use crate::mechanics::peel::Pull;
use crate::mechanics::{bar, springback};
use crate::mesh::Point;
use crate::part::Supports;
use crate::setup::Setup;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// The hardest work of each kind in a layer.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct LayerUse {
    /// Stress in a neck of a tip or landing, MPa.
    pub(crate) neck: Use,
    /// Stress in a column or brace, MPa.
    pub(crate) bar: Use,
    /// Press on a column against what buckles it, N.
    pub(crate) buckling: Use,
    /// Stress in a section of the part itself, MPa.
    pub(crate) section: Use,
    /// The hardest of these stresses under the press alone, MPa.
    pub(crate) pressed: Use,
    /// Stress in a neck or bar after another tip has gone, MPa.
    pub(crate) lost: Use,
    /// How far the part sways under the side load, mm.
    pub(crate) sway: Use,
    /// Part of the layer by which it turns out too thick.
    pub(crate) missed: Use,
}

impl LayerUse {
    fn keep(&mut self, other: &LayerUse) {
        self.neck.keep(other.neck);
        self.bar.keep(other.bar);
        self.buckling.keep(other.buckling);
        self.section.keep(other.section);
        self.pressed.keep(other.pressed);
        self.lost.keep(other.lost);
        self.sway.keep(other.sway);
        self.missed.keep(other.missed);
    }

    /// Keeps a stress among those under the press, if it is one.
    fn keep_pressed(&mut self, used: Use) {
        if used.demand == Demand::Press {
            self.pressed.keep(used);
        }
    }
}

/// Nodes of feet with what they do to the plate.
type Feet = Vec<(u32, Lift)>;

/// What the assessment found.
#[derive(Debug, Default)]
pub(crate) struct Assessment {
    /// One entry a layer.
    pub(crate) layers: Vec<LayerUse>,
    /// By tip, by landing, by member: the hardest it ever works, buckling included.
    pub(crate) tips: Vec<Use>,
    pub(crate) landings: Vec<Use>,
    pub(crate) members: Vec<Use>,
    /// By tip and by member: the hardest they work after another tip has gone; empty until that is
    /// asked.
    pub(crate) lost: Vec<Use>,
    pub(crate) lost_members: Vec<Use>,
    /// Pieces too large to hang on so few tips: layer, place, tips.
    pub(crate) few: Vec<(u32, Point, usize)>,
    /// By layer: node of each foot on raft or plate with what it does there under the layer's pull.
    pub(crate) feet: Vec<Feet>,
    /// Least stiffness of supports under a piece against its pull, N/mm.
    pub(crate) stiffness_n_mm: Option<f64>,
    /// How it settles before the light.
    pub(crate) settling: Settling,
    /// Settle pause that would keep every layer within the limit, s.
    pub(crate) settle_s: f64,
    /// [`Settled::stiffen`](super::settling::Settled::stiffen).
    pub(crate) stiffen: f64,
    /// Layers whose supports make no sound structure: layer, a place, why.
    pub(crate) unsound: Vec<(u32, Option<Point>, String)>,
}

impl Assessment {
    /// The worst over all layers.
    pub(crate) fn worst(&self, kind: impl Fn(&LayerUse) -> Use) -> Use {
        let mut worst = Use::default();
        self.layers.iter().for_each(|l| worst.keep(kind(l)));
        worst
    }
}

/// What the cases of a stage come to.
struct StageUse {
    /// What each case asks, in the stage's order of cases.
    cases: Vec<LayerUse>,
    tips: Vec<Use>,
    landings: Vec<Use>,
    members: Vec<Use>,
    response: Response,
}

/// What holds a part, judged in stages.
pub(crate) struct Judge<'a> {
    body: Body<'a>,
    history: &'a History,
    /// The cases of each stage.
    cases: Vec<Vec<usize>>,
    setup: &'a Setup,
    job: &'a Job,
}

/// Judges a part on its supports at every layer.
///
/// # Errors
/// [`Error::Cancelled`](crate::Error::Cancelled).
pub(crate) fn assess(
    body: &Body<'_>,
    history: &History,
    supports: Option<&Supports>,
    setup: &Setup,
    job: &Job,
) -> Result<Assessment> {
    let none = Supports::default();
    let judge = Judge::new(*body, history, setup, job);
    let all: Vec<u32> = (0..history.stages.len() as u32).collect();
    judge.whole(supports.unwrap_or(&none), &all)
}

impl<'a> Judge<'a> {
    pub(crate) fn new(
        body: Body<'a>,
        history: &'a History,
        setup: &'a Setup,
        job: &'a Job,
    ) -> Judge<'a> {
        let mut cases: Vec<Vec<usize>> = vec![Vec::new(); history.stages.len()];
        for (i, case) in history.cases.iter().enumerate() {
            if let Some(stage) = case.stage {
                cases[stage as usize].push(i);
            }
        }
        Judge { body, history, cases, setup, job }
    }

    /// What these stages ask of tips, landings and members.
    pub(crate) fn supports(&self, s: &Supports, stages: &[u32]) -> Result<Assessment> {
        Ok(self.stages(s, stages)?.0)
    }

    /// Everything: these stages with the part's own sections, feet and spring-back.
    fn whole(&self, s: &Supports, stages: &[u32]) -> Result<Assessment> {
        let (mut out, responses) = self.stages(s, stages)?;
        let (body, history, setup) = (&self.body, self.history, self.setup);
        let cuts = sections::Cuts::of(body, history);
        let regions = [&history.tip_region[..], &history.landing_region];
        let found: Vec<(Feet, Vec<Use>, f64)> = history
            .cases
            .par_iter()
            .enumerate()
            .map(|(i, case)| {
                let Some(response) = case.stage.and_then(|s| responses[s as usize].as_ref()) else {
                    let below = cuts.below(i).filter(|_| case.grounded);
                    let used =
                        below.map(|b| sections::standing(body, history, case, b, &cuts, setup));
                    let stiffness = if case.grounded { f64::INFINITY } else { 0.0 };
                    return (Vec::new(), used.unwrap_or_default(), stiffness);
                };
                let stage = &history.stages[case.stage.unwrap_or(0) as usize];
                let pulled = response.pulled(case.pull);
                let mut used = Vec::new();
                if let Some(below) = cuts.below(i) {
                    for (demand, load) in self.loads(case, response) {
                        let held = response.held(&load, &stage.tips, &regions);
                        let all =
                            sections::hanging(body, history, case, below, &held, demand, setup);
                        used.extend(all);
                    }
                }
                let stiffness = response.stiffness_n_mm(case.pull.x_mm, case.pull.y_mm);
                (response.feet(&pulled).collect(), used, stiffness)
            })
            .collect();
        let mut stiffness = Vec::with_capacity(history.cases.len());
        for (case, (feet, used, n_mm)) in history.cases.iter().zip(found) {
            out.feet[case.layer as usize].extend(feet);
            for section in used {
                let here = &mut out.layers[section.layer as usize];
                here.section.keep(section);
                here.keep_pressed(section);
            }
            if case.stage.is_some() && n_mm > 0.0 {
                let least = out.stiffness_n_mm.get_or_insert(f64::INFINITY);
                *least = least.min(n_mm);
            }
            stiffness.push(n_mm);
        }
        out.settling = Settling::of(body, history, &stiffness, setup);
        let settled = out.settling.settle(&out.settling.resists_mm4, setup);
        for (layer, missed) in out.layers.iter_mut().zip(settled.missed) {
            layer.missed.keep(missed);
        }
        (out.settle_s, out.stiffen) = (settled.settle_s, settled.stiffen);
        Ok(out)
    }

    fn stages(&self, s: &Supports, stages: &[u32]) -> Result<(Assessment, Vec<Option<Response>>)> {
        let history = self.history;
        let n = self.body.survey.grid.layers as usize;
        let struts_n = buckling_loads_n(s, self.setup.resin.green_modulus_mpa);
        let judged: Vec<Result<StageUse>> =
            stages.par_iter().map(|&i| self.stage(s, &struts_n, i)).collect();
        let mut out = Assessment {
            layers: vec![LayerUse::default(); n],
            tips: vec![Use::default(); s.tips.len()],
            landings: vec![Use::default(); s.landings.len()],
            members: vec![Use::default(); s.members.len()],
            feet: vec![Vec::new(); n],
            stiffen: 1.0,
            ..Assessment::default()
        };
        let mut responses: Vec<Option<Response>> = vec![None; history.stages.len()];
        for (&i, found) in stages.iter().zip(judged) {
            let stage = &history.stages[i as usize];
            let found = match found {
                Ok(found) => found,
                Err(Error::Structure { place, problem, .. }) => {
                    let at = stage.tips.first().map(|&t| s.tips[t as usize].contact);
                    out.unsound.push((stage.layer, at, format!("{place}: {problem}")));
                    continue;
                }
                Err(other) => return Err(other),
            };
            for (&c, used) in self.cases[i as usize].iter().zip(&found.cases) {
                out.layers[history.cases[c].layer as usize].keep(used);
            }
            stage.tips.iter().zip(found.tips).for_each(|(&t, u)| out.tips[t as usize].keep(u));
            out.landings.iter_mut().zip(found.landings).for_each(|(a, u)| a.keep(u));
            out.members.iter_mut().zip(found.members).for_each(|(a, u)| a.keep(u));
            responses[i as usize] = Some(found.response);
        }
        Ok((out, responses))
    }

    fn stage(&self, s: &Supports, struts_n: &[f64], stage: u32) -> Result<StageUse> {
        self.job.go_on()?;
        let (r, at) = (&self.setup.resin, &self.history.stages[stage as usize]);
        let model = SupportFrame::new(s, &at.tips, &at.landings, r.green_modulus_mpa, r.poisson);
        let response = model.response()?;
        let cases = &self.cases[stage as usize];
        let mut out = StageUse {
            cases: vec![LayerUse::default(); cases.len()],
            tips: vec![Use::default(); at.tips.len()],
            landings: vec![Use::default(); s.landings.len()],
            members: vec![Use::default(); s.members.len()],
            response,
        };
        let safety = self.setup.limits.safety;
        let mut all: Vec<(usize, Use, Wrench)> = Vec::with_capacity(LOADS * cases.len());
        for (k, &c) in cases.iter().enumerate() {
            let case = &self.history.cases[c];
            for (demand, load) in self.loads(case, &out.response) {
                let limit = demand.limit_mpa(self.setup);
                let blank = Use { limit, layer: case.layer, demand, stage, ..Use::default() };
                if demand == Demand::Side {
                    out.cases[k].sway.keep(self.sway(case, &out.response, &load, blank));
                }
                let neck = |strain: Strain, place: Point, diameter_mm: f64| {
                    let value = strain.greatest_mpa();
                    let pull_mpa = strain.axial_n / bar::area_mm2(diameter_mm);
                    let alone = at.tips.len() < FEW || pull_mpa > limit;
                    Use { ratio: value / limit, value, place: Some(place), alone, ..blank }
                };
                let necks = out.response.necks(&load).zip(&at.tips).zip(&mut out.tips);
                for ((strain, &t), kept) in necks {
                    let tip = &s.tips[t as usize];
                    let used = neck(strain, tip.contact, tip.diameter_mm);
                    kept.keep(used);
                    out.cases[k].neck.keep(used);
                    out.cases[k].keep_pressed(used);
                }
                let landings = out.response.landings(&load).zip(&s.landings);
                for ((strain, landing), kept) in landings.zip(&mut out.landings) {
                    let used = neck(strain, landing.contact, landing.diameter_mm);
                    kept.keep(used);
                    out.cases[k].neck.keep(used);
                    out.cases[k].keep_pressed(used);
                }
                all.push((k, blank, load));
            }
        }
        let member = |i: usize, blank: &Use, load: &Wrench| {
            let m = &s.members[i];
            let strain = out.response.member(i, load);
            let place = Some(nalgebra::center(&s.nodes[m.a as usize], &s.nodes[m.b as usize]));
            let value = strain.greatest_mpa();
            let force_mpa = strain.axial_n.abs() / bar::area_mm2(m.diameter_mm);
            let alone = at.tips.len() < FEW || force_mpa > blank.limit;
            let bar = Use { ratio: value / blank.limit, value, place, alone, ..*blank };
            let (value, limit) = (-strain.axial_n, struts_n[i] / safety);
            [bar, Use { ratio: value / limit, value, limit, ..bar }]
        };
        // Uses are convex in the load, so the outermost loads of a stage say what its members ever
        // bear; layer by layer only the hardest worked are followed.
        for i in outermost(&all) {
            for (m, kept) in out.members.iter_mut().enumerate() {
                member(m, &all[i].1, &all[i].2).into_iter().for_each(|used| kept.keep(used));
            }
        }
        let mut hardest: Vec<usize> = (0..s.members.len()).collect();
        hardest.sort_by(|&a, &b| out.members[b].ratio.total_cmp(&out.members[a].ratio));
        hardest.truncate(FOLLOWED);
        for (k, blank, load) in &all {
            for &m in &hardest {
                let [bar, buckling] = member(m, blank, load);
                out.members[m].keep(bar);
                out.members[m].keep(buckling);
                out.cases[*k].bar.keep(bar);
                out.cases[*k].keep_pressed(bar);
                out.cases[*k].buckling.keep(buckling);
            }
        }
        Ok(out)
    }

    /// How far the layer moves aside, over half a pixel.
    fn sway(&self, case: &Case, response: &Response, load: &Wrench, blank: Use) -> Use {
        let at = self.middle(case);
        let still = response.pulled(case.pull);
        let aside = std::array::from_fn(|i| load[i] - still[i]);
        let (value, limit) = (response.sway_mm(&aside, at), 0.5 * self.setup.machine.pixel_mm);
        Use { ratio: value / limit, value, limit, place: Some(at), ..blank }
    }

    /// Where a layer's pull acts.
    fn middle(&self, case: &Case) -> Point {
        Point::new(case.pull.x_mm, case.pull.y_mm, self.body.survey.grid.z_mm(case.layer))
    }

    /// Every load of a case on the part.
    fn loads(&self, case: &Case, response: &Response) -> [(Demand, Wrench); LOADS] {
        let press = Pull { force_n: -self.press_n(case, response), ..case.peel };
        let [a, b, c, d] = case.fronts().map(|(demand, pull)| (demand, response.pulled(pull)));
        let side_n = self.setup.machine.side_share * case.pull.force_n;
        let side = |x: f64, y: f64| {
            let force_n = [x * side_n, y * side_n, case.pull.force_n];
            (Demand::Side, response.pushed(self.middle(case), force_n))
        };
        [
            (Demand::Pull, response.pulled(case.pull)),
            a,
            b,
            c,
            d,
            (Demand::Press, response.pulled(press)),
            side(1.0, 0.0),
            side(-1.0, 0.0),
            side(0.0, 1.0),
            side(0.0, -1.0),
        ]
    }

    fn press_n(&self, case: &Case, response: &Response) -> f64 {
        let m = &self.setup.machine;
        let springs = [
            m.frame_stiffness_n_mm * case.arm_share,
            response.stiffness_n_mm(case.pull.x_mm, case.pull.y_mm),
        ];
        springback::arrival_n(
            case.torsion_mm4,
            self.setup.exposure.layer_mm,
            m.return_speed_mm_s,
            self.setup.resin.viscosity_pa_s,
            springback::series_stiffness_n_mm(&springs),
        )
    }
}

/// Fewer tips than this share nothing that one of them drops: three hold a piece like a stool.
const FEW: usize = 4;
/// Members followed through every layer of a stage.
const FOLLOWED: usize = 24;

/// Loads of a case: the pull, the peeling front from four sides, the press, the side load in four
/// directions.
const LOADS: usize = 10;
/// The loads that lie outermost in some of many directions of lift and moments, those with a side
/// load by themselves, since they push the other way.
pub(super) fn outermost(all: &[(usize, Use, Wrench)]) -> Vec<usize> {
    let sign = |v: f64| (v > 0.0) as i8 - (v < 0.0) as i8;
    let mut sides: BTreeMap<[i8; 2], Vec<usize>> = BTreeMap::new();
    for (i, (_, _, [fx, fy, ..])) in all.iter().enumerate() {
        sides.entry([sign(*fx), sign(*fy)]).or_default().push(i);
    }
    let mut out = Vec::new();
    for (side, loads) in sides {
        let most = |k: usize| loads.iter().map(|&i| all[i].2[k].abs()).fold(1e-12, f64::max);
        let size = [most(2), most(3), most(4)];
        let steps = if side == [0, 0] { 2 } else { 1 };
        for fz in -steps..=steps {
            for mx in -steps..=steps {
                for my in -steps..=steps {
                    let along = |i: usize| {
                        let [_, _, z, x, y, _] = all[i].2;
                        let parts = [(fz, z), (mx, x), (my, y)].into_iter().zip(size);
                        parts.map(|((d, l), s)| f64::from(d) * l / s).sum::<f64>()
                    };
                    let far = loads.iter().copied();
                    out.extend(far.max_by(|&a, &b| along(a).total_cmp(&along(b))));
                }
            }
        }
    }
    out.sort_unstable();
    out.dedup();
    out
}
