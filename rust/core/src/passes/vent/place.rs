//! Where a hole goes: the shortest way through the wall at the beginning of a closed void, where
//! it hurts least and harms nothing.
//!
//! Wall points are found by looking from the void's first layers towards plate (or top) and
//! sides; each is tried as a bore along the local wall's normal. A ring of lines at the bore's
//! edge says how deep the wall is all around, another at its margin that solid is left there.

use super::Vent;
use super::needs::{Need, Step};
use super::refusal::{Refusal, Tried};
use super::walls::{Stretch, Walls};
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Place, SweepFrom as From, VoidMap};
use crate::mesh::frame::across;
use crate::mesh::{Point, Vector};
use crate::part::Part;
use parry3d_f64::math::{Pose as ParryPose, Vector as ParryVector};
use parry3d_f64::query::{PointQuery, distance};
use parry3d_f64::shape::{Segment, Shape, Triangle};
use std::collections::BTreeSet;
use std::f64::consts::TAU;

/// A hole that fits, in plate coordinates.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    /// Where the axis enters the wall from the void.
    pub(super) entry: Point,
    /// Unit direction of the axis, from the void outward.
    pub(super) out: Vector,
    /// Solid along the axis, mm.
    pub(super) length_mm: f64,
    pub(super) diameter_mm: f64,
    /// Where the tool starts and ends along the axis from `entry`, mm.
    pub(super) tool_mm: (f64, f64),
    /// Whether it leads outside, not into another void.
    pub(super) outside: bool,
    /// Whether its mouth lies on the most visible tenth of the surface.
    pub(super) seen: bool,
}

impl Spot {
    /// Where the axis leaves the wall.
    pub(super) fn mouth(&self) -> Point {
        self.entry + self.out * self.length_mm
    }

    fn axis(&self) -> Segment {
        segment(
            &(self.entry + self.out * self.tool_mm.0),
            &(self.entry + self.out * self.tool_mm.1),
        )
    }
}

/// How good places compare, as mm of wall: the wall's own length counts once.
mod worth {
    /// A mouth where the model is looked at, per weight.
    pub(super) const SEEN: f64 = 2.0;
    /// Distance of the mouth from the plate, per mm.
    pub(super) const HEIGHT: f64 = 0.02;
    /// Distance of the entry from the void's very beginning, per mm.
    pub(super) const DEPTH: f64 = 1.0;
}

/// Looks per layer and direction, and layers looked from.
const SEEDS: usize = 40;
const LAYERS: usize = 6;
/// Places tried in full before giving up.
const TRIES: usize = 300;
/// Lines around a bore.
const RING: usize = 12;
/// The tool reaches this much beyond the wall at either end, mm: more than a facet sags between
/// two lines of the ring.
const OVERRUN_MM: f64 = 0.05;
/// Free way needed beyond a mouth, mm, however thin the bore.
const FREE_MM: f64 = 0.5;
/// Gap between a bore and the floor beside it, mm: less than the thinnest layer.
const CLEAR_MM: f64 = 0.004;
/// Axis and wall may differ by up to 60°.
const STEEPEST: f64 = 0.5;

/// All that must be known of a part to place holes in it.
pub(super) struct Site<'a> {
    options: &'a Vent,
    part: &'a Part,
    walls: &'a Walls,
    map: &'a VoidMap,
    ctx: &'a Context,
    /// Keep-clean facets of the body.
    clean: Vec<u32>,
    /// Facets that weigh more are the more visible half, and the most visible tenth.
    half: f64,
    tenth: f64,
}

/// Which of the surface a mouth must keep off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Off {
    Half,
    Tenth,
    Nothing,
}

/// A wall point and the way through.
struct Candidate {
    cost: f64,
    at: Point,
    out: Vector,
}

/// Heights between which a hole must open, and how it is judged.
struct Window {
    /// +1 when the void begins at its low end, −1 when at its high end.
    sign: f64,
    /// Height of the void's beginning, mm.
    start_mm: f64,
    /// Farthest height from the beginning at which the hole must be open, mm.
    end_mm: f64,
}

impl Window {
    /// Whether a bore's rim at `p` reaches into the window.
    fn holds(&self, p: &Point, out: &Vector, radius_mm: f64) -> bool {
        (p.z - self.sign * radius_mm * rim(out) - self.end_mm) * self.sign <= 1e-9
    }
}

impl<'a> Site<'a> {
    pub(super) fn new(
        options: &'a Vent,
        part: &'a Part,
        walls: &'a Walls,
        map: &'a VoidMap,
        ctx: &'a Context,
    ) -> Site<'a> {
        let clean = (0..part.keep_clean.len() as u32).filter(|&f| part.is_keep_clean(f as usize));
        let beyond = |share| part.appearance.as_ref().map_or(1.0, |a| a.beyond(&part.body, share));
        let (half, tenth) = (beyond(0.5), beyond(0.1));
        Site { options, part, walls, map, ctx, clean: clean.collect(), half, tenth }
    }

    /// Whether the model is known to stand, its head away from the plate.
    pub(super) fn stands(&self) -> bool {
        let upright = self.part.appearance.as_ref().and_then(|a| a.upright);
        upright.is_some_and(|u| (self.part.pose.rotation * u.up).z > 0.5)
    }

    /// How much the facet is looked at through which a mouth opens.
    fn weight(&self, facet: u32) -> f64 {
        if self.walls.is_body(facet) { self.part.weight(facet as usize) } else { 0.0 }
    }

    /// The greatest weight of a facet that is not kept off.
    fn most(&self, off: Off) -> f64 {
        match off {
            Off::Half => self.half,
            Off::Tenth => self.tenth,
            Off::Nothing => f64::INFINITY,
        }
    }

    /// The best place for a hole. `off` tells where its mouth must not be, `slack` which steps of the
    /// need's chain may stay closed, `diameter` the bore that a wall of that length needs, `open`
    /// which void regions may take the mouth.
    pub(super) fn place(
        &self,
        need: &Need,
        off: Off,
        slack: impl Fn(&Step) -> bool,
        diameter: impl Fn(f64) -> f64,
        open: impl Fn(u32) -> bool,
        taken: &[Spot],
    ) -> Result<Tried<Spot>> {
        let window = self.window(need, slack);
        let mut refusals = [0usize; Refusal::ALL.len()];
        let mut candidates = Vec::new();
        let least = self.options.least_mm;
        let mut seen = BTreeSet::new();
        for seed in self.seeds(need, &window) {
            self.ctx.checkpoint(0.0)?;
            for look in looks(window.sign) {
                let Some((at, out)) = self.look(&seed, &look) else { continue };
                let (at, out, radius) = self.settle(at, out, window.sign, &diameter);
                // Wall points closer than half a bore are one place.
                let cell = 0.5 * least;
                let key = |v: f64, by: f64| (v / by).round() as i64;
                let place = [key(at.x, cell), key(at.y, cell), key(at.z, cell)];
                let facing = [key(out.x, 0.25), key(out.y, 0.25), key(out.z, 0.25)];
                if !window.holds(&at, &out, radius) || !seen.insert((place, facing)) {
                    continue;
                }
                match self.judge(at, out, off, &window, &open) {
                    Ok(candidate) => candidates.push(candidate),
                    Err(refusal) => refusals[refusal as usize] += 1,
                }
            }
        }
        candidates.sort_by(|a, b| {
            let key = |c: &Candidate| [c.cost, c.at.x, c.at.y, c.at.z];
            let (a, b) = (key(a), key(b));
            a.iter()
                .zip(&b)
                .map(|(a, b)| a.total_cmp(b))
                .find(|o| o.is_ne())
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        for candidate in candidates.iter().take(TRIES) {
            self.ctx.checkpoint(0.0)?;
            match self.fit(candidate, off, &window, &diameter, &open, taken) {
                Ok(spot) => return Ok(Ok(spot)),
                Err(refusal) => refusals[refusal as usize] += 1,
            }
        }
        let most = Refusal::ALL.into_iter().max_by_key(|&r| (refusals[r as usize], r));
        let tried = refusals.iter().any(|&n| n > 0);
        Ok(Err(most.filter(|_| tried).unwrap_or(Refusal::NoWall)))
    }

    fn window(&self, need: &Need, slack: impl Fn(&Step) -> bool) -> Window {
        let layer_mm = self.map.grid.layer_mm;
        let last = need.chain.iter().take_while(|s| slack(s)).last().unwrap_or(&need.chain[0]);
        let (first, last) = (f64::from(need.chain[0].layer), f64::from(last.layer));
        match need.from {
            From::Plate => {
                Window { sign: 1.0, start_mm: first * layer_mm, end_mm: (last + 1.0) * layer_mm }
            }
            From::Top => {
                Window { sign: -1.0, start_mm: (first + 1.0) * layer_mm, end_mm: last * layer_mm }
            }
        }
    }

    /// Points of the void from which its first layers' walls are seen.
    fn seeds(&self, need: &Need, window: &Window) -> Vec<Point> {
        let reach = 0.5 * self.options.most_mm;
        let near = |s: &&Step| (self.map.grid.z_mm(s.layer) - window.end_mm) * window.sign <= reach;
        let steps: Vec<&Step> = need.chain.iter().take_while(near).collect();
        let mut out = Vec::new();
        for step in spread(&steps, LAYERS) {
            let rows = step.regions.iter().flat_map(|&r| self.map.stretches(r));
            let pixels: Vec<(u32, u32)> =
                rows.flat_map(|(row, from, to)| (from..to).map(move |i| (row, i))).collect();
            let points = spread(&pixels, SEEDS);
            out.extend(points.map(|&(row, i)| self.map.grid.pixel(i, row, step.layer)));
        }
        out
    }

    /// The first wall seen from a point of the void, and the way straight into it.
    fn look(&self, from: &Point, along: &Vector) -> Option<(Point, Vector)> {
        let first = self.walls.stretches(from, along).into_iter().find(|s| s.to_mm > 0.0)?;
        let out = -self.walls.normal(first.facets[0]);
        (first.from_mm > 0.0 && out.norm_squared() > 0.5)
            .then(|| (from + along * first.from_mm, out))
    }

    /// Slides a place in a side wall towards the end at which the void begins, until the bore
    /// just clears the floor: nothing is then left closed beside it, and the floor stays whole.
    /// Returns the bore's radius, too.
    fn settle(
        &self,
        at: Point,
        out: Vector,
        sign: f64,
        diameter: &impl Fn(f64) -> f64,
    ) -> (Point, Vector, f64) {
        let least = 0.5 * self.options.least_mm;
        let Some(wall) = self.wall(&at, &out) else { return (at, out, least) };
        let width = diameter(wall.to_mm - wall.from_mm).clamp(2.0 * least, self.options.most_mm);
        let stay = (at, out, 0.5 * width);
        let radius = circumscribed(0.5 * width, self.options.sides);
        let down = -sign * Vector::z();
        let inside = at - out * radius;
        let floor = self.walls.stretches(&inside, &down).into_iter().find(|s| s.to_mm > 0.0);
        let drop = floor.map_or(0.0, |f| f.from_mm - radius * rim(&out) - CLEAR_MM);
        // A floor that the bore's axis comes from is no floor.
        if out.dot(&down) > STEEPEST || drop.abs() > self.options.most_mm {
            return stay;
        }
        self.look(&(inside + down * drop), &out).map_or(stay, |(at, out)| (at, out, radius))
    }

    /// What a place would cost, by its axis alone; refuses what no bore there could serve, so
    /// that the dear checks are spent on places that have a chance.
    fn judge(
        &self,
        at: Point,
        out: Vector,
        off: Off,
        window: &Window,
        open: &impl Fn(u32) -> bool,
    ) -> Tried<Candidate> {
        let wall = self.wall(&at, &out).ok_or(Refusal::NoWall)?;
        let length = wall.to_mm - wall.from_mm;
        if length > self.options.longest_mm {
            return Err(Refusal::TooLong);
        }
        let mouth = at + out * wall.to_mm;
        self.opens(&mouth, &out, self.options.least_mm, open)?;
        if self.clean.binary_search(&wall.facets[1]).is_ok() {
            return Err(Refusal::Clean);
        }
        let weight = self.weight(wall.facets[1]);
        if weight > self.most(off) {
            return Err(Refusal::Seen);
        }
        let seen = worth::SEEN * weight;
        let depth = worth::DEPTH * (at.z - window.start_mm).abs();
        Ok(Candidate { cost: length + seen + worth::HEIGHT * mouth.z + depth, at, out })
    }

    /// The solid that begins at a point of the wall.
    fn wall(&self, at: &Point, out: &Vector) -> Option<Stretch> {
        let all = self.walls.stretches(at, out);
        all.into_iter().find(|s| s.from_mm.abs() < 1e-3)
    }

    /// Makes a bore of a candidate, or says what forbids it.
    fn fit(
        &self,
        candidate: &Candidate,
        off: Off,
        window: &Window,
        diameter: &impl Fn(f64) -> f64,
        open: &impl Fn(u32) -> bool,
        taken: &[Spot],
    ) -> Tried<Spot> {
        let at = candidate.at;
        let bore = |out: &Vector| {
            let wall = self.wall(&at, out).ok_or(Refusal::NoWall)?;
            let length = wall.to_mm - wall.from_mm;
            let diameter = diameter(length).max(self.options.least_mm);
            match () {
                () if length > self.options.longest_mm => Err(Refusal::TooLong),
                () if diameter > self.options.most_mm => Err(Refusal::TooWide),
                () => Ok((length, diameter)),
            }
        };
        // The local wall: the plane through the ring's entries rather than one facet.
        let (length, width) = bore(&candidate.out)?;
        let ring = self.ring(&at, &candidate.out, 0.5 * width, length);
        let out = mean_normal(&ring.ok_or(Refusal::Thin)?, &candidate.out);
        if out.dot(&candidate.out) < STEEPEST {
            return Err(Refusal::Thin);
        }
        let (length_mm, diameter_mm) = bore(&out)?;
        let radius = circumscribed(0.5 * diameter_mm, self.options.sides);
        let ring = self.ring(&at, &out, radius, length_mm).ok_or(Refusal::Thin)?;
        let mut spot = Spot {
            entry: at,
            out,
            length_mm,
            diameter_mm,
            tool_mm: (0.0, length_mm),
            outside: true,
            seen: false,
        };
        let weights = ring.iter().map(|l| self.weight(l.wall.facets[1]));
        let weight = weights.fold(0.0, f64::max);
        spot.seen = weight > self.tenth;
        if weight > self.most(off) {
            return Err(Refusal::Seen);
        }
        for line in &ring {
            spot.tool_mm.0 = spot.tool_mm.0.min(line.wall.from_mm - OVERRUN_MM);
            spot.tool_mm.1 = spot.tool_mm.1.max(line.wall.to_mm + OVERRUN_MM);
        }
        let free = free_mm(diameter_mm);
        let mouth = spot.mouth();
        if !window.holds(&at, &out, 0.5 * diameter_mm)
            || !window.holds(&mouth, &out, 0.5 * diameter_mm)
        {
            return Err(Refusal::NoWall);
        }
        spot.outside = self.opens(&mouth, &out, diameter_mm, open)?;
        for line in &ring {
            for other in line.others() {
                let cuts = other.to_mm > spot.tool_mm.0 && other.from_mm < spot.tool_mm.1;
                let shuts =
                    other.from_mm >= line.wall.to_mm && other.from_mm < line.wall.to_mm + free;
                if cuts || shuts {
                    return Err(if cuts { Refusal::Pierces } else { Refusal::Shut });
                }
            }
        }
        self.margin(&spot, radius)?;
        self.tips(&spot)?;
        let apart = |other: &Spot| {
            let least = 0.5 * (spot.diameter_mm + other.diameter_mm) + self.options.margin_mm;
            gap_mm(&spot.axis(), &other.axis()) >= least
        };
        if taken.iter().all(apart) { Ok(spot) } else { Err(Refusal::Crowded) }
    }

    /// The wall along lines at a radius around the axis, the axis among them.
    fn ring(&self, at: &Point, out: &Vector, radius: f64, length: f64) -> Option<Vec<Line>> {
        let [u, v] = across(out);
        let arms = (0..RING).map(|i| {
            let (s, c) = (TAU * i as f64 / RING as f64).sin_cos();
            (u * c + v * s) * radius
        });
        std::iter::once(Vector::zeros())
            .chain(arms)
            .map(|arm| {
                let stretches = self.walls.stretches(&(at + arm), out);
                let shared = |s: &Stretch| s.to_mm.min(length) - s.from_mm.max(0.0);
                let best = (0..stretches.len())
                    .filter(|&i| shared(&stretches[i]) > 0.0)
                    .max_by(|&a, &b| shared(&stretches[a]).total_cmp(&shared(&stretches[b])))?;
                Some(Line { arm, wall: stretches[best], best, stretches })
            })
            .collect()
    }

    /// Whether a mouth opens to the outside (`true`) or into a void that may take it.
    fn opens(
        &self,
        mouth: &Point,
        out: &Vector,
        diameter_mm: f64,
        open: &impl Fn(u32) -> bool,
    ) -> Tried<bool> {
        let free = free_mm(diameter_mm);
        if (mouth + out * free).z.min(mouth.z - 0.5 * diameter_mm * rim(out)) < 0.0 {
            return Err(Refusal::Shut);
        }
        let mut found = None;
        for ahead in [0.5 * free, free] {
            match self.map.place(&(mouth + out * ahead)) {
                Place::Solid => {}
                Place::Outside => found = Some(true),
                Place::Void(r) if open(r) => found = found.or(Some(false)),
                Place::Void(_) => return Err(Refusal::Shut),
            }
        }
        found.ok_or(Refusal::Shut)
    }

    /// Whether solid is left around the bore, and nothing that must stay clean.
    fn margin(&self, spot: &Spot, radius: f64) -> Tried<()> {
        let margin = self.options.margin_mm;
        let middle = 0.5 * spot.length_mm;
        let ring = self.ring(&spot.entry, &spot.out, radius + margin, spot.length_mm);
        let holds = |l: &Line| l.wall.from_mm < middle && l.wall.to_mm > middle;
        if !ring.is_some_and(|ring| ring.iter().all(holds)) {
            return Err(Refusal::Thin);
        }
        if self.clean.is_empty() {
            return Ok(());
        }
        let axis = spot.axis();
        let ends = [spot.tool_mm.0, spot.tool_mm.1].map(|t| spot.entry + spot.out * t);
        let mut near = self.walls.near(&ends[0], &ends[1], radius + margin);
        let spoiled = near.any(|f| {
            self.walls.is_body(f)
                && self.clean.binary_search(&f).is_ok()
                && gap_mm(&axis, &triangle(self.walls.corners(f))) < radius + margin
        });
        if spoiled { Err(Refusal::Clean) } else { Ok(()) }
    }

    fn tips(&self, spot: &Spot) -> Tried<()> {
        let tips = self.part.supports.iter().flat_map(|s| &s.tips);
        let axis = spot.axis();
        for tip in tips {
            let least = 0.5 * (spot.diameter_mm + tip.diameter_mm) + self.options.margin_mm;
            if axis.distance_to_local_point(parry(&tip.contact), true) < least {
                return Err(Refusal::Tip);
            }
        }
        Ok(())
    }
}

/// A line beside the axis of a bore.
struct Line {
    /// From the axis to the line.
    arm: Vector,
    /// The solid to be bored.
    wall: Stretch,
    best: usize,
    stretches: Vec<Stretch>,
}

impl Line {
    /// Solid on the line that is not to be bored.
    fn others(&self) -> impl Iterator<Item = &Stretch> {
        self.stretches.iter().enumerate().filter(|(i, _)| *i != self.best).map(|(_, s)| s)
    }
}

/// Free way needed beyond a mouth, mm.
fn free_mm(diameter_mm: f64) -> f64 {
    FREE_MM.max(0.5 * diameter_mm)
}

/// How far the rim of a bore along `out` reaches up and down from its axis, per mm of radius.
fn rim(out: &Vector) -> f64 {
    (1.0 - out.z * out.z).max(0.0).sqrt()
}

/// Radius of the polygon's corners whose sides touch the circle: a bore is never narrower than
/// asked.
pub(super) fn circumscribed(radius: f64, sides: u32) -> f64 {
    radius / (0.5 * TAU / f64::from(sides)).cos()
}

/// The way straight into the wall that a ring of lines met.
fn mean_normal(ring: &[Line], out: &Vector) -> Vector {
    let entry = |l: &Line| l.arm + out * l.wall.from_mm;
    let rim = &ring[1..];
    let middle = entry(&ring[0]);
    let sum: Vector = (0..rim.len())
        .map(|i| (entry(&rim[i]) - middle).cross(&(entry(&rim[(i + 1) % rim.len()]) - middle)))
        .sum();
    // The ring turns right-handed about `out`, so the sum points along it.
    sum.try_normalize(1e-12).unwrap_or(*out)
}

/// Ways to look for walls: straight to the end at which the void begins, slantwise, sideways.
fn looks(sign: f64) -> impl Iterator<Item = Vector> {
    let around = move |z: f64| {
        (0..8).map(move |i| {
            let (s, c) = (TAU * f64::from(i) / 8.0).sin_cos();
            Vector::new(c, s, -sign * z).normalize()
        })
    };
    std::iter::once(-sign * Vector::z()).chain(around(1.0)).chain(around(0.0))
}

/// At most `n` items, evenly spread, the first among them.
fn spread<T>(items: &[T], n: usize) -> impl Iterator<Item = &T> {
    let n = n.min(items.len());
    (0..n).map(move |i| &items[i * items.len() / n])
}

fn parry(p: &Point) -> ParryVector {
    ParryVector::new(p.x, p.y, p.z)
}

fn segment(a: &Point, b: &Point) -> Segment {
    Segment::new(parry(a), parry(b))
}

fn triangle(corners: &[Point; 3]) -> Triangle {
    let [a, b, c] = corners.each_ref().map(parry);
    Triangle::new(a, b, c)
}

/// Distance of two shapes, mm; none for a pair that cannot be judged.
fn gap_mm(a: &impl Shape, b: &impl Shape) -> f64 {
    let here = ParryPose::IDENTITY;
    distance(&here, a, &here, b).map_or(0.0, |d| d.distance)
}
