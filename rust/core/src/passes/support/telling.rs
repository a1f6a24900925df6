//! What the pass has to say: numbers of what was built, findings of what could not be reached.

use super::Support;
use super::judge::{Judge, Loose};
use super::loads::Verdict;
use super::mouths::Mouths;
use super::needs::Unmet;
use super::proof::{Proof, TOLERATED};
use super::tips::Refusal;
use crate::base::Base;
use crate::check;
use crate::finding::{Finding, Report, Severity};
use crate::layers::Layers;
use crate::mechanics::bar;
use crate::part::{Part, Supports, Tip};
use crate::setup::Setup;
use crate::structure::Use;
use std::collections::BTreeMap;

/// Everything that is reported on.
pub(super) struct Told<'a> {
    pub(super) options: &'a Support,
    pub(super) part: &'a Part,
    pub(super) setup: &'a Setup,
    pub(super) layers: &'a Layers,
    pub(super) unmet: &'a [Unmet],
    pub(super) verdict: &'a Verdict,
    pub(super) proof: &'a Proof,
    pub(super) bond_use: f64,
    pub(super) judge: &'a Judge,
    pub(super) mouths: &'a Mouths,
}

impl Told<'_> {
    pub(super) fn tell(&self, report: &mut Report, s: &Supports, base: &Base) {
        self.numbers(report, s, base);
        let floating = self.floating();
        self.unmet(&floating, report);
        self.loose(&floating, report);
        self.frame(report);
        let on_rims: Vec<&Tip> =
            s.tips.iter().filter(|t| self.mouths.touch(&t.contact, t.diameter_mm / 2.0)).collect();
        if let Some(first) = on_rims.first() {
            let message = format!("tips on the rims of vents: {}", on_rims.len());
            let note = self.finding("rim", Severity::Note, message).at(first.contact);
            let remedy = "sand the rim before the stopper goes in, or turn the part";
            report.findings.push(note.measured(on_rims.len() as f64, 0.0, "").remedy(remedy));
        }
        if let Some(first) = s.landings.first() {
            let message = format!("columns that stand on the part itself: {}", s.landings.len());
            let note = self.finding("support_on_part", Severity::Note, message);
            report
                .findings
                .push(note.at(first.contact).remedy("turn the part if their marks matter"));
        }
    }

    fn finding(&self, code: &str, severity: Severity, message: impl Into<String>) -> Finding {
        Finding::new(code, severity, &self.part.name, message)
    }

    fn numbers(&self, report: &mut Report, s: &Supports, base: &Base) {
        let a = &self.proof.assessment;
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
            ("neck_use", a.worst(|l| l.neck).ratio),
            ("stress_use", a.worst(|l| l.bar).ratio),
            ("buckling_use", a.worst(|l| l.buckling).ratio),
            ("section_use", a.worst(|l| l.section).ratio),
            ("lost_tip_use", a.worst(|l| l.lost).ratio),
            ("sway_mm", a.worst(|l| l.sway).value),
            ("members_grown", self.proof.grown as f64),
            ("settle_s", a.settle_s),
            ("support_mm3", support_mm3),
            ("raft_mm3", raft_mm3),
            ("bond_mm2", base.bond_mm2),
            ("bond_use", self.bond_use),
            ("islands", self.judge.loose().filter(|l| l.floats).count() as f64),
        ] {
            report.number(name, value);
        }
        if let Some(stiffness) = a.stiffness_n_mm {
            report.number("stiffness_n_mm", stiffness);
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
        // One finding for one cause, however many places it shows in.
        let mut causes: BTreeMap<(bool, bool, Refusal), Vec<&Unmet>> = BTreeMap::new();
        for u in self.unmet {
            // A support for something else may carry an island after all.
            let found = floating.iter().find(|(l, _)| u.is_of(&l.region));
            if let Some(tiny) = if u.island { found.map(|f| f.1) } else { Some(false) } {
                causes.entry((u.island, tiny, u.why)).or_default().push(u);
            }
        }
        for ((island, tiny, why), of) in causes {
            let (code, what, severity) = match (island, tiny) {
                (true, true) => ("island", "of few pixels begins in mid-air", Severity::Warning),
                (true, false) => ("island", "begins in mid-air", Severity::Fault),
                _ => ("overhang", "hangs over farther than the resin carries", Severity::Warning),
            };
            let (why, remedy) = match why {
                Refusal::KeepClean => (
                    "every surface that a tip could touch is to be kept clean",
                    "turn the part, or allow marks there",
                ),
                Refusal::Enclosed => (
                    "it hangs in a closed cavity, from which no support could be taken out",
                    "turn the part, leave it solid there, or hollow it so that its ceilings carry \
                     themselves",
                ),
                Refusal::NoWay => (
                    "there is no room for a tip and a column",
                    "turn the part, or use thinner columns or a smaller gap",
                ),
            };
            let more =
                if of.len() > 1 { format!(" (places: {})", of.len()) } else { String::new() };
            let layers = of.iter().map(|u| u.layer);
            let (low, high) = (layers.clone().min().unwrap_or(0), layers.max().unwrap_or(0));
            let finding = self.finding(code, severity, format!("a piece {what}, but {why}{more}"));
            report.findings.push(finding.at(of[0].place).at_layers(low, high).remedy(remedy));
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

    fn frame(&self, report: &mut Report) {
        let a = &self.proof.assessment;
        let neck = "a neck is stressed beyond its strength over the safety";
        let column = "a column or brace is stressed beyond its strength over the safety";
        let buckling = "a column may buckle on the way back to the film";
        let strength = "the part itself is stressed beyond its strength over the safety";
        let (thicker, tips) = ("use thicker columns", "use thicker tips or stiffer columns");
        let turn = "turn the part, or hold what is above by a tip placed by hand";
        for (code, worst, message, remedy) in [
            ("neck", a.worst(|l| l.neck), neck, tips),
            ("column", a.worst(|l| l.bar), column, thicker),
            ("buckling", a.worst(|l| l.buckling), buckling, thicker),
            ("strength", a.worst(|l| l.section), strength, turn),
        ] {
            if worst.ratio <= TOLERATED {
                continue;
            }
            let (unit, breaks) = if code == "buckling" {
                ("N", worst.ratio > self.setup.limits.safety)
            } else {
                ("MPa", worst.breaks(self.setup))
            };
            let severity = if breaks { Severity::Fault } else { Severity::Warning };
            let message = format!("under {} {message}", worst.demand.words());
            let finding = self
                .finding(code, severity, message)
                .at_layers(worst.layer, worst.layer)
                .measured(worst.value, worst.limit, unit)
                .remedy(remedy);
            report.findings.push(match worst.place {
                Some(place) => finding.at(place),
                None => finding,
            });
        }
        report.findings.extend(check::redundancy_of(a, &self.part.name));
        if self.bond_use > TOLERATED {
            let message = "even the widest base is pulled off the plate at its edge";
            report.findings.push(
                self.finding("adhesion", Severity::Fault, message)
                    .measured(self.bond_use, 1.0, "")
                    .remedy("turn the part so that its layers are smaller or stand over the base"),
            );
        }
        let limit = self.setup.limits.missed_layer;
        let first = self.setup.exposure.first_layers;
        let missed = a.worst(|l| if l.missed.layer < first { Use::default() } else { l.missed });
        if missed.ratio > limit {
            let message = "the part springs back too slowly: part of the gap is still open when \
                           the light comes";
            report.findings.push(
                self.finding("springback", Severity::Note, message)
                    .at_layers(missed.layer, missed.layer)
                    .measured(100.0 * missed.ratio, 100.0 * limit, "%")
                    .remedy(format!("let it settle for {:.1} s, or tilt the part", a.settle_s)),
            );
        }
    }
}
