//! Scores, goals and the Pareto front.

use super::terms::{TERMS, Terms};
use super::{Candidate, Orient, StandIn};
use crate::context::Context;
use crate::error::{Result, check_range};
use crate::mechanics::peel::Model;
use crate::mesh::{Bounds, Mesh, Point, Vector, measure};
use nalgebra::UnitQuaternion;
use parry3d_f64::transformation::try_convex_hull;
use serde::{Deserialize, Serialize};

/// A term that can be put first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Goal {
    /// Least printing time.
    Time,
    /// Least peak peel.
    Peel,
    /// Least sealed area and no pockets.
    Cups,
    /// Fewest tips.
    Marks,
    /// Least keep-clean area that will carry tips.
    CleanContact,
    /// Lowest steps on keep-clean facets.
    CleanSteps,
    /// Lowest steps on all facets.
    Steps,
    /// Smallest area that begins in one layer.
    Flats,
}

impl Goal {
    fn value(self, t: &Terms) -> f64 {
        match self {
            Goal::Time => t.time_s,
            Goal::Peel => t.peak_peel_n,
            Goal::Cups => t.cup_mm2 + t.pocket_mm3,
            Goal::Marks => t.marks,
            Goal::CleanContact => t.clean_contact_mm2,
            Goal::CleanSteps => t.clean_step_mm,
            Goal::Steps => t.step_mm,
            Goal::Flats => t.flat_mm2,
        }
    }
}

/// Weight of each term in the score; every term is first divided by a size of the part that does
/// not change when it turns, so weights are plain ratios of importance.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[allow(missing_docs)] // each weight is for the term of that name
pub struct Weights {
    pub time: f64,
    pub peak_peel: f64,
    pub mean_peel: f64,
    pub cups: f64,
    pub islands: f64,
    pub overhang: f64,
    pub flats: f64,
    pub clean_contact: f64,
    pub clean_steps: f64,
    pub steps: f64,
    pub lean: f64,
    pub holes: f64,
    pub seen_scars: f64,
    pub seen_steps: f64,
    pub upright: f64,
}

impl Default for Weights {
    fn default() -> Weights {
        Weights {
            time: 1.0,
            peak_peel: 1.0,
            mean_peel: 0.5,
            cups: 4.0,
            islands: 0.02,
            overhang: 1.0,
            flats: 2.0,
            clean_contact: 8.0,
            clean_steps: 2.0,
            steps: 0.2,
            lean: 0.3,
            holes: 0.1,
            seen_scars: 3.0,
            seen_steps: 0.4,
            upright: 1.0,
        }
    }
}

impl Weights {
    pub(super) fn validate(&self) -> Result<()> {
        for (name, weight) in [
            ("orient.weights.time", self.time),
            ("orient.weights.peak_peel", self.peak_peel),
            ("orient.weights.mean_peel", self.mean_peel),
            ("orient.weights.cups", self.cups),
            ("orient.weights.islands", self.islands),
            ("orient.weights.overhang", self.overhang),
            ("orient.weights.flats", self.flats),
            ("orient.weights.clean_contact", self.clean_contact),
            ("orient.weights.clean_steps", self.clean_steps),
            ("orient.weights.steps", self.steps),
            ("orient.weights.lean", self.lean),
            ("orient.weights.holes", self.holes),
            ("orient.weights.seen_scars", self.seen_scars),
            ("orient.weights.seen_steps", self.seen_steps),
            ("orient.weights.upright", self.upright),
        ] {
            check_range(name, weight, 0.0, 1e6, "")?;
        }
        Ok(())
    }
}

/// What a term adds to a score.
pub(super) struct Share {
    /// The term in words.
    pub(super) what: &'static str,
    value: f64,
    unit: &'static str,
    pub(super) cost: f64,
}

impl Share {
    /// The term's value with its unit.
    pub(super) fn amount(&self) -> String {
        let digits = (2.0 - self.value.abs().max(1e-9).log10().floor()).clamp(0.0, 3.0) as usize;
        format!(
            "{:.*}{}",
            if self.unit.is_empty() { digits.min(1) } else { digits },
            self.value,
            self.unit
        )
    }
}

/// Sizes of the part that terms are measured against; turning the part does not change them.
pub(super) struct Scale {
    reach_mm: f64,
    area_mm2: f64,
    force_n: f64,
    time_s: f64,
    step_mm: f64,
}

impl Scale {
    pub(super) fn of(exact: &StandIn, ctx: &Context) -> Scale {
        let setup = &ctx.setup;
        let area_mm2 = measure::volume_mm3(exact.body()).powf(2.0 / 3.0);
        let reach_mm = exact.size_mm();
        let layers = reach_mm / setup.exposure.layer_mm;
        Scale {
            reach_mm,
            area_mm2,
            force_n: Model::of(setup).force_n(area_mm2, 1.0).max(1e-3),
            time_s: crate::mechanics::time::print_of(setup, layers as u32),
            step_mm: setup.exposure.layer_mm + setup.machine.pixel_mm,
        }
    }

    pub(super) fn score(&self, t: &Terms, w: &Weights) -> f64 {
        self.shares(t, w).iter().fold(0.0, |sum, s| sum + s.cost)
    }

    /// What each weighted term adds to the score.
    pub(super) fn shares(&self, t: &Terms, w: &Weights) -> [Share; 16] {
        let share = |what, value, unit, cost| Share { what, value, unit, cost };
        let (area, force) = (self.area_mm2, self.force_n);
        let cups = t.cup_mm2 / area;
        let pockets = t.pocket_mm3 / area.powf(1.5);
        let per_area = |weight: f64, mm2: f64| weight * mm2 / area;
        let per_step = |weight: f64, mm: f64| weight * mm / self.step_mm;
        [
            share("time", t.time_s / 3600.0, " h", w.time * t.time_s / self.time_s),
            share("peak peel", t.peak_peel_n, " N", w.peak_peel * t.peak_peel_n / force),
            share("mean peel", t.mean_peel_n, " N", w.mean_peel * t.mean_peel_n / force),
            share("cups", t.cup_mm2, " mm²", w.cups * cups),
            share("pockets", t.pocket_mm3, " mm³", w.cups * pockets),
            share("islands", t.islands, "", w.islands * t.islands),
            share("overhang", t.overhang_mm2, " mm²", per_area(w.overhang, t.overhang_mm2)),
            share("widest flat", t.flat_mm2, " mm²", per_area(w.flats, t.flat_mm2)),
            share(
                "contact on keep-clean facets",
                t.clean_contact_mm2,
                " mm²",
                per_area(w.clean_contact, t.clean_contact_mm2),
            ),
            share(
                "steps on keep-clean facets",
                t.clean_step_mm,
                " mm",
                per_step(w.clean_steps, t.clean_step_mm),
            ),
            share("steps", t.step_mm, " mm", per_step(w.steps, t.step_mm)),
            share("weight off its foot", t.lean_mm, " mm", w.lean * t.lean_mm / self.reach_mm),
            share("vent holes", t.holes, "", w.holes * t.holes),
            share(
                "supported surface, as far as it is looked at,",
                t.seen_scars_mm2,
                " mm²",
                per_area(w.seen_scars, t.seen_scars_mm2),
            ),
            share(
                "steps where it is looked at",
                t.seen_step_mm,
                " mm",
                per_step(w.seen_steps, t.seen_step_mm),
            ),
            share("distance from upright", t.upright, "", w.upright * t.upright),
        ]
    }
}

/// Indices of candidates, best first: admissible ones, then what the goals leave, then by score.
pub(super) fn ranked(all: &[Candidate], orient: &Orient) -> Vec<usize> {
    // Each goal splits the candidates into those near its best and the rest.
    let mut class = vec![0u32; all.len()];
    for (i, c) in all.iter().enumerate() {
        class[i] = u32::from(!c.admissible) << 31;
    }
    for (rank, goal) in orient.goals.iter().enumerate() {
        let least = class.iter().min().copied().unwrap_or(0);
        let values = || {
            let in_class = all.iter().zip(&class).filter(|(_, c)| **c == least);
            in_class.map(|(c, _)| goal.value(&c.terms))
        };
        let (best, worst) =
            values().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
        let limit = best + orient.slack * (worst - best);
        for (c, class) in all.iter().zip(&mut class) {
            if *class == least && goal.value(&c.terms) > limit {
                *class |= 1 << (30 - rank.min(29));
            }
        }
    }
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by(|&a, &b| {
        class[a].cmp(&class[b]).then(all[a].score.total_cmp(&all[b].score)).then(a.cmp(&b))
    });
    order
}

/// Marks the candidates that no other dominates in the terms that carry weight. Of candidates
/// alike in all of them (a symmetric part has many) the first is kept.
pub(super) fn mark_front(all: &mut [Candidate], w: &Weights, ctx: &Context) -> Result<()> {
    let weighted: Vec<usize> = [
        ("time_s", w.time),
        ("peak_peel_n", w.peak_peel),
        ("mean_peel_n", w.mean_peel),
        ("cup_mm2", w.cups),
        ("pocket_mm3", w.cups),
        ("islands", w.islands),
        ("overhang_mm2", w.overhang),
        ("flat_mm2", w.flats),
        ("clean_contact_mm2", w.clean_contact),
        ("clean_step_mm", w.clean_steps),
        ("step_mm", w.steps),
        ("lean_mm", w.lean),
        ("holes", w.holes),
        ("seen_scars_mm2", w.seen_scars),
        ("seen_step_mm", w.seen_steps),
        ("upright", w.upright),
    ]
    .iter()
    .filter(|(_, w)| *w > 0.0)
    .filter_map(|(name, _)| TERMS.iter().position(|t| t == name))
    .collect();
    let values: Vec<Vec<f64>> =
        all.iter().map(|c| weighted.iter().map(|&i| c.terms.values()[i]).collect()).collect();
    // What dominates another never scores worse, and is itself dominated only by the front: so
    // each, best score first, need only be held against the front so far.
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by(|&a, &b| {
        let (x, y) = (&all[a], &all[b]);
        y.admissible.cmp(&x.admissible).then(x.score.total_cmp(&y.score)).then(a.cmp(&b))
    });
    let mut front: Vec<usize> = Vec::new();
    for (n, i) in order.into_iter().enumerate() {
        if n % 256 == 0 {
            ctx.checkpoint(1.0)?;
        }
        let beaten = front.iter().any(|&j| values[j].iter().zip(&values[i]).all(|(a, b)| a <= b));
        all[i].front = !beaten;
        if !beaten {
            front.push(i);
        }
    }
    Ok(())
}

/// A body's extreme points: all that its box at any pose depends on.
pub(super) struct Extremes(Vec<Point>);

impl Extremes {
    pub(super) fn of(body: &Mesh, ctx: &Context) -> Result<Extremes> {
        // What is extreme among all is extreme among its neighbours: many small hulls leave few
        // points to the large one, and between them the work can stop.
        let mut points = Vec::new();
        for some in body.vertices().chunks(1 << 13) {
            ctx.checkpoint(0.0)?;
            points.extend(hull(some));
        }
        Ok(Extremes(hull(&points)))
    }

    /// Rotations about z, from none to half a turn, that fit the body into the room, with the
    /// area of its box seen from above.
    fn turns(
        &self,
        upright: &UnitQuaternion<f64>,
        room: &Vector,
    ) -> impl Iterator<Item = (UnitQuaternion<f64>, f64)> {
        const STEP_DEG: u32 = 2;
        let points: Vec<Point> = self.0.iter().map(|p| upright * p).collect();
        let room = *room;
        let low_enough = Bounds::of(&points).size().z <= room.z;
        (0..if low_enough { 180 / STEP_DEG } else { 0 }).filter_map(move |step| {
            let angle = f64::from(step * STEP_DEG).to_radians();
            let turn = UnitQuaternion::from_axis_angle(&Vector::z_axis(), angle);
            let size = points.iter().fold(Bounds::EMPTY, |b, p| b.with(&(turn * p))).size();
            (size.x <= room.x && size.y <= room.y).then(|| (turn, size.x * size.y))
        })
    }

    /// Whether any rotation about z fits the body into the room.
    pub(super) fn fit(&self, upright: &UnitQuaternion<f64>, room: &Vector) -> bool {
        self.turns(upright, room).next().is_some()
    }

    /// The rotation about z that makes the body's box smallest seen from above and fits it into
    /// the room; `None` when none does.
    pub(super) fn turn_to_fit(
        &self,
        upright: &UnitQuaternion<f64>,
        room: &Vector,
    ) -> Option<UnitQuaternion<f64>> {
        let turns = self.turns(upright, room);
        // A clear gain is asked, so that rounding does not turn a round part.
        turns.reduce(|best, t| if t.1 < best.1 * (1.0 - 1e-6) { t } else { best }).map(|b| b.0)
    }
}

/// The corners of the points' convex hull.
fn hull(points: &[Point]) -> Vec<Point> {
    let far: Vec<_> = points.iter().map(|v| (*v).into()).collect();
    match try_convex_hull(&far) {
        Ok((hull, _)) => hull.into_iter().map(Point::from).collect(),
        // Flat or tiny sets can have no hull; then every point stands for itself.
        Err(_) => points.to_vec(),
    }
}
