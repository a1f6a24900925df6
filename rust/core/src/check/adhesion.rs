//! Adhesion: whether what touches the plate holds against the pull of every later layer.

use super::Evidence;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::mechanics::peel::Pull;
use crate::mesh::Point;
use crate::structure::{Footprint, Load, aside};

/// Bond stress of every layer over what the bond may bear, with the place; empty without a base.
#[derive(Debug, Default)]
pub(super) struct Bond {
    /// By layer: tension, kPa, and where.
    pub tension: Vec<(f64, Point)>,
    pub limit_kpa: f64,
}

pub(super) fn bond(e: &Evidence<'_>) -> Bond {
    let (grid, survey) = (e.grid(), &e.survey);
    let limit_kpa = e.setup().resin.plate_bond_kpa / e.setup().limits.safety;
    if grid.layers == 0 || survey.regions_of(0).is_empty() {
        return Bond { tension: Vec::new(), limit_kpa };
    }
    let regions = &survey.regions[survey.regions_of(0)];
    let base = Footprint::of(e.printed.layer(0), regions, grid);
    // Supports and raft pull too.
    let pull = |k: u32| {
        let body = e.loads[e.body_survey().regions_of(k)].iter();
        let body = Pull::sum(body.flat_map(Load::pulls));
        Pull::sum([body, e.added[k as usize]])
    };
    let apart = Apart::of(e);
    let tension = (0..grid.layers).map(|k| {
        let pull = pull(k);
        let pulls = [pull].into_iter().chain(aside(pull, grid.z_mm(k), e.setup()));
        let of_all = pulls.map(|p| base.worst(p));
        let whole = of_all.fold((0.0, [0.0; 2]), |a, b| if b.0 > a.0 { b } else { a });
        let of_one = apart.worst(k, e);
        let (kpa, at) = if of_one.0 > whole.0 { of_one } else { whole };
        (kpa, Point::new(at[0], at[1], 0.0))
    });
    Bond { tension: tension.collect(), limit_kpa }
}

/// Footings that stand apart, so that each holds by itself what its own feet and its own piece of the
/// part hand down; together they bear only as one rigid base would.
#[derive(Default)]
struct Apart {
    footings: Vec<Footprint>,
    /// For each node of the supports its footing.
    of_node: Vec<Option<usize>>,
}

impl Apart {
    fn of(e: &Evidence<'_>) -> Apart {
        let (grid, regions) = (e.grid(), e.survey.regions_of(0));
        let (Some(s), true) = (&e.part.supports, regions.len() > 1) else {
            return Apart::default();
        };
        let pieces = e.printed.layer(0).pieces(grid);
        let footings = pieces.iter().zip(&e.survey.regions[regions]);
        let footings = footings.map(|(p, r)| Footprint::of(p, &[*r], grid)).collect();
        let own = |p: &Point| pieces.iter().position(|piece| piece.holds(p.x, p.y, grid));
        Apart { footings, of_node: s.nodes.iter().map(own).collect() }
    }

    /// The greatest tension at a rim in a layer, kPa, and where.
    fn worst(&self, k: u32, e: &Evidence<'_>) -> (f64, [f64; 2]) {
        let Some(s) = e.part.supports.as_deref().filter(|_| !self.footings.is_empty()) else {
            return (0.0, [0.0; 2]);
        };
        let mut pulls: Vec<Vec<Pull>> = vec![Vec::new(); self.footings.len()];
        for (node, lift) in &e.assessment.feet[k as usize] {
            if let Some(f) = self.of_node[*node as usize] {
                let p = &s.nodes[*node as usize];
                pulls[f].push(lift.pull(p.x, p.y));
            }
        }
        let worst =
            |(foot, pulls): (&Footprint, &Vec<Pull>)| foot.worst(Pull::sum(pulls.iter().copied()));
        let all = self.footings.iter().zip(&pulls).map(worst);
        all.fold((0.0, [0.0; 2]), |a, b| if b.0 > a.0 { b } else { a })
    }
}

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (bond, name) = (&e.bond, &e.part.name);
    if bond.tension.is_empty() {
        let message = "nothing touches the plate";
        return Ok(vec![
            Finding::new("adhesion", Severity::Fault, name, message)
                .at_layers(0, 0)
                .remedy("set the part on the plate, or give it supports or a raft"),
        ]);
    }
    let over = |k: &usize| bond.tension[*k].0 > bond.limit_kpa;
    let Some(first) = (0..bond.tension.len()).find(over) else { return Ok(Vec::new()) };
    let last = (first..bond.tension.len()).rev().find(over).unwrap_or(first);
    let worst = (first..=last)
        .fold(first, |w, k| if bond.tension[k].0 > bond.tension[w].0 { k } else { w });
    let (tension, place) = bond.tension[worst];
    let message = format!(
        "layer {worst} pulls the edge of the base with {tension:.0} kPa; the bond to the plate may bear {:.0}",
        bond.limit_kpa
    );
    Ok(vec![
        Finding::new("adhesion", Severity::Fault, name, message)
            .at_layers(first as u32, last as u32)
            .at(place)
            .measured(tension, bond.limit_kpa, "kPa")
            .remedy(
                "widen the base with a raft, move it under the pull, or make the layers smaller",
            ),
    ])
}
