//! What is to be packed: parts with their copies and groups as the search sees them, and the way
//! back from its placements to parts on plates.

use super::Pack;
use super::bound::{Need, inner_disc_mm};
use super::nfp::{NfpCache, Placement, Ring, Shape};
use super::outline::{self, SNAP_MM, shadow};
use super::plan::{Plan, Printer, Task, Unit};
use super::plugs::Lot;
use super::polygon::Point2;
use crate::context::Context;
use crate::error::{Error, Result};
use crate::part::{Part, Role};
use crate::plate::{Placed, Plate};
use crate::setup::Setup;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What the packer knows of a part.
struct Seen {
    shape: Shape,
    need: Need,
}

/// Parts, copies and groups. An item is one copy of a part; a unit is the items that must share a
/// plate.
pub(super) struct Order {
    parts: Vec<Arc<Part>>,
    /// For each bar of plugs that is to stay with a part, the part's index.
    beside: Vec<Option<usize>>,
    setups: Vec<Setup>,
    /// Need of each part.
    needs: Vec<Need>,
    /// Outline of each part, by its number in the cache.
    outline_of: Vec<usize>,
    /// Part of each item.
    items: Vec<usize>,
    /// Items of each unit.
    members: Vec<Vec<usize>>,
    nfps: NfpCache,
    printers: Vec<Printer>,
}

impl Order {
    pub(super) fn new(pack: &Pack, lot: Lot, ctx: &Context) -> Result<Order> {
        let Lot { parts, beside } = lot;
        let setups: Vec<Setup> = match pack.printers.len() {
            0 => vec![(*ctx.setup).clone()],
            _ => pack.printers.clone(),
        };
        let parts: Vec<Arc<Part>> = parts.into_iter().map(Arc::new).collect();
        // Copies that share their geometry are looked at once.
        let first_of: Vec<usize> = (0..parts.len())
            .map(|i| (0..i).find(|&j| parts[j].shares_geometry(&parts[i])).unwrap_or(i))
            .collect();
        let different: Vec<usize> = (0..parts.len()).filter(|&i| first_of[i] == i).collect();
        let looked: Vec<Seen> = different
            .par_iter()
            .map(|&i| {
                ctx.checkpoint(0.0)?;
                look_at(pack, &parts[i], &setups, ctx)
            })
            .collect::<Result<_>>()?;
        let seen = |i: usize| -> &Seen {
            &looked[different.binary_search(&first_of[i]).expect("a first is itself different")]
        };
        // Parts of one outline share its pair tables.
        let mut shapes: Vec<Shape> = Vec::new();
        let outline_of: Vec<usize> =
            (0..parts.len()).map(|i| position_or_push(&mut shapes, &seen(i).shape)).collect();
        let needs = (0..parts.len()).map(|i| seen(i).need).collect();
        let printers = setups.iter().map(|s| printer(pack, s, &mut shapes)).collect();
        let items: Vec<usize> = (0..parts.len())
            .flat_map(|i| std::iter::repeat_n(i, pack.copies_of(owner(&parts[i]))))
            .collect();
        let members = members(pack, &parts, &beside, &items);
        let turns = (360.0 / pack.turn_step_deg).round() as usize;
        let nfps = NfpCache::new(&shapes, turns, pack.gap_mm);
        Ok(Order { parts, beside, setups, needs, outline_of, items, members, nfps, printers })
    }

    /// Whether bars of plugs are to stay with parts.
    pub(super) fn has_bars(&self) -> bool {
        self.beside.iter().any(Option::is_some)
    }

    pub(super) fn task(&self, pack: &Pack) -> Task<'_> {
        let due = |i: usize| pack.due.get(owner(&self.parts[i])).copied().unwrap_or(u32::MAX);
        let unit = |members: &Vec<usize>| {
            let parts = || members.iter().map(|&m| self.items[m]);
            Unit {
                outlines: parts().map(|i| self.outline_of[i]).collect(),
                parts: parts().filter(|&i| self.beside[i].is_none()).count(),
                height_mm: parts().map(|i| self.needs[i].height_mm).fold(0.0, f64::max),
                area_mm2: parts().map(|i| self.needs[i].area_mm2).sum(),
                due: parts().map(due).min().unwrap_or(0),
            }
        };
        Task {
            nfps: &self.nfps,
            units: self.members.iter().map(unit).collect(),
            printers: self.printers.clone(),
            goal: pack.goal,
            gap_mm: pack.gap_mm,
            max_parts: pack.max_parts.map(|n| n as usize),
            keep_order: pack.keep_order,
            seed: pack.seed,
            rounds: pack.rounds as usize,
            deadline: pack.seconds.map(|s| Instant::now() + Duration::from_secs_f64(s)),
        }
    }

    /// What everything but the misfits needs; the bars beside parts are left out, which makes a bound
    /// no less true.
    pub(super) fn needs(&self, misfits: &[usize]) -> Vec<Need> {
        let units = (0..self.members.len()).filter(|u| !misfits.contains(u));
        let parts = units.flat_map(|u| &self.members[u]).map(|&m| self.items[m]);
        parts.filter(|&i| self.beside[i].is_none()).map(|i| self.needs[i]).collect()
    }

    /// Lets bars go wherever there is room, where a plate does not take them with their part.
    pub(super) fn loosen(&mut self, misfits: &[usize]) {
        let mut loose = Vec::new();
        for &u in misfits {
            let with = |&m: &usize| self.beside[self.items[m]].is_none();
            let (parts, bars): (Vec<usize>, Vec<usize>) =
                self.members[u].iter().copied().partition(with);
            if !parts.is_empty() {
                self.members[u] = parts;
                loose.extend(bars.into_iter().map(|m| vec![m]));
            }
        }
        self.members.extend(loose);
    }

    /// The parts of some units.
    pub(super) fn parts_of(&self, units: &[usize]) -> impl Iterator<Item = &Part> {
        let items = units.iter().flat_map(|&u| &self.members[u]);
        items.map(|&m| &*self.parts[self.items[m]])
    }

    /// The plan as plates, each packing in the middle and exactly inside; `before` plates have their
    /// numbers already.
    pub(super) fn plates(&self, pack: &Pack, plan: &Plan<'_>, before: usize) -> Vec<Plate> {
        let mut plates = Vec::with_capacity(plan.plates.len());
        for (k, plate) in plan.plates.iter().enumerate() {
            let mut layout = plate.layout.clone();
            layout.center();
            debug_assert!(layout.is_apart());
            let Setup { name, machine, .. } = &self.setups[plate.printer];
            let high = [machine.width_mm, machine.depth_mm].map(|s| s - pack.margin_mm);
            let mut placed = Vec::with_capacity(plate.owner.len());
            let mut next: BTreeMap<usize, usize> = BTreeMap::new();
            for (placement, &u) in layout.placements[layout.fixed..].iter().zip(&plate.owner) {
                let nth = next.entry(u).or_insert(0);
                let i = self.items[self.members[u][*nth]];
                *nth += 1;
                let at = self.nfps.origin(placement);
                let mut one = Placed {
                    part: Arc::clone(&self.parts[i]),
                    x_mm: at[0] + pack.margin_mm,
                    y_mm: at[1] + pack.margin_mm,
                    turn_deg: 360.0 * placement.turn as f64 / self.nfps.turn_count() as f64,
                };
                move_inside(&mut one, pack.margin_mm, high);
                placed.push(one);
            }
            plates.push(Plate {
                name: format!("plate {}", before + k + 1),
                printer: name.clone(),
                width_mm: machine.width_mm,
                depth_mm: machine.depth_mm,
                placed,
            });
        }
        plates
    }
}

/// Takes back what rounding has put outside, a few last bits: the test is the placement itself.
fn move_inside(placed: &mut Placed, low: f64, high: Point2) {
    for _ in 0..4 {
        let b = placed.bounds();
        let mut moved = false;
        for (k, at) in [&mut placed.x_mm, &mut placed.y_mm].into_iter().enumerate() {
            let out = if b.min[k] < low {
                low - b.min[k]
            } else if b.max[k] > high[k] {
                high[k] - b.max[k]
            } else {
                continue;
            };
            let before = *at;
            *at += out;
            if *at == before {
                *at = if out > 0.0 { before.next_up() } else { before.next_down() };
            }
            moved = true;
        }
        if !moved {
            return;
        }
    }
}

fn position_or_push(shapes: &mut Vec<Shape>, shape: &Shape) -> usize {
    shapes.iter().position(|s| s == shape).unwrap_or_else(|| {
        shapes.push(shape.clone());
        shapes.len() - 1
    })
}

fn look_at(pack: &Pack, part: &Part, setups: &[Setup], ctx: &Context) -> Result<Seen> {
    let surfaces = part.surfaces(&Role::ALL);
    let extent = outline::extent(&surfaces);
    // The bound needs what each part takes at one height common to all: with bands, the lowest,
    // taken small by what the bands were grown.
    let (rings, short_mm, lowest, grown_mm) = match pack.band_mm {
        None => {
            let shadow = shadow(&surfaces);
            let (rings, short_mm) = outline::packing_rings(&shadow, &extent);
            (rings.into_iter().map(Ring::upright).collect(), short_mm, shadow, SNAP_MM)
        }
        Some(band) => {
            let layer = setups.iter().map(|s| s.exposure.layer_mm).fold(f64::MAX, f64::min);
            let (rings, lowest) = outline::bands(&surfaces, layer, band, pack.gap_mm, ctx)?;
            (rings, SNAP_MM, lowest, 2.0 * outline::BAND_GROWTH_MM)
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
    let inner_mm = (inner_disc_mm(&lowest) - grown_mm).max(0.0);
    let area_mm2 = match pack.band_mm {
        None => outline::grown_area_mm2(&lowest, pack.gap_mm / 2.0),
        Some(_) if inner_mm > 0.0 => std::f64::consts::PI * (inner_mm + pack.gap_mm / 2.0).powi(2),
        Some(_) => 0.0,
    };
    let need = Need { height_mm: part.bounds().max.z, area_mm2, inner_mm };
    Ok(Seen { shape: Shape { rings, short_mm, extent }, need })
}

fn printer(pack: &Pack, setup: &Setup, shapes: &mut Vec<Shape>) -> Printer {
    let m = &setup.machine;
    let keep_out = pack.keep_out.iter().map(|k| {
        let (w, d) = (k.width_mm / 2.0, k.depth_mm / 2.0);
        let shape = Shape::upright(vec![[-w, -d], [w, -d], [w, d], [-w, d]]);
        let at = [k.x_mm + w - pack.margin_mm, k.y_mm + d - pack.margin_mm];
        Placement { outline: position_or_push(shapes, &shape), turn: 0, at }
    });
    Printer {
        room: [m.width_mm, m.depth_mm].map(|s| (s - 2.0 * pack.margin_mm).max(0.0)),
        height_mm: m.height_mm,
        keep_out: keep_out.collect(),
        setup: setup.clone(),
    }
}

/// The name by which a user asks for copies, groups and ranks: a bar of plugs follows its part.
fn owner(part: &Part) -> &String {
    part.bar.as_ref().map_or(&part.name, |b| &b.part)
}

/// Items of each unit: the groups first, then every other item by itself, each bar of plugs with the
/// copy of its part.
fn members(
    pack: &Pack,
    parts: &[Arc<Part>],
    beside: &[Option<usize>],
    items: &[usize],
) -> Vec<Vec<usize>> {
    let group = |i: usize| {
        let name = owner(&parts[items[i]]);
        pack.together.iter().position(|g| g.contains(name))
    };
    let first = |part: usize| items.partition_point(|&p| p < part);
    let mut out = vec![Vec::new(); pack.together.len()];
    let mut unit_of = Vec::with_capacity(items.len());
    for (i, &part) in items.iter().enumerate() {
        let unit = match (group(i), beside[part]) {
            (Some(g), _) => g,
            (None, Some(with)) => unit_of[first(with) + i - first(part)],
            (None, None) => {
                out.push(Vec::new());
                out.len() - 1
            }
        };
        out[unit].push(i);
        unit_of.push(unit);
    }
    out.retain(|m| !m.is_empty());
    out
}
