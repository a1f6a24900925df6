//! From a part to supports that stand: what must be held, tips, columns, proof, base, judgement, and
//! round again with more tips until nothing is loose or nothing more can be done.

use super::enclosed::Enclosed;
use super::judge::{self, Judge, Loose};
use super::loads::{Loads, Neck, Pool, Verdict};
use super::needs::{Sweep, Unmet};
use super::probe::Probe;
use super::proof::{self, Proof, beyond};
use super::tips::{Pixel, Site, Sites, Stand};
use super::trees::{self, Trees};
use super::ways::Ways;
use super::{Support, braces, geometry, telling};
use crate::base::{Base, Raft, Style};
use crate::context::Context;
use crate::error::Result;
use crate::finding::Report;
use crate::layers::{Grid, Layer, Layers, Scan, Survey};
use crate::mechanics::peel::Pull;
use crate::mesh::{Point, Vector};
use crate::part::{Member, Part, Role, Supports};
use crate::setup::Setup;
use crate::structure::{self, Body, Load};
use std::sync::Arc;

/// Rounds in which pieces that still begin in mid-air, and necks that bear too much, get more tips.
const ROUNDS: usize = 12;
/// Tips that overloaded necks get as help in one round, if that is more than a quarter of all: it
/// changes what their neighbours carry.
const RELIEVED: usize = 6;
/// Rounds in which necks beyond their limit get help that others could take over from.
const HELPED: usize = 5;
/// Tips that one overloaded neck gets at once.
const HELPERS: usize = 3;
/// Part of a neck's strength that is left for the pull, as a divisor, where the frame is not known
/// yet: necks bend, the peeling front passes, the way back presses.
const BENT: f64 = 1.5;
/// How far supports and base may reach beyond the part's own box, mm.
const AROUND_MM: f64 = 15.0;

/// A part and all that is asked of it while its supports are built.
pub(super) struct Building {
    options: Support,
    pub(super) part: Part,
    plan: Raft,
    pub(super) survey: Survey,
    layers: Layers,
    /// What the film does to each region of the survey.
    loads: Vec<Load>,
    /// Which regions stand on plate or raft.
    grounded: Vec<bool>,
    /// The base that the part itself stands on, if it does.
    raft: Layers,
    probe: Probe,
    enclosed: Option<Enclosed>,
    /// Ways for single columns and for the thickest trunks.
    thin: Ways,
    thick: Ways,
}

impl Building {
    pub(super) fn new(options: &Support, part: &Part, ctx: &Context) -> Result<Building> {
        let setup = &ctx.setup;
        let plan = part
            .raft
            .as_ref()
            .map_or_else(|| Raft { style: Style::Feet, ..Raft::default() }, |r| r.plan.clone());
        let mut bounds = part.bounds();
        bounds.min -= Vector::new(AROUND_MM, AROUND_MM, 0.0);
        bounds.max += Vector::new(AROUND_MM, AROUND_MM, 0.0);
        let grid = Grid::over(&bounds, setup.exposure.layer_mm, setup.machine.pixel_mm)?;
        let body = part.surfaces(&[Role::Body, Role::Lattice]);
        let layers = Scan::new(&body, grid).layers(&ctx.stage("scan", 0.0, 0.3).job)?;
        let survey = Survey::of(&layers, &ctx.stage("islands", 0.3, 0.4).job)?;
        // Only a part that stands on its raft is carried by it; else there is air between.
        let raft = match &part.raft {
            Some(r) if r.plan.lift_mm == 0.0 => {
                Scan::new(&part.surfaces(&[Role::Raft]), grid).layers(&ctx.job)?
            }
            _ => Layers { grid, first: 0, layers: Vec::new() },
        };
        let probe = Probe::new(part);
        let ways = |clear_mm: f64, from: f64, to: f64| {
            let ctx = ctx.stage("ways", from, to);
            let barred = probe.mouths.barred(&layers, clear_mm);
            let layers = barred.as_ref().unwrap_or(&layers);
            Ways::new(layers, plan.top_mm(), clear_mm, options.column_deg, &ctx)
        };
        let thin = ways(options.clear_mm(), 0.4, 0.7)?;
        let thick = ways(options.trunk_clear_mm(), 0.7, 1.0)?;
        let noise = setup.limits.noise_mm3;
        let voids = survey.cups.iter().filter(|c| c.volume_mm3 >= noise);
        let loads = structure::loads(part, &survey, &layers, voids, setup, &ctx.job)?;
        let first = layers.grid.layer_at(plan.top_mm() + 1e-6);
        let stands = |layer: u32| layer == 0 || (!raft.layers.is_empty() && layer <= first);
        let grounded = survey.regions.iter().map(|r| stands(r.layer)).collect();
        let pockets = survey.pockets().any(|c| c.volume_mm3 >= noise);
        let enclosed = Enclosed::of(part, &grid, pockets, &ctx.job)?;
        Ok(Building {
            options: options.clone(),
            part: part.clone(),
            plan,
            survey,
            layers,
            loads,
            grounded,
            raft,
            probe,
            enclosed,
            thin,
            thick,
        })
    }

    pub(super) fn sites(&self) -> Sites<'_> {
        Sites {
            part: &self.part,
            layers: &self.layers,
            probe: &self.probe,
            enclosed: self.enclosed.as_ref(),
            ways: &self.thin,
            options: &self.options,
        }
    }

    fn stands_on_raft(&self) -> bool {
        !self.raft.layers.is_empty()
    }

    pub(super) fn loads(&self, setup: &Setup) -> Loads<'_> {
        Loads {
            survey: &self.survey,
            loads: &self.loads,
            grounded: &self.grounded,
            neck: self.neck(setup, setup.limits.safety),
            lost_neck: self.neck(setup, setup.limits.lost_tip_safety),
        }
    }

    /// See [`structure::safety_for`].
    pub(super) fn safety_for(&self, confidence: f64, setup: &Setup) -> Option<f64> {
        structure::safety_for(confidence, &self.survey.regions, &self.loads, setup)
    }

    fn neck(&self, setup: &Setup, safety: f64) -> Neck {
        Neck::new(self.options.tip_mm, setup.resin.green_strength_mpa, BENT * safety)
    }

    /// The part on supports and base, proven by the layers and by mechanics as far as it can be.
    pub(super) fn raise(&self, report: &mut Report, ctx: &Context) -> Result<Part> {
        let sites = self.sites();
        let mut sweep = Sweep::new(&sites, self.options.reach(&ctx.setup));
        sweep.run(&self.survey, &self.raft, &ctx.stage("needs", 0.0, 0.3))?;
        let (mut found, shared, unmet) = (sweep.tips, sweep.shared, sweep.unmet);
        let rim_free = |p: &Point| !self.probe.mouths.touch(p, self.options.tip_mm / 2.0);
        let pool = Pool::new(&self.layers, &self.survey, POOL_MM, rim_free);
        let mut judge = Judge::default();
        let mut round = 0;
        loop {
            let from = 0.3 + 0.7 * round as f64 / ROUNDS as f64;
            let ctx = ctx.stage("round", from, from + 0.7 / ROUNDS as f64);
            let outcome = self.prove(&mut found, &shared, &pool, &mut judge, &ctx)?;
            round += 1;
            let before = found.len();
            if round < ROUNDS {
                self.hold(judge.loose(), &sites, &unmet, &mut found);
                let most = RELIEVED.max(before / 4);
                for (tip, used) in beyond(&outcome.proof.assessment.tips) {
                    // Every tip leaves a scar: in the end only what breaks is worth one.
                    let breaks = used.alone || used.value > ctx.setup.resin.green_strength_mpa;
                    if round > HELPED && !breaks {
                        continue;
                    }
                    let (layer, helpers) = (used.layer, used.ratio.ceil() as usize - 1);
                    let helpers = helpers.clamp(1, HELPERS);
                    let room = most.saturating_sub(found.len() - before);
                    pool.relieve(&sites, &mut found, tip, layer, helpers.min(room));
                }
            }
            if found.len() > before {
                continue;
            }
            if round < ROUNDS {
                for (tip, used) in beyond(&outcome.proof.assessment.lost).into_iter().take(RELIEVED)
                {
                    pool.relieve(&sites, &mut found, tip, used.layer, 1);
                }
            }
            if found.len() == before {
                return Ok(self.finished(outcome, &unmet, &judge, report, &ctx));
            }
        }
    }

    /// What comes of a set of tips; those that the loads ask for beyond it are added.
    pub(super) fn prove(
        &self,
        found: &mut Vec<Site>,
        shared: &[(u32, Pixel, usize)],
        pool: &Pool,
        judge: &mut Judge,
        ctx: &Context,
    ) -> Result<Outcome> {
        let (sites, setup) = (self.sites(), &ctx.setup);
        let stage = ctx.stage("loads", 0.0, 0.3);
        let verdict = self.loads(setup).settle(&sites, found, shared, pool, &stage)?;
        let mut supports = self.build(found);
        let proof = proof::prove(&mut supports, &self.body(), &self.options, &self.probe, ctx)?;
        supports.mesh = geometry::mesh(&supports, self.options.embed_mm, &self.probe);
        let bars = judge::scanned(&supports.mesh, &self.layers.grid, ctx)?;
        let (base, bond_use) = self.lay(&supports, &bars, ctx)?;
        let reach_mm = self.options.reach(setup).layer;
        let stage = ctx.stage("judge", 0.5, 1.0);
        let looked_at = judge.look(&self.layers, bars, &base.mesh, reach_mm, &stage)?;
        Ok(Outcome { verdict, supports, proof, base, bond_use, looked_at })
    }

    fn body(&self) -> Body<'_> {
        Body {
            layers: &self.layers,
            survey: &self.survey,
            loads: &self.loads,
            grounded: &self.grounded,
        }
    }

    /// The part with what was built for it; the report says what came of it.
    pub(super) fn finished(
        &self,
        outcome: Outcome,
        unmet: &[Unmet],
        judge: &Judge,
        report: &mut Report,
        ctx: &Context,
    ) -> Part {
        let (setup, Outcome { verdict, supports, proof, base, bond_use, .. }) =
            (&ctx.setup, outcome);
        let told = telling::Told {
            options: &self.options,
            part: &self.part,
            setup,
            layers: &self.layers,
            unmet,
            verdict: &verdict,
            proof: &proof,
            bond_use,
            judge,
            mouths: &self.probe.mouths,
        };
        told.tell(report, &supports, &base);
        let laid = (!base.mesh.triangles().is_empty()).then(|| Arc::new(base));
        let raft = laid.or_else(|| self.part.raft.clone());
        Part { supports: Some(Arc::new(supports)), raft, ..self.part.clone() }
    }

    /// Columns, necks and feet for the tips found, without geometry.
    fn build(&self, found: &[Site]) -> Supports {
        let o = &self.options;
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
    fn lay(&self, s: &Supports, bars: &[Layer], ctx: &Context) -> Result<(Base, f64)> {
        let landed: Vec<u32> = s.landings.iter().map(|t| t.node).collect();
        let feet = s.feet.iter().filter(|f| !landed.contains(f));
        let mut under: Vec<[f64; 2]> =
            feet.map(|&f| s.nodes[f as usize]).map(|p| [p.x, p.y]).collect();
        if self.stands_on_raft() {
            let placed = self.part.body.vertices().iter().map(|v| self.part.pose * v);
            under.extend(placed.map(|p| [p.x, p.y]));
        }
        self.plan.lay(&under, &self.pulls(bars, ctx)?, ctx)
    }

    /// The pull of every layer on the base: the part's and that of the bars.
    fn pulls(&self, bars: &[Layer], ctx: &Context) -> Result<Vec<Pull>> {
        let grid = &self.layers.grid;
        let of_bars = structure::added_pulls(bars, &self.layers, &ctx.setup, &ctx.job)?;
        let all = (0..grid.layers).zip(of_bars).map(|(k, bars)| {
            let of_part = self.loads[self.survey.regions_of(k)].iter();
            Pull::sum(of_part.flat_map(Load::pulls).chain([bars]))
        });
        let by_layer = all.enumerate().filter(|p| p.1.force_n > 0.0);
        let with_sides = by_layer.flat_map(|(k, pull)| {
            let sides = structure::aside(pull, grid.z_mm(k as u32), &ctx.setup);
            [pull].into_iter().chain(sides)
        });
        Ok(with_sides.collect())
    }

    /// Puts tips under pieces of the part that float or jut out too far, where a tip can stand and
    /// none was refused.
    fn hold<'l>(
        &self,
        loose: impl Iterator<Item = &'l Loose>,
        sites: &Sites<'_>,
        unmet: &[Unmet],
        found: &mut Vec<Site>,
    ) {
        for l in loose {
            let layer = l.region.layer;
            let Some(pixel) = l.of_body else { continue };
            if unmet.iter().any(|u| u.is_of(&l.region)) {
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

/// What came of a set of tips.
pub(super) struct Outcome {
    verdict: Verdict,
    supports: Supports,
    proof: Proof,
    base: Base,
    /// Greatest tension between base and plate over what the bond may bear.
    bond_use: f64,
    /// Layers that had to be looked at.
    pub(super) looked_at: usize,
}

/// Distance between the places that loads may call on, mm.
const POOL_MM: f64 = 1.0;
