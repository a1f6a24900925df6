//! What the pass reports: numbers by cavity, and what it could not open.

use super::demand::Demand;
use super::needs::Need;
use super::{Made, Unserved, Vent, cut, size};
use crate::codes::FindingCode;
use crate::context::Context;
use crate::finding::{Finding, Report, Severity};
use crate::layers::{Outlet, Place, SweepFrom as From, VoidMap};
use crate::mechanics::flow::{self, Bore, Liquid};
use crate::mechanics::suction;
use crate::mesh::Point;
use crate::part::{Drainage, Part, VentHole};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The voids that holes were asked for, numbered from 1, as the first look found them.
#[derive(Default)]
pub(super) struct Cavities {
    first: Option<Arc<VoidMap>>,
    /// Cavity of each void region of the first look.
    of_region: Vec<Option<u32>>,
    volumes_mm3: Vec<f64>,
}

impl Cavities {
    /// Groups the roots of both trees: those that share a region are one cavity.
    pub(super) fn of(map: &Arc<VoidMap>, demand: &Demand) -> Cavities {
        let mut label: BTreeMap<(From, u32), u32> = BTreeMap::new();
        let mut of_region = vec![None; map.regions.len()];
        let mut count = 0;
        let roots = |region: u32| {
            [From::Plate, From::Top].map(|from| {
                let side = demand.side(from);
                let root = side.tree.root(region).filter(|&r| side.wanted[r as usize]);
                root.map(|r| (from, r))
            })
        };
        for region in 0..map.regions.len() as u32 {
            let keys: Vec<_> = roots(region).into_iter().flatten().collect();
            let known: Vec<u32> = keys.iter().filter_map(|k| label.get(k).copied()).collect();
            let Some(new) = known.iter().min().copied().or((!keys.is_empty()).then(|| {
                count += 1;
                count
            })) else {
                continue;
            };
            label.values_mut().filter(|l| known.contains(l)).for_each(|l| *l = new);
            label.extend(keys.into_iter().map(|k| (k, new)));
        }
        // Joined labels leave gaps: number again in order.
        let mut used: Vec<u32> = label.values().copied().collect();
        used.sort_unstable();
        used.dedup();
        let mut volumes_mm3 = vec![0.0; used.len()];
        for region in 0..map.regions.len() as u32 {
            let key = roots(region).into_iter().flatten().next();
            let Some(index) = key.and_then(|k| used.binary_search(&label[&k]).ok()) else {
                continue;
            };
            of_region[region as usize] = Some(index as u32 + 1);
            volumes_mm3[index] += map.regions[region as usize].area_mm2 * map.grid.layer_mm;
        }
        Cavities { first: Some(Arc::clone(map)), of_region, volumes_mm3 }
    }

    /// The cavity at a point.
    fn at(&self, p: &Point) -> Option<u32> {
        match self.first.as_ref()?.place(p) {
            Place::Void(region) => self.of_region[region as usize],
            _ => None,
        }
    }

    /// The cavity of a need found in `map`, a new one if the first look missed it.
    pub(super) fn of_need(&mut self, map: &VoidMap, need: &Need) -> u32 {
        let points = need.chain.iter().filter_map(|s| map.point_in(s.regions[0]));
        points.filter_map(|p| self.at(&p)).next().unwrap_or_else(|| {
            let volume = need.chain.iter().flat_map(|s| &s.regions);
            let area: f64 = volume.map(|&r| map.regions[r as usize].area_mm2).sum();
            self.volumes_mm3.push(area * map.grid.layer_mm);
            self.volumes_mm3.len() as u32
        })
    }
}

/// What becomes of the resin in every cavity.
pub(super) fn drainage(
    cavities: &Cavities,
    made: &[Made],
    unserved: &[Unserved],
    map: &VoidMap,
    demand: &Demand,
    ctx: &Context,
) -> Vec<Drainage> {
    let setup = &ctx.setup;
    let liquid = Liquid::from(&setup.resin);
    let new = |mm3: &f64| Drainage {
        volume_ml: mm3 * 1e-3,
        drain_s: Some(0.0),
        retained_ml: 0.0,
        pressure_kpa: 0.0,
    };
    let mut out: Vec<Drainage> = cavities.volumes_mm3.iter().map(new).collect();
    // Puddles of the vented part, as its layers show them; what turning lets out does not stay.
    let down = &demand.side(From::Top).tree;
    let turned = |root: u32| demand.vessels.contains(&(root, Outlet::Holes));
    for root in down.roots().filter(|&root| !turned(root)) {
        let region = down.first_region(root);
        if let Some(cavity) = map.point_in(region).and_then(|p| cavities.at(&p)) {
            out[cavity as usize - 1].retained_ml += down.sizes[root as usize].volume_mm3 * 1e-3;
        }
    }
    for m in made {
        let of = &mut out[m.cavity as usize - 1];
        let bore = Bore { diameter_mm: m.spot.diameter_mm, length_mm: m.spot.length_mm };
        match m.pool {
            None => {
                let conductance = flow::conductance_mm3_s_kpa(bore, setup.resin.viscosity_pa_s);
                let speed = setup.machine.lift_speed_mm_s;
                let kpa = suction::vented_kpa(m.area_mm2, speed, conductance);
                of.pressure_kpa = of.pressure_kpa.max(kpa);
            }
            Some(pool) => {
                of.drain_s = of.drain_s.map(|s| s.max(size::drain_s(pool, bore, liquid)));
                of.retained_ml += m.held_mm3 * 1e-3;
            }
        }
    }
    for u in unserved.iter().filter(|u| u.need.from == From::Top) {
        let cavity = u.place.and_then(|p| cavities.at(&p));
        let drains = |c: u32| made.iter().any(|m| m.cavity == c && m.pool.is_some());
        if let Some(cavity) = cavity.filter(|&c| !drains(c)) {
            out[cavity as usize - 1].drain_s = None;
        }
    }
    out
}

/// Stores the numbers of every cavity and their sums and extremes; `known` cavities were there
/// before.
pub(super) fn numbers(report: &mut Report, holes: usize, found: &[Drainage], known: usize) {
    let drains = || found.iter().filter_map(|d| d.drain_s);
    report.number("holes", holes as f64);
    report.number("cavities", found.len() as f64);
    report.number("retained_ml", found.iter().map(|d| d.retained_ml).sum());
    report.number("pressure_kpa", found.iter().map(|d| d.pressure_kpa).fold(0.0, f64::max));
    report.number("drain_s", drains().fold(0.0, f64::max));
    for (i, d) in found.iter().enumerate() {
        let mut number = |what: &str, value: f64| {
            report.number(&format!("cavity_{}_{what}", known + i + 1), value);
        };
        number("ml", d.volume_ml);
        number("retained_ml", d.retained_ml);
        number("pressure_kpa", d.pressure_kpa);
        if let Some(drain_s) = d.drain_s {
            number("drain_s", drain_s);
        }
    }
}

/// Reports holes that could only be cut where the model is most looked at.
pub(super) fn seen(report: &mut Report, made: &[Made]) {
    let seen: Vec<&Made> = made.iter().filter(|m| m.spot.seen && m.spot.outside).collect();
    report.number("seen_holes", seen.len() as f64);
    let Some(first) = seen.first() else { return };
    let message = format!(
        "{} of {} holes lie on the most visible tenth of the surface: nothing else drains",
        seen.len(),
        made.len()
    );
    report.findings.push(
        Finding::new(FindingCode::VentSeen, Severity::Warning, &report.part, message)
            .at(first.spot.mouth())
            .remedy("fill and sand the plug there, turn the part, or leave it solid"),
    );
}

/// Reports what is still closed, and what was left as it is on purpose.
pub(super) fn findings(
    report: &mut Report,
    options: &Vent,
    map: &VoidMap,
    demand: &Demand,
    unserved: &[Unserved],
    ctx: &Context,
) {
    let name = report.part.clone();
    for u in unserved {
        report.findings.push(closed(&name, options, u));
    }
    left(report, options, map, demand, ctx.setup.limits.noise_mm3);
    let down = &demand.side(From::Top).tree;
    for &(root, outlet) in &demand.vessels {
        let ml = down.sizes[root as usize].volume_mm3 * 1e-3;
        let (message, remedy) = outlet.words(ml);
        let mut finding = Finding::new(FindingCode::RetainedResin, Severity::Note, &name, message)
            .measured(ml, options.puddle_ml, "ml")
            .remedy(remedy);
        finding.place = map.point_in(down.first_region(root));
        report.findings.push(finding);
    }
}

/// Reports what plugs mean, and the holes that get none; `known` holes were there before.
pub(super) fn plugs(report: &mut Report, options: &Vent, part: &Part, known: usize, ctx: &Context) {
    let (with, without): (Vec<&VentHole>, Vec<&VentHole>) =
        part.vents[known..].iter().filter(|v| !v.inner).partition(|v| v.plug.is_some());
    report.number("plugs", with.len() as f64);
    if !with.is_empty() {
        let message =
            "plugs close the holes for good: resin left inside can leak or burst the part";
        report.findings.push(
            Finding::new(FindingCode::Plugs, Severity::Note, &part.name, message)
                .remedy("wash and cure the inside first, by the resin's safety data sheet"),
        );
    }
    let width = |v: &&VentHole| cut::stopper_mm(options, v);
    let Some(least) = without.iter().copied().min_by(|a, b| width(a).total_cmp(&width(b))) else {
        return;
    };
    let (found, limit) = (width(&least), cut::least_stopper_mm(&ctx.setup));
    let message = format!(
        "holes without a plug: {}; one for the hole of {:.2} mm would be {found:.2} mm thin at its \
         end, less than the machine draws round",
        without.len(),
        least.diameter_mm
    );
    report.findings.push(
        Finding::new(FindingCode::Unplugged, Severity::Warning, &part.name, message)
            .at(part.pose * least.mouth)
            .measured(found, limit, "mm")
            .remedy("fill the hole with resin and cure it there, or ask for wider holes"),
    );
}

fn closed(name: &str, options: &Vent, u: &Unserved) -> Finding {
    let (volume, widest) = (u.size.volume_mm3, u.size.widest_mm2);
    let why = u.why.words();
    let finding = match (u.need.from, u.pocket) {
        (From::Plate, true) => {
            let message =
                format!("a void of {volume:.1} mm³ has no opening and no hole fits: {why}");
            Finding::new(FindingCode::Pocket, Severity::Fault, name, message).measured(
                volume,
                options.least_cavity_mm3,
                "mm³",
            )
        }
        (From::Plate, false) => {
            let message = format!("a cup that seals up to {widest:.1} mm² cannot be vented: {why}");
            Finding::new(FindingCode::Cup, Severity::Warning, name, message).measured(
                widest,
                options.cup_mm2,
                "mm²",
            )
        }
        (From::Top, _) => {
            let ml = volume * 1e-3;
            let message = format!("{ml:.2} ml of resin stays in the hanging part: {why}");
            Finding::new(FindingCode::RetainedResin, Severity::Warning, name, message).measured(
                ml,
                options.puddle_ml,
                "ml",
            )
        }
    };
    let (first, last) = u.size.layers;
    let remedy = "turn the part, thin the wall there, or allow longer, wider or closer holes";
    Finding { place: u.place, ..finding.at_layers(first, last).remedy(remedy) }
}

/// What is closed but too small to be worth a hole.
fn left(report: &mut Report, options: &Vent, map: &VoidMap, demand: &Demand, noise: f64) {
    let name = report.part.clone();
    let side = demand.side(From::Plate);
    let up = &side.tree;
    let (mut cups, mut widest) = (0, None::<(f64, u32)>);
    let (mut pockets, mut largest) = (0, None::<(f64, u32)>);
    for root in up.roots().filter(|&r| !side.wanted[r as usize]) {
        let size = up.sizes[root as usize];
        if size.volume_mm3 <= noise {
            continue;
        }
        if up.is_pocket(root) {
            pockets += 1;
            if largest.is_none_or(|l| size.volume_mm3 > l.0) {
                largest = Some((size.volume_mm3, up.first_region(root)));
            }
        } else {
            cups += 1;
            if widest.is_none_or(|w| size.widest_mm2 > w.0) {
                widest = Some((size.widest_mm2, up.first_region(root)));
            }
        }
    }
    if let Some((widest, region)) = widest {
        let pull = suction::sealed_force_n(widest);
        let message = format!(
            "small cups left: {cups}; none seals more than {widest:.1} mm² or pulls more than \
             {pull:.2} N"
        );
        let mut finding = Finding::new(FindingCode::Cup, Severity::Note, &name, message)
            .measured(widest, options.cup_mm2, "mm²")
            .remedy("lower vent.cup_mm2 to open them too");
        finding.place = map.point_in(region);
        report.findings.push(finding);
    }
    if let Some((volume, region)) = largest {
        let message = format!(
            "voids without an opening left: {pockets}; the largest, {volume:.2} mm³, is not \
             worth a hole"
        );
        let mut finding = Finding::new(FindingCode::Pocket, Severity::Note, &name, message)
            .measured(volume, options.least_cavity_mm3, "mm³")
            .remedy("fill them by fusing the model's shells");
        finding.place = map.point_in(region);
        report.findings.push(finding);
    }
}
