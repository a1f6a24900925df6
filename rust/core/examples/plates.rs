//! Packs a museum's order of station figures onto plates, and compares with filling plates in
//! the order of the files: `cargo run --release --example plates -- [ROUNDS] [PICTURE.svg]`.

use std::error::Error;
use std::time::Instant;
use vatwright::mesh::shapes::figure;
use vatwright::passes::{Pack, Pass, Raft};
use vatwright::{Context, Job, Part, Setup};

#[allow(clippy::print_stdout)] // an example speaks to a person
fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let rounds = args.next().map_or(Ok(2000), |r| r.parse())?;
    let picture = args.next();
    let ctx = Context::new(Setup::default());
    let raft = Raft { lift_mm: 0.0, ..Raft::default() };
    // 12 figures in 4 sizes, 5 of each, as the files lie: by figure, then by size.
    let mut parts = Vec::new();
    for seed in 0..12 {
        for (i, height_mm) in [11.0, 15.0, 20.0, 27.0].into_iter().enumerate() {
            let mut part = Part::new(figure(seed, height_mm, 6000, &Job::default())?);
            part.name = format!("figure {seed} size {i}");
            parts.push(raft.apply(part, &ctx)?.value);
        }
    }
    let copies = parts.iter().map(|p| (p.name.clone(), 5)).collect();
    let options = Pack { copies, rounds, ..Pack::default() };
    for (name, keep_order) in [("in file order", true), ("by height", false)] {
        let start = Instant::now();
        let done = Pack { keep_order, ..options.clone() }.apply(parts.clone(), &ctx)?;
        let n = &done.report.numbers;
        println!(
            "{name}: {} plates, {:.2} h (greedy {:.2} h, bound {:.2} h, gap {:.1} %), {:.1} s",
            done.value.len(),
            n["time_s"] / 3600.0,
            n["greedy_time_s"] / 3600.0,
            n["bound_s"] / 3600.0,
            n["gap_percent"],
            start.elapsed().as_secs_f64(),
        );
        for plate in &done.value {
            println!("  {}: {} parts, {:.1} mm", plate.name, plate.placed.len(), plate.height_mm());
        }
        if let (Some(file), false) = (&picture, keep_order) {
            std::fs::write(file, done.value[0].picture_svg(true))?;
        }
    }
    Ok(())
}
