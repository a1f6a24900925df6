//! Pack: many parts on the fewest, shortest plates.
//!
//! A plate costs its tallest part, whether it holds one part or forty. So the goal is machine
//! time over all plates, then the number of plates, then compactness. A sorted greedy start is
//! squeezed by guided local search; the plan never gets worse than the start, and the report says
//! how far from a lower bound it is.

mod bound;
mod improve;
mod outline;
mod plan;
mod polygon;
mod rng;
mod scene;
mod separate;
mod shape;
mod strip;

pub use bound::{Need, least_plates, most_discs};
pub use outline::{Shadow, shadow};
pub use plan::Goal;
pub use polygon::{Point2, signed_area_mm2};
pub use shape::Ring;
pub use strip::{Budget, Laid, Strip, StripTask, strip};

use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Report, Severity};
use crate::options::{Options, options};
use crate::part::{Part, Role};
use crate::pass::Pass;
use crate::plate::{Placed, Plate};
use crate::setup::Setup;
use plan::{Printer, Task, Unit};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use shape::{Catalogue, Spot};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A rectangle of the plate that stays free, mm from its front left corner.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeepOut {
    /// Left edge.
    pub x_mm: f64,
    /// Front edge.
    pub y_mm: f64,
    /// Extent along x.
    pub width_mm: f64,
    /// Extent along y.
    pub depth_mm: f64,
}

options! {
    /// Options of the pass.
    ///
    /// Outlines are the shadows of everything printed (body, lattice, supports, raft), holes filled;
    /// they are kept apart by at least the gap and at most about 0.2 mm more.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::Pack};
    /// # let ctx = Context::new(Setup::default());
    /// let parts = (0..4).map(|_| Ok(Part::new(cuboid(20.0, 20.0, 5.0)?))).collect::<vatwright::Result<Vec<_>>>()?;
    /// let plates = Pack { rounds: 10, ..Pack::default() }.apply(parts, &ctx)?.value;
    /// assert_eq!((plates.len(), plates[0].placed.len()), (1, 4));
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Pack at "pack" {
        /// Least distance between parts, mm.
        gap_mm: f64 = 1.0, in 0.0..=50.0 "mm", larger "safer handling; fewer parts on a plate";
        /// Rim of the plate that stays free, mm.
        margin_mm: f64 = 1.0,
            in 0.0..=100.0 "mm",
            larger "safer at the rim; fewer parts on a plate";
        /// Parts may turn about z by multiples of this, degrees; it must divide 360. 360: not at all.
        turn_step_deg: f64 = 45.0,
            in 1.0..=360.0 "degrees",
            larger "fewer ways to turn, quicker; looser plates";
        /// Height of the bands for which outlines are taken, mm, so that an arm may pass over a lower
        /// neighbour. `None`: one outline for the whole height, the safer choice for handling.
        band_mm: Option<f64> = None, in 0.1..=1000.0 "mm", larger "coarser nesting, quicker";
        /// What is to be small.
        goal: Goal = Goal::TotalTime;
        /// Copies of a part, by its name; parts not named come once.
        copies: BTreeMap<String, u32> = BTreeMap::new();
        /// Names of parts that must share a plate; all copies of each.
        together: Vec<Vec<String>> = Vec::new();
        /// Rank in which a part is due, by its name; lower ranks come on earlier plates, parts not
        /// named come last.
        due: BTreeMap<String, u32> = BTreeMap::new();
        /// Printers, one entry for each that stands in the workshop. Empty: the context's setup.
        printers: Vec<Setup> = Vec::new();
        /// Rectangles that stay free on every plate.
        keep_out: Vec<KeepOut> = Vec::new();
        /// Most parts on a plate, if the user sets one.
        max_parts: Option<u32> = None, larger "fuller plates";
        /// Fill plates in the order given, as by hand, and improve nothing: for serial numbers, or to
        /// see what sorting saves.
        keep_order: bool = false;
        /// Search rounds spent on squeezing plates; the same number gives the same plates.
        rounds: u32 = 2000, larger "tighter plates; more time";
        /// Ends the squeezing after this time, s. The result then depends on the machine's speed.
        seconds: Option<f64> = None, in 0.0..=1e6 "s", larger "tighter plates; more time";
        /// Seed of the search.
        seed: u64 = 1;
    }
}

impl Pass<Vec<Part>> for Pack {
    type Out = Vec<Plate>;

    fn name(&self) -> &'static str {
        "pack"
    }

    /// Packs all parts and their copies. A part that fits no plate is named by a finding
    /// `unpackable`; nothing is lost silently.
    fn apply(&self, parts: Vec<Part>, ctx: &Context) -> Result<Done<Vec<Plate>>> {
        self.validate(&parts)?;
        let setups: Vec<Setup> = if self.printers.is_empty() {
            vec![(*ctx.setup).clone()]
        } else {
            self.printers.clone()
        };
        let mut report = Report::new("pack", "");
        let parts: Vec<Arc<Part>> = parts.into_iter().map(Arc::new).collect();
        let stage = ctx.stage("outlines", 0.0, 0.2);
        // Copies that share their geometry are looked at once.
        let first_of: Vec<usize> = (0..parts.len())
            .map(|i| (0..i).find(|&j| parts[j].shares_geometry(&parts[i])).unwrap_or(i))
            .collect();
        let different: Vec<usize> = (0..parts.len()).filter(|&i| first_of[i] == i).collect();
        let looked: Vec<Seen> = different
            .par_iter()
            .map(|&i| {
                stage.checkpoint(0.0)?;
                self.look_at(&parts[i], &setups, &stage)
            })
            .collect::<Result<_>>()?;
        let seen: Vec<&Seen> = first_of
            .iter()
            .map(|f| &looked[different.binary_search(f).expect("a first is itself different")])
            .collect();

        // Equal outlines are one kind, so that copies share their pair tables.
        let mut outlines: Vec<Vec<Ring>> = Vec::new();
        let kind_of: Vec<usize> =
            seen.iter().map(|s| position_or_push(&mut outlines, &s.rings)).collect();
        let items: Vec<usize> = (0..parts.len())
            .flat_map(|i| std::iter::repeat_n(i, self.copies_of(&parts[i].name)))
            .collect();
        let printers: Vec<Printer> =
            setups.iter().map(|s| self.printer(s, &mut outlines)).collect();
        let turns = (360.0 / self.turn_step_deg).round() as usize;
        let cat = Catalogue::new(&outlines, turns, self.gap_mm + 2.0 * outline::SNAP_MM);

        let members = self.members(&parts, &items);
        let units: Vec<Unit> = members
            .iter()
            .map(|m| {
                let of = |i: &usize| items[*i];
                Unit {
                    kinds: m.iter().map(|i| kind_of[of(i)]).collect(),
                    height_mm: m.iter().map(|i| seen[of(i)].need.height_mm).fold(0.0, f64::max),
                    area_mm2: m.iter().map(|i| seen[of(i)].need.area_mm2).sum(),
                    due: m.iter().map(|i| self.due_of(&parts[of(i)].name)).min().unwrap_or(0),
                }
            })
            .collect();
        let task = Task {
            cat: &cat,
            units,
            printers,
            goal: self.goal,
            gap_mm: self.gap_mm,
            max_parts: self.max_parts.map(|n| n as usize),
            keep_order: self.keep_order,
            seed: self.seed,
            rounds: self.rounds as usize,
            deadline: self.seconds.map(|s| Instant::now() + Duration::from_secs_f64(s)),
        };
        let start = plan::greedy(&task, &ctx.stage("place", 0.2, 0.4))?;
        let start_score = start.score(&task);
        let on_plates = (0..members.len()).filter(|u| !start.misfits.contains(u));
        let needs: Vec<Need> =
            on_plates.flat_map(|u| &members[u]).map(|&m| seen[items[m]].need).collect();
        let bound_s =
            bound::lower_bound_s(&needs, &task.printers, self.gap_mm, task.max_parts, self.goal);
        let mut plan = if self.keep_order {
            start
        } else {
            improve::improve(&task, start, bound_s, &ctx.stage("squeeze", 0.4, 1.0))?
        };
        let score = plan.score(&task);
        plan.loads.iter_mut().for_each(|l| l.scene.center());
        debug_assert!(plan.loads.iter().all(|l| l.scene.is_apart()));

        let mut plates = Vec::with_capacity(plan.loads.len());
        for (k, load) in plan.loads.iter().enumerate() {
            let setup = &setups[load.printer];
            let mut placed = Vec::with_capacity(load.owner.len());
            let mut next: BTreeMap<usize, usize> = BTreeMap::new();
            for (spot, &u) in load.scene.spots[load.scene.fixed..].iter().zip(&load.owner) {
                let nth = next.entry(u).or_insert(0);
                let i = items[members[u][*nth]];
                *nth += 1;
                let at = cat.origin(spot);
                placed.push(Placed {
                    part: Arc::clone(&parts[i]),
                    x_mm: at[0] + self.margin_mm,
                    y_mm: at[1] + self.margin_mm,
                    turn_deg: 360.0 * spot.turn as f64 / turns as f64,
                });
            }
            plates.push(Plate {
                name: format!("plate {}", k + 1),
                printer: setup.name.clone(),
                width_mm: setup.machine.width_mm,
                depth_mm: setup.machine.depth_mm,
                placed,
            });
        }
        for &u in &plan.misfits {
            for &m in &members[u] {
                report.findings.push(unpackable(&parts[items[m]], seen[items[m]], &task));
            }
        }

        report.number("parts", plates.iter().map(|p| p.placed.len()).sum::<usize>() as f64);
        report.number("plates", plates.len() as f64);
        report.number("time_s", score.time_s);
        report.number("greedy_time_s", start_score.time_s);
        report.number("bound_s", bound_s);
        if score.time_s > 0.0 {
            report.number("gap_percent", 100.0 * (score.time_s / bound_s - 1.0));
        }
        Ok(Done { value: plates, report })
    }
}

/// Most pieces in one run, copies counted.
const MOST_PIECES: usize = 10_000;

/// What the packer knows of a part.
struct Seen {
    rings: Vec<Ring>,
    need: Need,
}

fn position_or_push(outlines: &mut Vec<Vec<Ring>>, rings: &[Ring]) -> usize {
    outlines.iter().position(|o| o == rings).unwrap_or_else(|| {
        outlines.push(rings.to_vec());
        outlines.len() - 1
    })
}

fn unpackable(part: &Part, seen: &Seen, task: &Task<'_>) -> Finding {
    let tallest = task.printers.iter().map(|p| p.height_mm).fold(0.0, f64::max);
    let finding = |why: String| Finding::new("unpackable", Severity::Fault, &part.name, why);
    if seen.need.height_mm > tallest + 1e-6 {
        return finding("it is taller than every printer, so it is on no plate".into())
            .measured(seen.need.height_mm, tallest, "mm")
            .remedy("turn, scale or cut it");
    }
    finding("it, or the group it belongs to, fits on no plate, so it is on none".into())
        .remedy("turn, scale or cut it, free it from its group, or use a larger printer")
}

impl Pack {
    fn validate(&self, parts: &[Part]) -> Result<()> {
        self.check_ranges()?;
        if (360.0 / self.turn_step_deg).fract().abs() > 1e-9 {
            return Err(Error::Value {
                place: "pack.turn_step_deg".into(),
                value: self.turn_step_deg.to_string(),
                expected: "a divisor of 360: 5, 15, 45, 90, 360, …".into(),
            });
        }
        if self.max_parts == Some(0) {
            check_range("pack.max_parts", 0.0, 1.0, f64::from(u32::MAX), "")?;
        }
        for setup in &self.printers {
            setup.validate()?;
        }
        let pieces: usize = parts.iter().map(|p| self.copies_of(&p.name)).sum();
        if pieces > MOST_PIECES {
            return Err(Error::Limit {
                place: "pack.copies".into(),
                value: pieces as f64,
                limit: MOST_PIECES as f64,
                unit: "pieces",
                remedy: "pack in several runs".into(),
            });
        }
        let named = self.copies.keys().map(|n| ("pack.copies", n));
        let named = named.chain(self.due.keys().map(|n| ("pack.due", n)));
        let named = named.chain(self.together.iter().flatten().map(|n| ("pack.together", n)));
        for (place, name) in named {
            if !parts.iter().any(|p| p.name == *name) {
                return Err(Error::Value {
                    place: place.into(),
                    value: format!("'{name}'"),
                    expected: "the names of the parts given".into(),
                });
            }
        }
        Ok(())
    }

    fn look_at(&self, part: &Part, setups: &[Setup], ctx: &Context) -> Result<Seen> {
        let surfaces = part.surfaces(&Role::ALL);
        // The bound needs what each part takes at one height common to all: with bands, the
        // lowest, taken small by what the bands were grown.
        let (rings, shadow, grown_mm) = match self.band_mm {
            None => {
                let shadow = shadow(&surfaces);
                let rings = outline::packing_rings(&shadow);
                (rings.into_iter().map(Ring::upright).collect(), shadow, 0.0)
            }
            Some(band) => {
                let layer = setups.iter().map(|s| s.exposure.layer_mm).fold(f64::MAX, f64::min);
                let (rings, lowest) = outline::bands(&surfaces, layer, band, self.gap_mm, ctx)?;
                (rings, lowest, 2.0 * outline::BAND_GROWTH_MM)
            }
        };
        if rings.is_empty() {
            return Err(Error::Pass {
                pass: "pack",
                part: part.name.clone(),
                problem: "it casts no shadow on the plate".into(),
                remedy: "check that it is a solid with a positive volume".into(),
            });
        }
        let inner_mm = (bound::inner_disc_mm(&shadow) - grown_mm).max(0.0);
        let half_gap = (self.gap_mm / 2.0 - outline::SNAP_MM).max(0.0);
        let area_mm2 = match self.band_mm {
            None => outline::grown_area_mm2(&shadow, half_gap),
            Some(_) if inner_mm > 0.0 => std::f64::consts::PI * (inner_mm + half_gap).powi(2),
            Some(_) => 0.0,
        };
        Ok(Seen { rings, need: Need { height_mm: part.bounds().max.z, area_mm2, inner_mm } })
    }

    fn copies_of(&self, name: &str) -> usize {
        self.copies.get(name).map_or(1, |&n| n as usize)
    }

    fn due_of(&self, name: &str) -> u32 {
        self.due.get(name).copied().unwrap_or(u32::MAX)
    }

    fn printer(&self, setup: &Setup, outlines: &mut Vec<Vec<Ring>>) -> Printer {
        let m = &setup.machine;
        let keep_out = self.keep_out.iter().map(|k| {
            let (w, d) = (k.width_mm / 2.0, k.depth_mm / 2.0);
            let ring = Ring::upright(vec![[-w, -d], [w, -d], [w, d], [-w, d]]);
            let at = [k.x_mm + w - self.margin_mm, k.y_mm + d - self.margin_mm];
            Spot { kind: position_or_push(outlines, &[ring]), turn: 0, at }
        });
        Printer {
            room: [m.width_mm, m.depth_mm].map(|s| (s - 2.0 * self.margin_mm).max(0.0)),
            height_mm: m.height_mm,
            keep_out: keep_out.collect(),
            setup: setup.clone(),
        }
    }

    /// Items of each unit: the groups first, then every other item by itself.
    fn members(&self, parts: &[Arc<Part>], items: &[usize]) -> Vec<Vec<usize>> {
        let group = |i: usize| {
            let name = &parts[items[i]].name;
            self.together.iter().position(|g| g.contains(name))
        };
        let mut out = vec![Vec::new(); self.together.len()];
        for i in 0..items.len() {
            match group(i) {
                Some(g) => out[g].push(i),
                None => out.push(vec![i]),
            }
        }
        out.retain(|m| !m.is_empty());
        out
    }
}
