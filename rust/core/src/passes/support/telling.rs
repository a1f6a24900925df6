//! What the pass has to say: numbers of what was built, findings of what could not be reached.

use super::Support;
use super::judge::{Judge, Loose};
use super::loads::{Case, Loads, Verdict};
use super::needs::Unmet;
use super::proof::{Proof, TOLERATED};
use super::tips::Refusal;
use crate::base::Base;
use crate::check;
use crate::finding::{Finding, Report, Severity};
use crate::layers::Layers;
use crate::mechanics::bar;
use crate::mesh::Point;
use crate::part::{Part, Supports, Tip};
use crate::setup::Setup;

/// Everything that is reported on.
pub(super) struct Told<'a> {
    pub(super) options: &'a Support,
    pub(super) part: &'a Part,
    pub(super) setup: &'a Setup,
    pub(super) layers: &'a Layers,
    pub(super) unmet: &'a [Unmet],
    pub(super) loads: &'a Loads<'a>,
    pub(super) verdict: &'a Verdict,
    pub(super) proof: &'a Proof,
    pub(super) bond_use: f64,
    pub(super) judge: &'a Judge,
}

impl Told<'_> {
    pub(super) fn tell(&self, report: &mut Report, s: &Supports, base: &Base) {
        self.numbers(report, s, base);
        let floating = self.floating();
        self.unmet(&floating, report);
        self.loose(&floating, report);
        self.loads(report);
        self.frame(report);
        if let Some(first) = s.landings.first() {
            let message = format!("columns that stand on the part itself: {}", s.landings.len());
            let note = self.finding("landing", Severity::Note, message);
            report
                .findings
                .push(note.at(first.contact).remedy("turn the part if their marks matter"));
        }
    }

    fn finding(&self, code: &str, severity: Severity, message: impl Into<String>) -> Finding {
        Finding::new(code, severity, &self.part.name, message)
    }

    fn numbers(&self, report: &mut Report, s: &Supports, base: &Base) {
        let mark = |t: &Tip| bar::area_mm2(t.diameter_mm);
        let safety = self.setup.limits.safety;
        let neck = bar::neck_n(self.setup.resin.green_strength_mpa, self.options.tip_mm);
        let hanging = self.verdict.cases.iter().map(|c| c.pull.force_n).fold(0.0, f64::max);
        let highest = self.verdict.cases.iter().map(|c| c.highest_n);
        let (support_mm3, raft_mm3) = self.judge.added_mm3(self.layers);
        for (name, value) in [
            ("tips", s.tips.len() as f64),
            ("feet", s.feet.len() as f64),
            ("landings", s.landings.len() as f64),
            ("marks_mm2", s.tips.iter().chain(&s.landings).map(mark).sum()),
            ("peak_n", hanging),
            ("least_tips", (hanging * safety / neck).ceil()),
            ("highest_tip_n", highest.filter(|h| h.is_finite()).fold(0.0, f64::max)),
            ("neck_use", self.proof.neck.0),
            ("stress_use", self.proof.stress.0),
            ("buckling_use", self.proof.buckling.0),
            ("members_grown", self.proof.grown as f64),
            ("settle_s", self.proof.settle_s),
            ("support_mm3", support_mm3),
            ("raft_mm3", raft_mm3),
            ("bond_mm2", base.bond_mm2),
            ("bond_use", self.bond_use),
            ("islands", self.judge.loose().filter(|l| l.floats).count() as f64),
        ] {
            report.number(name, value);
        }
        if self.proof.stiffness_n_mm.is_finite() {
            report.number("stiffness_n_mm", self.proof.stiffness_n_mm);
        }
        report.number("support_share", support_mm3 / self.layers.volume_mm3());
    }

    /// What begins in mid-air, now that all is built, and whether it stays so small that it may
    /// print all the same.
    fn floating(&self) -> Vec<(&Loose, bool)> {
        let tiny_mm2 = check::tiny_mm2(&self.layers.grid);
        let tiny = |l: &Loose| self.judge.widest_mm2(self.layers, &l.region, tiny_mm2) < tiny_mm2;
        self.judge.loose().filter(|l| l.floats).map(|l| (l, tiny(l))).collect()
    }

    fn unmet(&self, floating: &[(&Loose, bool)], report: &mut Report) {
        for u in self.unmet {
            let (code, what, severity) = if u.island {
                // A support for something else may carry it after all.
                let Some((_, tiny)) = floating.iter().find(|(l, _)| u.is_of(&l.region)) else {
                    continue;
                };
                if *tiny {
                    ("island", "of few pixels begins in mid-air", Severity::Warning)
                } else {
                    ("island", "begins in mid-air", Severity::Fault)
                }
            } else {
                ("overhang", "hangs over farther than the resin carries", Severity::Warning)
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
            let finding = self.finding(code, severity, format!("a piece {what}, but {why}"));
            report.findings.push(finding.at(u.place).at_layers(u.layer, u.layer).remedy(remedy));
        }
    }

    /// What the layers found loose and is not told as unmet.
    fn loose(&self, floating: &[(&Loose, bool)], report: &mut Report) {
        let floating = floating.iter().map(|&(l, tiny)| {
            let (whose, least) = match l.of_body {
                Some(_) => ("a piece of the part", Severity::Warning),
                None => ("a support", Severity::Note),
            };
            let severity = if tiny { least } else { Severity::Fault };
            (l, "island", severity, format!("{whose} begins in mid-air"))
        });
        // Bars bridge farther than the flats of a part, having been made for it.
        let jutting = self.judge.loose().filter(|l| !l.floats && l.of_body.is_some()).map(|l| {
            let what = "a piece of the part hangs over farther than one young layer bears";
            (l, "overhang", Severity::Warning, what.to_string())
        });
        for (l, code, severity, message) in floating.chain(jutting) {
            let layer = l.region.layer;
            let known = |u: &Unmet| u.layer == layer && (!l.floats || u.is_of(&l.region));
            if self.unmet.iter().any(known) {
                continue;
            }
            report.findings.push(
                self.finding(code, severity, message)
                    .at(l.region.place(&self.layers.grid))
                    .at_layers(layer, layer)
                    .measured(l.region.area_mm2, 0.0, "mm²")
                    .remedy("turn the part, or place a tip there by hand"),
            );
        }
    }

    fn loads(&self, report: &mut Report) {
        // What hangs on no tip at all is told as an island.
        let hangs = |c: &&Case| !self.verdict.groups[c.group].tips.is_empty();
        let cases = self.verdict.cases.iter().filter(hangs);
        let over = cases.filter(|c| self.loads.overloads(c.highest_n));
        let Some(first) = over.clone().next() else { return };
        let last = over.clone().next_back().unwrap_or(first);
        let worst = over.fold(first, |w, c| if c.highest_n > w.highest_n { c } else { w });
        let place =
            Point::new(worst.pull.x_mm, worst.pull.y_mm, self.layers.grid.z_mm(worst.layer));
        let finding = if worst.highest_n.is_finite() {
            let allowed = bar::neck_n(self.setup.resin.green_strength_mpa, self.options.tip_mm)
                / self.setup.limits.safety;
            let message = "a tip carries more than its strength over the safety asked for";
            let found = self.finding("overload", Severity::Fault, message);
            found.measured(worst.highest_n, allowed, "N")
        } else {
            let message = "the tips of a piece cannot carry the moment of its pull";
            self.finding("overload", Severity::Fault, message)
        };
        report.findings.push(
            finding
                .at(place)
                .at_layers(first.layer, last.layer)
                .remedy("use thicker tips, tilt the part, or allow more places for tips"),
        );
    }

    fn frame(&self, report: &mut Report) {
        let p = self.proof;
        for (code, (value, layer), message, remedy) in [
            (
                "neck",
                p.neck,
                "with the columns' own give a neck carries more than its strength over the safety",
                "use thicker tips or stiffer columns",
            ),
            (
                "column",
                p.stress,
                "a column or brace is stressed beyond its strength over the safety",
                "use thicker columns",
            ),
            (
                "buckling",
                p.buckling,
                "a column may buckle on the way back to the film",
                "use thicker columns or a lower lift of the part",
            ),
        ] {
            if value > TOLERATED {
                report.findings.push(
                    self.finding(code, Severity::Warning, message)
                        .at_layers(layer, layer)
                        .measured(value, 1.0, "")
                        .remedy(remedy),
                );
            }
        }
        if self.bond_use > TOLERATED {
            let message = "even the widest base is pulled off the plate at its edge";
            report.findings.push(
                self.finding("adhesion", Severity::Fault, message)
                    .measured(self.bond_use, 1.0, "")
                    .remedy("turn the part so that its layers are smaller or stand over the base"),
            );
        }
        let limit = self.setup.limits.missed_layer;
        if p.excess.0 > limit {
            let message = "the part springs back too slowly: part of the gap is still open when \
                           the light comes";
            report.findings.push(
                self.finding("springback", Severity::Note, message)
                    .at_layers(p.excess.1, p.excess.1)
                    .measured(100.0 * p.excess.0, 100.0 * limit, "%")
                    .remedy(format!("let it settle for {:.1} s, or tilt the part", p.settle_s)),
            );
        }
    }
}
