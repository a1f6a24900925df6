//! Embedding vatwright: a recipe with a pass of one's own, a progress bar, and a way to stop.
//!
//! `cargo run --release --example studio_pipeline -- figure.stl` prepares a file; without one it
//! makes a station figure.

#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::io::Write;
use std::sync::Arc;
use std::time::Duration;
use vatwright::layers::{Grid, Scan};
use vatwright::mesh::{health, io, shapes};
use vatwright::passes::{Estimate, Orient, Pack, Pass, Raft, Support};
use vatwright::{
    Context, Done, Finding, Job, Part, Recipe, Report, Result, Role, Setup, Severity, Step,
};

/// The studio's own rule: no part may be lighter than it feels right in the hand.
struct LeastMass {
    grams: f64,
}

impl Pass<Part> for LeastMass {
    type Out = Part;

    fn name(&self) -> &'static str {
        "least_mass"
    }

    fn apply(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        // Any question about a part is a question to its layers; coarse ones do for a mass.
        let body = part.surfaces(&[Role::Body]);
        let layers = Scan::new(&body, Grid::around(&body, 0.2, 0.2)?).layers(&ctx.job)?;
        let grams = layers.volume_mm3() * 1e-3 * ctx.setup.resin.cured_g_cm3;
        let mut report = Report::new(self.name(), &part.name);
        report.number("mass_g", grams);
        if grams < self.grams {
            report.findings.push(
                Finding::new("least_mass", Severity::Warning, &part.name, "it is too light")
                    .measured(grams, self.grams, "g")
                    .remedy("print it solid or larger"),
            );
        }
        Ok(Done { value: part, report })
    }
}

fn main() -> Result<()> {
    let part = match std::env::args().nth(1) {
        Some(path) => {
            let mesh = io::read(path, &io::ReadOptions::default())?;
            Part::new(health::repair(mesh, &health::RepairOptions::default())?.value.solid)
        }
        None => Part::new(shapes::figure(7, 35.0, 20_000, &Job::default())?),
    };

    let ctx = Context::new(Setup::load("desk-50um")?).with_listener(|stage, share| {
        eprint!("\r{:3.0} % {stage:40}", 100.0 * share);
        let _ = std::io::stderr().flush();
    });
    // Whoever holds a clone of the token can stop the work, here after ten minutes.
    let token = ctx.job.cancel.clone();
    std::thread::spawn(move || {
        std::thread::sleep(Duration::from_secs(600));
        token.cancel();
    });

    let recipe = Recipe {
        steps: vec![
            Step::Orient(Orient { directions: 100, ..Orient::default() }),
            Step::Own(Arc::new(LeastMass { grams: 2.0 })),
            Step::Raft(Raft::default()),
            Step::Support(Support::default()),
        ],
    };
    let done = recipe.apply(part, &ctx)?;
    eprintln!();
    for finding in done.report.all_findings() {
        println!("{:?} {}: {} {}", finding.severity, finding.code, finding.message, finding.remedy);
    }
    for plate in Pack::default().apply(vec![done.value], &ctx)?.value {
        let cost = Estimate::default().apply(&plate, &ctx)?.value;
        println!(
            "\n{}: {:.1} h, {:.1} ml of resin",
            plate.name,
            cost.time_s / 3600.0,
            cost.resin_total_ml
        );
    }
    Ok(())
}
