//! Vent: holes that let air in and resin out, so that nothing seals against the film and nothing
//! stays inside.
//!
//! The pass asks the layer engine which voids are closed while the part prints (taken upward,
//! from the plate) and which keep resin while it hangs (taken downward), places one hole where
//! each of them begins, cuts, and asks again at the printer's own pixel and layer. What it cannot
//! open it reports, with the reason.

mod cut;
mod demand;
mod needs;
mod place;
mod refusal;
mod size;
mod tell;
mod walls;

use crate::appearance::Up;
use crate::context::Context;
use crate::error::{Result, check_range};
use crate::finding::{Done, Report};
use crate::layers::{Grid, Scan, Size, SweepFrom as From, VoidMap};
use crate::mechanics::flow::{Bore, Liquid};
use crate::mesh::Point;
use crate::options::{Options, options};
use crate::part::{Part, Role};
use crate::pass::Pass;
use crate::setup::Setup;
use demand::Demand;
use needs::Need;
use place::{Off, Site, Spot};
use refusal::{Refusal, Tried};
use size::Pool;
use std::sync::Arc;
use tell::Cavities;
use walls::Walls;

options! {
    /// Options of the pass. How wide holes become follows from the setup: pressure while lifting
    /// from `limits.vent_pressure_kpa`, time to drain from `limits.drain_s`, both with the resin's
    /// viscosity.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::hollow_sphere, passes::Vent};
    /// # let mut setup = Setup::default();
    /// # (setup.exposure.layer_mm, setup.machine.pixel_mm) = (0.1, 0.1); // quick to run
    /// let ctx = Context::new(setup);
    /// let part = Part::new(hollow_sphere(8.0, 6.0, 2_000)?);
    /// let done = Vent::default().apply(part, &ctx)?;
    /// assert!(!done.value.vents.is_empty());
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Vent at "vent" {
        /// Least diameter of a hole, mm. Below about a millimetre stray light closes holes (common
        /// practice, no source).
        least_mm: f64 = 1.5,
            in 0.2..=20.0 "mm",
            larger "holes that stay open and are easy to plug; more visible";
        /// Greatest diameter of a hole, mm; where one is too small, several share the flow.
        most_mm: f64 = 6.0, larger "fewer holes do; more visible";
        /// Longest way through a wall, mm.
        longest_mm: f64 = 12.0, in 0.1..=200.0 "mm", larger "holes through thicker walls";
        /// Solid left around a hole, and its distance from keep-clean facets, from supports' tips
        /// and from other holes, mm.
        margin_mm: f64 = 0.6,
            in 0.0..=20.0 "mm",
            larger "more solid around holes; fewer places for them";
        /// Cups that nowhere seal more than this are left as they are, mm². A sealed cup pulls at
        /// most 0.1 N per mm².
        cup_mm2: f64 = 10.0, in 0.0..=1e4 "mm²", larger "fewer holes; more small cups pull";
        /// Resin that may stay in one place of the hanging part, ml.
        puddle_ml: f64 = 0.2, in 1e-3..=1e3 "ml", larger "fewer drains; more resin to tip out";
        /// Voids without any opening that are smaller than this are reported, not opened, mm³.
        least_cavity_mm3: f64 = 10.0, in 0.0..=1e6 "mm³", larger "fewer holes; more resin trapped";
        /// Sides of the polygon that a hole is; they lie outside the circle asked for.
        sides: u32 = 32, in 6.0..=360.0 "", larger "rounder holes; more facets";
        /// Whether to make plugs. Pack puts them on the plates.
        plugs: bool = true;
        /// Gap around a plug at the mouth, mm.
        clearance_mm: f64 = 0.1, larger "plugs that go in easily; looser ones";
    }
}

/// Most holes that share the work of one.
const SHARED: u32 = 4;
/// How a hole is looked for: how much more than the rule allows may stay closed before it, what it
/// must keep off, and whether it drains only once the part is turned over. A hole farther from the
/// void's end leaves a remainder that the next round vents or the report names, which is better than
/// a void that stays shut.
#[derive(Clone, Copy)]
struct Look {
    ease: f64,
    off: Off,
    turned: bool,
}

/// What is tried for air, in this order.
fn for_air() -> Vec<Look> {
    let offs = |ease| [Off::Tenth, Off::Nothing].map(|off| Look { ease, off, turned: false });
    [1.0, 10.0, 100.0].into_iter().flat_map(offs).collect()
}

/// What is tried for a drain, in this order: rather beside the hole for air, in the soles, than
/// through a crown. A model that stands with its head away from the plate has it looked at from all
/// around, hollows of cheek and nape too: there the far end comes after the soles.
fn for_drains(stands: bool) -> Vec<Look> {
    let mut looks = Vec::new();
    for off in [Off::Half, Off::Tenth] {
        for turned in [stands, !stands] {
            looks.extend([1.0, 10.0].map(|ease| Look { ease, off, turned }));
        }
    }
    let last =
        [(1.0, Off::Nothing), (10.0, Off::Nothing), (100.0, Off::Tenth), (100.0, Off::Nothing)];
    looks.extend(last.map(|(ease, off)| Look { ease, off, turned: false }));
    looks
}

/// Holes are cut at most this many times before what is still closed is reported.
const ROUNDS: usize = 4;
/// Search runs at so many of the printer's pixels and layers.
const COARSE: f64 = 4.0;
/// Search is never coarser than this, mm: thinner walls than that would seem open.
const COARSEST_MM: f64 = 0.25;

/// A hole with what it does.
struct Made {
    spot: Spot,
    /// Number of its cavity, from 1.
    cavity: u32,
    /// End and root of the void that asked for it.
    of: (From, u32),
    /// Area whose flow it passes while the part lifts, mm².
    area_mm2: f64,
    /// The resin it drains; none for holes that take in air.
    pool: Option<Pool>,
    /// Resin that capillarity holds above it, mm³.
    held_mm3: f64,
}

/// The holes found for a need.
struct Served<'a> {
    spots: Vec<Spot>,
    pool: Option<Pool>,
    /// The need at whose beginning they are: another one for a drain that works turned over.
    at: &'a Need,
}

/// A need without a hole.
struct Unserved {
    need: Need,
    why: Refusal,
    size: Size,
    /// Whether its void has no opening at all.
    pocket: bool,
    place: Option<Point>,
}

impl Pass<Part> for Vent {
    type Out = Part;

    fn name(&self) -> &'static str {
        "vent"
    }

    fn validate(&self) -> Result<()> {
        Vent::validate(self)
    }

    fn apply(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        part.not_compensated("vent")?;
        let given = part.appearance.clone();
        let part = part.appraised(Up::Auto, &ctx.stage("appearance", 0.0, 0.0).job)?;
        let mut current = part.clone();
        let mut made: Vec<Made> = Vec::new();
        let mut forced: Vec<Unserved> = Vec::new();
        let mut cavities: Option<Cavities> = None;
        let (mut fine, mut cuts) = (false, 0);
        let (map, demand, unserved) = loop {
            let share = |n: usize| (n as f64 / (ROUNDS + 2) as f64).min(1.0);
            let stage = ctx.stage("search", share(cuts), share(cuts + 1));
            let map = Arc::new(map(&current, fine, &stage)?);
            let demand = Demand::of(self, &map, &current, &stage)?;
            let cavities = cavities.get_or_insert_with(|| Cavities::of(&map, &demand));
            let (new, refused) = if cuts == ROUNDS {
                let stuck = |need: &Need| demand.unserved(&map, need.clone(), Refusal::Useless);
                (Vec::new(), demand.needs.iter().map(stuck).collect())
            } else {
                self.place(&map, &demand, &current, cavities, &made, &stage)?
            };
            if new.is_empty() && fine {
                break (map, demand, refused);
            }
            fine = true;
            if !new.is_empty() {
                // Once the cavity is open, the want of a second hole can no longer be seen.
                forced.extend(refused.into_iter().filter(|u| u.pocket));
                made.extend(new);
                let spots: Vec<(Spot, u32)> =
                    made.iter().map(|m| (m.spot.clone(), m.cavity)).collect();
                current = cut::cut(self, &part, &spots, &stage)?;
                cuts += 1;
            }
        };
        let mut report = Report::new("vent", &part.name);
        let cavities = cavities.unwrap_or_default();
        let unserved: Vec<Unserved> = unserved.into_iter().chain(forced).collect();
        let found = tell::drainage(&cavities, &made, &unserved, &map, &demand, ctx);
        tell::numbers(&mut report, made.len(), &found, part.drainage.len());
        tell::seen(&mut report, &made);
        current.drainage.extend(found);
        tell::findings(&mut report, self, &map, &demand, &unserved, ctx);
        if self.plugs {
            tell::plugs(&mut report, self, &current, part.vents.len(), ctx);
        }
        // What gets no hole is left as it came.
        if made.is_empty() {
            current.appearance = given;
        }
        Ok(Done { value: current, report })
    }
}

/// The void of everything that prints, at the printer's pitch or coarser.
fn map(part: &Part, fine: bool, ctx: &Context) -> Result<VoidMap> {
    let pitch = |mm: f64| if fine { mm } else { (COARSE * mm).min(COARSEST_MM).max(mm) };
    let surfaces = part.surfaces(&Role::ALL);
    let (layer_mm, pixel_mm) = (ctx.setup.exposure.layer_mm, ctx.setup.machine.pixel_mm);
    let grid = Grid::around(&surfaces, pitch(layer_mm), pitch(pixel_mm))?;
    VoidMap::of(&Scan::new(&surfaces, grid).layers(&ctx.job)?, &ctx.job)
}

impl Vent {
    /// Checks the options against their ranges.
    ///
    /// # Errors
    /// [`Error::Value`](crate::Error::Value) naming the first that is out of its range.
    pub fn validate(&self) -> Result<()> {
        self.check_ranges()?;
        check_range("vent.most_mm", self.most_mm, self.least_mm, 50.0, "mm")?;
        let widest = 0.25 * self.least_mm;
        check_range("vent.clearance_mm", self.clearance_mm, 0.0, widest, "mm")
    }

    /// Holes for all needs that can be served, and those that cannot.
    fn place(
        &self,
        map: &VoidMap,
        demand: &Demand,
        part: &Part,
        cavities: &mut Cavities,
        before: &[Made],
        ctx: &Context,
    ) -> Result<(Vec<Made>, Vec<Unserved>)> {
        if demand.needs.is_empty() {
            return Ok(Default::default());
        }
        let walls = Walls::new(&part.surfaces(&Role::ALL));
        let site = Site::new(self, part, &walls, map, ctx);
        let mut taken: Vec<Spot> = before.iter().map(|m| m.spot.clone()).collect();
        let mut made: Vec<Made> = Vec::new();
        let mut pending: Vec<(Need, Refusal)> =
            demand.needs.iter().map(|n| (n.clone(), Refusal::Shut)).collect();
        // A void inside another can open into it once that one is open: go on while it helps.
        loop {
            let mut left: Vec<(Need, Refusal)> = Vec::new();
            let progress = made.len();
            for (need, why) in pending {
                if why != Refusal::Shut {
                    left.push((need, why));
                    continue;
                }
                let is_open = |region: u32| {
                    demand.side(need.from).tree.root(region).is_none_or(|root| {
                        let other = (need.from, root);
                        root != need.root
                            && made.iter().any(|m| m.of == other)
                            && !left.iter().any(|(n, _)| (n.from, n.root) == other)
                    })
                };
                match self.serve(&site, demand, &need, is_open, &taken, ctx)? {
                    Ok(served) => {
                        let cavity = cavities.of_need(map, &need);
                        let n = served.spots.len() as f64;
                        taken.extend(served.spots.iter().cloned());
                        made.extend(served.spots.into_iter().map(|spot| {
                            Made {
                                cavity,
                                of: (need.from, need.root),
                                area_mm2: need.area_mm2 / n,
                                pool: served.pool,
                                held_mm3: served
                                    .pool
                                    .map_or(0.0, |_| held_mm3(map, served.at, &spot, ctx) / n),
                                spot,
                            }
                        }));
                    }
                    Err(why) => left.push((need, why)),
                }
            }
            if left.is_empty() || made.len() == progress {
                let left = left.into_iter().map(|(need, why)| demand.unserved(map, need, why));
                return Ok((made, left.collect()));
            }
            pending = left;
        }
    }

    /// One hole for a need, or as many as the flow asks for.
    fn serve<'a>(
        &self,
        site: &Site<'_>,
        demand: &'a Demand,
        need: &'a Need,
        is_open: impl Fn(u32) -> bool,
        taken: &[Spot],
        ctx: &Context,
    ) -> Result<Tried<Served<'a>>> {
        let setup: &Setup = &ctx.setup;
        let mut why = Refusal::TooWide;
        let attempts = match need.from {
            From::Plate => for_air(),
            From::Top => for_drains(site.stands()),
        };
        let places = |a: &Look| -> Vec<&'a Need> {
            if a.turned { demand.turned(need).collect() } else { vec![need] }
        };
        let tries = attempts.iter().flat_map(|a| places(a).into_iter().map(move |at| (a, at)));
        for ((&Look { ease, off, turned }, at), n) in
            tries.flat_map(|t| (1..=SHARED).map(move |n| (t, n)))
        {
            let slack = |s: &needs::Step| match need.from {
                From::Plate => {
                    s.before_mm3 <= ease * setup.limits.noise_mm3
                        || s.before_mm2 < ease * self.cup_mm2
                }
                From::Top => s.before_mm3 <= ease * 0.1 * self.puddle_mm3(),
            };
            let pool = demand.pool(need, n);
            let diameter = |length_mm: f64| match pool {
                None => size::air_mm(need.area_mm2 / f64::from(n), length_mm, setup),
                Some(pool) => size::drain_mm(pool, length_mm, self, setup),
            };
            let mut spots: Vec<Spot> = taken.to_vec();
            let open = |region: u32| !turned && is_open(region);
            for _ in 0..n {
                match site.place(at, off, slack, diameter, open, &spots)? {
                    Ok(spot) => spots.push(spot),
                    Err(refusal) => {
                        // What keeps the rule tells most.
                        if ease == 1.0 && off == Off::Nothing {
                            why = refusal;
                        }
                        break;
                    }
                }
            }
            if spots.len() == taken.len() + n as usize {
                let spots = spots.split_off(taken.len());
                return Ok(Ok(Served { spots, pool, at }));
            }
            // Another void may yet open and take the mouth.
            if off == Off::Nothing && why == Refusal::Shut {
                break;
            }
        }
        Ok(Err(why))
    }

    /// Holes that a cup of so wide a section asks for, through a wall as thick as a hole is wide.
    pub(crate) fn air_holes(&self, widest_mm2: f64, setup: &Setup) -> u32 {
        let fits = |n: &u32| {
            let area = widest_mm2 / f64::from(*n);
            size::air_mm(area, self.least_mm, setup) <= self.most_mm
        };
        (1..SHARED).find(fits).unwrap_or(SHARED)
    }

    fn puddle_mm3(&self) -> f64 {
        self.puddle_ml * 1e3
    }
}

/// Resin above a drain, beginning where the void does, that capillarity keeps from running out, mm³.
fn held_mm3(map: &VoidMap, need: &Need, spot: &Spot, ctx: &Context) -> f64 {
    let bore = Bore { diameter_mm: spot.diameter_mm, length_mm: spot.length_mm };
    let held = size::held_mm(bore, Liquid::from(&ctx.setup.resin));
    let sign = if need.from == From::Plate { 1.0 } else { -1.0 };
    let below = |s: &&needs::Step| sign * (map.grid.z_mm(s.layer) - spot.entry.z) <= held;
    let regions = need.chain.iter().take_while(below).flat_map(|s| &s.regions);
    regions.map(|&r| map.regions[r as usize].area_mm2).sum::<f64>() * map.grid.layer_mm
}
