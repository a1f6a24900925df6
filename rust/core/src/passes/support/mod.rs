//! Support: hold every island and overhang against peel, release cleanly, mark only where allowed.
//!
//! The pass sweeps the layers for what must be held ([`needs`]), finds places for tips on allowed
//! facets ([`tips`]), adds tips until every layer's pull is carried ([`loads`]), leads columns down
//! clear of the part ([`ways`]), lays the base under their feet and lets the layer engine judge the
//! whole: what still begins in mid-air gets another tip or a finding.

mod geometry;
mod loads;
mod needs;
mod probe;
mod tips;
mod ways;

use super::{Pass, Raft};
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Report, Severity};
use crate::layers::{Grid, Layers, Scan, Survey};
use crate::mechanics::{adhesion, peel, sag};
use crate::mesh::{Mesh, Point};
use crate::part::{Base, Member, Part, Role, Supports, Tip};
use crate::setup::Setup;
use needs::{Reach, Sweep};
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tips::{Refusal, Site, Sites, Stand};

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
    /// Diameter of a column, mm.
    pub column_mm: f64,
    /// Least inclination of columns from the horizontal, degrees.
    pub column_deg: f64,
    /// Clear space between columns and part, mm.
    pub gap_mm: f64,
    /// Undersides steeper than this from the horizontal carry themselves, degrees (common
    /// practice: 30–45).
    pub self_deg: f64,
    /// Reach of a tip under a flat underside, mm; by default what keeps the sag of one layer under
    /// the setup's limit.
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

    /// Distance that a column's axis keeps from the part, mm.
    fn clear_mm(&self) -> f64 {
        self.column_mm / 2.0 + self.gap_mm
    }

    /// How far things carry themselves.
    fn reach(&self, setup: &Setup) -> Reach {
        let h = setup.exposure.layer_mm;
        let r = &setup.resin;
        let stress = peel::Model::of(setup).stress_kpa(1.0);
        let young = r.green_strength_mpa * r.newest_factor / setup.limits.safety;
        let rigidity = sag::rigidity_n_mm(r.green_modulus_mpa, h, r.poisson);
        // A square grid whose cells' corners are the reach away from their middles.
        let grid = sag::grid_for_sag_mm(setup.limits.sag_mm, stress, rigidity);
        Reach {
            slope: h / self.self_deg.to_radians().tan(),
            layer: sag::longest_overhang_mm(stress, h, young),
            tip: self.reach_mm.unwrap_or((grid / 2.0_f64.sqrt()).clamp(0.5, 5.0)),
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
        let setup = &ctx.setup;
        let grid = Grid::around(
            &part.surfaces(&Role::ALL),
            setup.exposure.layer_mm,
            setup.machine.pixel_mm,
        )?;
        let body = part.surfaces(&[Role::Body, Role::Lattice]);
        let layers = Scan::new(&body, grid).layers(&ctx.stage("scan", 0.0, 0.1))?;
        let survey = Survey::of(&layers, &ctx.stage("survey", 0.1, 0.15))?;
        // Only a part that stands on its raft is carried by it; else there is air between.
        let stands_on_raft = part.raft.as_ref().is_some_and(|r| r.plan.lift_mm == 0.0);
        let raft = if stands_on_raft {
            Scan::new(&part.surfaces(&[Role::Raft]), grid).layers(ctx)?
        } else {
            Layers { grid, first: 0, layers: Vec::new() }
        };
        let plan = part.raft.as_ref().map_or_else(
            || Raft { style: super::raft::Style::Feet, ..Raft::default() },
            |r| r.plan.clone(),
        );
        let floor = plan.top_mm();
        let ways = ways::Ways::new(
            &layers,
            floor,
            self.clear_mm(),
            self.column_deg,
            &ctx.stage("ways", 0.15, 0.25),
        )?;
        let sites = Sites {
            part: &part,
            layers: &layers,
            probe: probe::Probe::new(&part),
            ways,
            options: self,
        };

        let mut sweep = Sweep::new(&sites, self.reach(setup));
        sweep.run(&survey, &raft, &ctx.stage("needs", 0.25, 0.5))?;
        let Sweep { tips: mut found, unmet, .. } = sweep;

        let grounded = survey
            .regions
            .iter()
            .map(|r| r.layer == 0 || (stands_on_raft && r.layer <= grid.layer_at(floor + 1e-6)))
            .collect();
        let neck =
            loads::Neck::new(self.tip_mm, setup.resin.green_strength_mpa, setup.limits.safety);
        let pool = loads::Pool::new(&layers, &survey, 1.0);
        let loads = loads::Loads::new(&survey, grounded, neck, ctx);
        let verdict = loads.settle(&sites, &mut found, &pool, &ctx.stage("loads", 0.5, 0.7))?;

        let supports = self.build(&found, &sites.ways);
        let base = lay(&plan, &supports, &part, stands_on_raft, &verdict, ctx)?;
        drop(sites);
        self.tell(&mut report, &part.name, &found, &unmet, &verdict, &supports);
        part.supports = Some(Arc::new(supports));
        part.raft = (!base.mesh.triangles().is_empty()).then(|| Arc::new(base)).or(part.raft);
        judge(&part, grid, &mut report, &ctx.stage("judge", 0.8, 1.0))?;
        Ok(Done { value: part, report })
    }
}

impl Support {
    /// Columns, necks and feet for the tips found.
    fn build(&self, found: &[Site], ways: &ways::Ways) -> Supports {
        let mut s = Supports::default();
        for site in found {
            let head = s.nodes.len() as u32;
            s.tips.push(self.tip(&site.hit, head));
            match &site.stand {
                Stand::Base => {
                    for p in ways.down(&site.head) {
                        s.nodes.push(p);
                    }
                }
                Stand::Part { hit, node } => {
                    s.nodes.push(site.head);
                    if (node - site.head).norm() > 1e-6 {
                        s.nodes.push(*node);
                    }
                    s.landings.push(self.tip(hit, s.nodes.len() as u32 - 1));
                }
            }
            let foot = s.nodes.len() as u32 - 1;
            s.feet.push(foot);
            s.members.extend((head..foot).map(|a| Member {
                a,
                b: a + 1,
                diameter_mm: self.column_mm,
            }));
        }
        s.mesh = geometry::mesh(&s, &self.shape());
        s
    }

    fn tip(&self, hit: &probe::Hit, node: u32) -> Tip {
        Tip {
            contact: hit.place,
            normal: hit.normal,
            diameter_mm: self.tip_mm,
            node,
            facet: hit.facet,
        }
    }

    fn shape(&self) -> geometry::Shape {
        geometry::Shape {
            embed_mm: self.embed_mm,
            foot_mm: 2.0 * self.column_mm,
            flare_mm: self.column_mm,
        }
    }

    /// Numbers and findings of what was placed.
    fn tell(
        &self,
        report: &mut Report,
        part: &str,
        found: &[Site],
        unmet: &[needs::Unmet],
        verdict: &loads::Verdict,
        supports: &Supports,
    ) {
        let mark = std::f64::consts::PI * self.tip_mm * self.tip_mm / 4.0;
        let marks = found.len() + supports.landings.len();
        report.number("tips", found.len() as f64);
        report.number("landings", supports.landings.len() as f64);
        report.number("marks_mm2", mark * marks as f64);
        report.number("peak_n", verdict.peak_n);
        report.number("highest_tip_n", verdict.highest_n);
        for u in unmet {
            let (code, what) = if u.island {
                ("island", "begins in mid-air")
            } else {
                ("overhang", "hangs over farther than the resin carries")
            };
            let (why, remedy) = match u.why {
                Refusal::KeepClean => (
                    "every surface that a tip could touch is to be kept clean",
                    "turn the part, or allow marks there",
                ),
                Refusal::NoWay => (
                    "there is no room for a tip and a column",
                    "turn the part, or use thinner columns or a smaller gap",
                ),
            };
            let severity = if u.island { Severity::Fault } else { Severity::Warning };
            report.findings.push(
                Finding::new(code, severity, part, format!("a piece {what}, but {why}"))
                    .at(u.place)
                    .at_layers(u.layer, u.layer)
                    .remedy(remedy),
            );
        }
        if let (Some(first), Some(last)) = (verdict.overloads.first(), verdict.overloads.last()) {
            let worst =
                verdict.overloads.iter().fold(first, |w, o| if o.tip_n > w.tip_n { o } else { w });
            let finding = Finding::new(
                "overload",
                Severity::Fault,
                part,
                "tips carry more than their strength over the safety asked for",
            )
            .at(worst.place)
            .at_layers(first.layer, last.layer)
            .remedy("use thicker tips, tilt the part, or allow more places for tips");
            report.findings.push(finding);
        }
        if !supports.landings.is_empty() {
            let first = supports.landings[0].contact;
            report.findings.push(
                Finding::new(
                    "landing",
                    Severity::Note,
                    part,
                    format!("{} columns stand on the part itself", supports.landings.len()),
                )
                .at(first)
                .remedy("turn the part if their marks matter"),
            );
        }
    }
}

/// Lays the base anew under the feet, and under the part where it stands on it.
fn lay(
    plan: &Raft,
    supports: &Supports,
    part: &Part,
    part_too: bool,
    verdict: &loads::Verdict,
    ctx: &Context,
) -> Result<Base> {
    let landed: Vec<u32> = supports.landings.iter().map(|t| t.node).collect();
    let mut under: Vec<[f64; 2]> = supports
        .feet
        .iter()
        .filter(|f| !landed.contains(f))
        .map(|&f| supports.nodes[f as usize])
        .map(|p| [p.x, p.y])
        .collect();
    if part_too {
        under.extend(part.body.vertices().iter().map(|v| part.pose * v).map(|p| [p.x, p.y]));
    }
    let setup = &ctx.setup;
    let area =
        adhesion::area_for_mm2(verdict.peak_n, setup.limits.safety, setup.resin.plate_bond_kpa);
    plan.lay(&under, area, ctx)
}

/// Lets the layer engine judge the whole: nothing of it may begin in mid-air.
fn judge(part: &Part, body: Grid, report: &mut Report, ctx: &Context) -> Result<()> {
    let surfaces = part.surfaces(&Role::ALL);
    let grid = Grid::around(&surfaces, body.layer_mm, body.pitch_mm)?;
    let survey = Survey::stream(&Scan::new(&surfaces, grid), 256 << 20, ctx)?;
    report.number("islands", survey.islands.len() as f64);
    let solid = |roles: &[Role]| -> f64 {
        let meshes: Vec<Mesh> = part.surfaces(roles).iter().map(|s| s.mesh.clone()).collect();
        meshes.iter().map(crate::mesh::measure::volume_mm3).sum()
    };
    report.number("support_mm3", solid(&[Role::Support]));
    report.number("raft_mm3", solid(&[Role::Raft]));
    for &i in &survey.islands {
        let region = &survey.regions[i as usize];
        let place: Point = region.place(&grid);
        if report
            .findings
            .iter()
            .any(|f| f.code == "island" && f.layers == Some((region.layer, region.layer)))
        {
            continue;
        }
        report.findings.push(
            Finding::new("island", Severity::Fault, &part.name, "a piece begins in mid-air")
                .at(place)
                .at_layers(region.layer, region.layer)
                .measured(region.area_mm2, 0.0, "mm²")
                .remedy("turn the part, or place a tip there by hand"),
        );
    }
    Ok(())
}
