//! Support: hold every island and overhang against peel, release cleanly, mark only where allowed.
//!
//! The pass sweeps the layers for what must be held ([`needs`]), finds places for tips on allowed
//! facets ([`tips`]), adds tips until every layer's pull is carried ([`loads`]), leads columns down
//! clear of the part ([`ways`]), lays the base under their feet and lets the layer engine judge the
//! whole: what still begins in mid-air gets another tip or a finding.

mod braces;
mod geometry;
mod loads;
mod needs;
mod probe;
mod proof;
mod telling;
mod tips;
mod trees;
mod ways;

use super::{Pass, Raft};
use crate::check;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Report};
use crate::layers::{Fill, Grid, Layers, Region, Scan, Surface, Survey};
use crate::mechanics::adhesion;
use crate::mesh::{Pose, Vector};
use crate::part::{Base, Member, Part, Role, Supports, Tip};
use crate::setup::Setup;
use loads::{Loads, Neck, Pool, Verdict};
use needs::{Reach, Sweep, Unmet};
use probe::Probe;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tips::{Site, Sites, Stand};
use trees::Trees;
use ways::Ways;

/// Options of the pass.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Support {
    /// Diameter of the break-off neck where it touches the part, mm.
    pub tip_mm: f64,
    /// Length of the neck, mm.
    pub neck_mm: f64,
    /// How deep the neck reaches into the part, mm.
    pub embed_mm: f64,
    /// Diameter of a tall column, mm; short ones and branches are thinner.
    pub column_mm: f64,
    /// Least inclination of columns from the horizontal, degrees.
    pub column_deg: f64,
    /// Clear space between columns and part, mm.
    pub gap_mm: f64,
    /// Undersides steeper than this from the horizontal carry themselves, degrees (common
    /// practice: 30–45).
    pub self_deg: f64,
    /// Reach of a tip under a flat underside, mm; by default what the first, young layer bears
    /// under peel ([`check::Reach`]).
    pub reach_mm: Option<f64>,
    /// Whether a column may stand on the part where no way leads to raft or plate.
    pub land_on_part: bool,
}

impl Default for Support {
    fn default() -> Support {
        Support {
            tip_mm: 0.4,
            neck_mm: 2.0,
            embed_mm: 0.15,
            column_mm: 1.0,
            column_deg: 45.0,
            gap_mm: 0.4,
            self_deg: 35.0,
            reach_mm: None,
            land_on_part: true,
        }
    }
}

impl Support {
    fn validate(&self) -> Result<()> {
        check_range("support.tip_mm", self.tip_mm, 0.1, 2.0, "mm")?;
        check_range("support.neck_mm", self.neck_mm, 0.5, 10.0, "mm")?;
        check_range("support.embed_mm", self.embed_mm, 0.05, 1.0, "mm")?;
        check_range("support.column_mm", self.column_mm, self.tip_mm, 5.0, "mm")?;
        check_range("support.column_deg", self.column_deg, 30.0, 80.0, "°")?;
        check_range("support.gap_mm", self.gap_mm, 0.1, 5.0, "mm")?;
        check_range("support.self_deg", self.self_deg, 5.0, 80.0, "°")?;
        check_range("support.reach_mm", self.reach_mm.unwrap_or(1.0), 0.2, 20.0, "mm")
    }

    /// Diameter of a trunk of so many columns: the sum of their second moments of area.
    fn trunk_mm(&self, columns: u32) -> f64 {
        self.column_mm * f64::from(columns).powf(0.25)
    }

    /// Diameter that a member for so many tips needs over a length, mm: as slender as the longest
    /// column between braces, so that short ones are thin, never thinner than half more than a
    /// tip.
    fn slender_mm(&self, columns: u32, length_mm: f64) -> f64 {
        let trunk = self.trunk_mm(columns);
        let by_length = trunk * (length_mm / (braces::SLENDER * self.column_mm)).sqrt();
        by_length.clamp((1.5 * self.tip_mm).min(trunk), trunk)
    }

    /// Distance that a column's axis keeps from the part, mm.
    fn clear_mm(&self) -> f64 {
        self.column_mm / 2.0 + self.gap_mm
    }

    /// How far things carry themselves.
    fn reach(&self, setup: &Setup) -> Reach {
        let h = setup.exposure.layer_mm;
        let young = check::Reach::of(setup);
        let around = young.free_mm.min(young.span_mm / 2.0) + self.tip_mm / 2.0;
        Reach {
            slope: h / self.self_deg.to_radians().tan(),
            layer: young.free_mm,
            tip: self.reach_mm.unwrap_or(around),
        }
    }
}

impl Pass<Part> for Support {
    type Out = Part;

    fn name(&self) -> &'static str {
        "support"
    }

    fn apply(&self, mut part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        if part.supports.is_some() {
            return Err(Error::Pass {
                pass: "support",
                part: part.name,
                problem: "it already stands on supports".into(),
                remedy: "start from part.bare()".into(),
            });
        }
        let mut report = Report::new("support", &part.name);
        let site = Building::new(self, &part, &ctx.stage("survey", 0.0, 0.3))?;
        let (supports, base) = site.raise(&mut report, &ctx.stage("raise", 0.3, 1.0))?;
        part.supports = Some(Arc::new(supports));
        part.raft = (!base.mesh.triangles().is_empty()).then(|| Arc::new(base)).or(part.raft);
        Ok(Done { value: part, report })
    }
}

/// Rounds in which pieces that still begin in mid-air get another tip.
const ROUNDS: usize = 4;
/// Overloaded necks that get help in one round: it changes what their neighbours carry.
const RELIEVED: usize = 8;
/// How far supports and base may reach beyond the part's own box, mm.
const AROUND_MM: f64 = 15.0;

/// A part and all that is asked of it while its supports are built.
struct Building<'a> {
    options: &'a Support,
    part: &'a Part,
    plan: Raft,
    survey: Survey,
    layers: Layers,
    /// The base that the part itself stands on, if it does.
    raft: Layers,
    probe: Probe,
    /// Ways for single columns and for the thickest trunks.
    thin: Ways,
    thick: Ways,
}

impl<'a> Building<'a> {
    fn new(options: &'a Support, part: &'a Part, ctx: &Context) -> Result<Building<'a>> {
        let setup = &ctx.setup;
        let plan = part.raft.as_ref().map_or_else(
            || Raft { style: super::raft::Style::Feet, ..Raft::default() },
            |r| r.plan.clone(),
        );
        let mut bounds = part.bounds();
        bounds.min -= Vector::new(AROUND_MM, AROUND_MM, 0.0);
        bounds.max += Vector::new(AROUND_MM, AROUND_MM, 0.0);
        let grid = Grid::over(&bounds, setup.exposure.layer_mm, setup.machine.pixel_mm)?;
        let body = part.surfaces(&[Role::Body, Role::Lattice]);
        let layers = Scan::new(&body, grid).layers(&ctx.stage("scan", 0.0, 0.3))?;
        let survey = Survey::of(&layers, &ctx.stage("islands", 0.3, 0.4))?;
        // Only a part that stands on its raft is carried by it; else there is air between.
        let raft = match &part.raft {
            Some(r) if r.plan.lift_mm == 0.0 => {
                Scan::new(&part.surfaces(&[Role::Raft]), grid).layers(ctx)?
            }
            _ => Layers { grid, first: 0, layers: Vec::new() },
        };
        let ways = |clear_mm: f64, from: f64, to: f64| {
            let ctx = ctx.stage("ways", from, to);
            Ways::new(&layers, plan.top_mm(), clear_mm, options.column_deg, &ctx)
        };
        let thin = ways(options.clear_mm(), 0.4, 0.7)?;
        let thick = ways(options.trunk_clear_mm(), 0.7, 1.0)?;
        let probe = Probe::new(part);
        Ok(Building { options, part, plan, survey, layers, raft, probe, thin, thick })
    }

    fn sites(&self) -> Sites<'_> {
        Sites {
            part: self.part,
            layers: &self.layers,
            probe: &self.probe,
            ways: &self.thin,
            options: self.options,
        }
    }

    fn stands_on_raft(&self) -> bool {
        !self.raft.layers.is_empty()
    }

    /// Supports and base, proven by the layers and by mechanics as far as they can be.
    fn raise(&self, report: &mut Report, ctx: &Context) -> Result<(Supports, Base)> {
        let setup = &ctx.setup;
        let sites = self.sites();
        let mut sweep = Sweep::new(&sites, self.options.reach(setup));
        sweep.run(&self.survey, &self.raft, &ctx.stage("needs", 0.0, 0.3))?;
        let (mut found, shared, unmet) = (sweep.tips, sweep.shared, sweep.unmet);

        let first = self.layers.grid.layer_at(self.plan.top_mm() + 1e-6);
        let stands = |layer: u32| layer == 0 || (self.stands_on_raft() && layer <= first);
        let grounded = self.survey.regions.iter().map(|r| stands(r.layer)).collect();
        let strength = setup.resin.green_strength_mpa;
        let neck = Neck::new(self.options.tip_mm, strength, setup.limits.safety);
        let loads = Loads::new(&self.survey, &self.layers, grounded, neck, ctx)?;
        let pool = Pool::new(&self.layers, &self.survey, POOL_MM);

        let mut round = 0;
        loop {
            let from = 0.3 + 0.7 * round as f64 / ROUNDS as f64;
            let stage = |name, part: f64| ctx.stage(name, from, from + part);
            let verdict =
                loads.settle(&sites, &mut found, &shared, &pool, &stage("loads", 0.05))?;
            let mut supports = self.build(&found);
            let proof = proof::prove(&mut supports, &verdict, self.options, setup, &self.probe)?;
            supports.mesh = geometry::mesh(&supports, self.options.embed_mm);
            let base = self.lay(&supports, &verdict, ctx)?;
            let floating = self.floating(&supports, &base, &stage("judge", 0.15))?;
            round += 1;
            let before = found.len();
            if round < ROUNDS {
                self.hold(&floating, &sites, &unmet, &mut found);
                for &tip in proof.torn.iter().take(RELIEVED) {
                    loads.relieve(&sites, &mut found, &pool, tip);
                }
            }
            if found.len() == before {
                let told = telling::Told {
                    options: self.options,
                    part: self.part,
                    setup,
                    grid: &self.layers.grid,
                    unmet: &unmet,
                    loads: &loads,
                    verdict: &verdict,
                    proof: &proof,
                    floating: &floating,
                };
                told.tell(report, &supports, &base);
                return Ok((supports, base));
            }
        }
    }

    /// Columns, necks and feet for the tips found, without geometry.
    fn build(&self, found: &[Site]) -> Supports {
        let o = self.options;
        let mut s = Supports::default();
        let mut heads = Vec::new();
        for site in found {
            let head = s.nodes.len() as u32;
            s.tips.push(o.tip(&site.hit, head));
            s.nodes.push(site.head);
            match &site.stand {
                Stand::Base => heads.push(head),
                Stand::Part { hit, node } => {
                    let foot = match node {
                        Some(node) => {
                            s.nodes.push(*node);
                            let length = (node - site.head).norm();
                            let diameter_mm = o.slender_mm(1, length);
                            s.members.push(Member { a: head, b: head + 1, diameter_mm });
                            head + 1
                        }
                        None => head,
                    };
                    s.feet.push(foot);
                    s.landings.push(o.tip(hit, foot));
                }
            }
        }
        let trees = Trees {
            options: o,
            probe: &self.probe,
            thin: &self.thin,
            thick: &self.thick,
            floor_mm: self.plan.top_mm(),
        };
        trees.lead_down(&mut s, &heads);
        trees::never_thinner_below(&mut s);
        braces::add(&mut s, o, &self.probe);
        s
    }

    /// Lays the base anew under the feet, and under the part where it stands on it.
    fn lay(&self, s: &Supports, verdict: &Verdict, ctx: &Context) -> Result<Base> {
        let landed: Vec<u32> = s.landings.iter().map(|t| t.node).collect();
        let feet = s.feet.iter().filter(|f| !landed.contains(f));
        let mut under: Vec<[f64; 2]> =
            feet.map(|&f| s.nodes[f as usize]).map(|p| [p.x, p.y]).collect();
        if self.stands_on_raft() {
            let placed = self.part.body.vertices().iter().map(|v| self.part.pose * v);
            under.extend(placed.map(|p| [p.x, p.y]));
        }
        let setup = &ctx.setup;
        let bond = setup.resin.plate_bond_kpa;
        let area = adhesion::area_for_mm2(verdict.peak.force_n, setup.limits.safety, bond);
        self.plan.lay(&under, area, ctx)
    }

    /// What of the whole begins in mid-air, judged by the layers.
    fn floating(&self, s: &Supports, base: &Base, ctx: &Context) -> Result<Vec<Floating>> {
        let fixed = Pose::identity();
        let mut surfaces = self.part.surfaces(&[Role::Body, Role::Lattice]);
        for mesh in [&s.mesh, &base.mesh] {
            surfaces.push(Surface { mesh, pose: fixed, fill: Fill::Added });
        }
        let grid = self.layers.grid;
        let whole = Scan::new(&surfaces, grid).layers(ctx)?;
        let survey = Survey::of(&whole, ctx)?;
        let mut out = Vec::new();
        for &i in &survey.islands {
            let region = survey.regions[i as usize];
            let piece = i as usize - survey.regions_of(region.layer).start;
            let outline = whole.layer(region.layer).pieces(&grid).swap_remove(piece);
            let body = outline.intersection(self.layers.layer(region.layer));
            out.push(Floating {
                region,
                of_body: needs::nearest_pixel(&body, region.centroid_mm, &grid),
            });
        }
        Ok(out)
    }

    /// Puts tips under pieces of the part that float, where a tip can stand and none was refused.
    fn hold(
        &self,
        floating: &[Floating],
        sites: &Sites<'_>,
        unmet: &[Unmet],
        found: &mut Vec<Site>,
    ) {
        for f in floating {
            let layer = f.region.layer;
            let Some(pixel) = f.of_body else { continue };
            if unmet.iter().any(|u| u.island && u.layer == layer) {
                continue;
            }
            let site = sites.on_base(pixel, layer);
            let site = site.or_else(|why| {
                if self.options.land_on_part { sites.on_part(pixel, layer) } else { Err(why) }
            });
            found.extend(site.ok());
        }
    }
}

/// A region of the finished whole with nothing under it.
struct Floating {
    region: Region,
    /// A pixel of the part in it, if it is the part's.
    of_body: Option<tips::Pixel>,
}

/// Distance between the places that loads may call on, mm.
const POOL_MM: f64 = 1.0;

impl Support {
    fn tip(&self, hit: &probe::Hit, node: u32) -> Tip {
        Tip {
            contact: hit.place,
            normal: hit.normal,
            diameter_mm: self.tip_mm,
            node,
            facet: hit.facet,
        }
    }
}
