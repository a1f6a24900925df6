//! How long supports take, with every proof, at the final pixel: for a figure of 500 000 triangles,
//! and how that grows with the number of layers and of tips.
//!
//! `cargo run --release -p vatwright --example support_growth`

#![allow(clippy::print_stdout)] // printing is what it is for

use std::sync::{Arc, Mutex};
use std::time::Instant;
use vatwright::mesh::shapes;
use vatwright::passes::{Pass, Raft, Support};
use vatwright::{Context, Job, Part, Result, Setup, Solid};

/// One row; gives back seconds and tips.
fn row(name: &str, body: Solid) -> Result<(f64, f64)> {
    let stages: Arc<Mutex<Vec<(String, Instant)>>> = Arc::default();
    let heard = Arc::clone(&stages);
    let ctx = Context::new(Setup::load("desk-50um")?).with_listener(move |stage, _| {
        let mut heard = heard.lock().expect("nobody panics");
        if heard.last().is_none_or(|h| h.0 != stage) {
            heard.push((stage.into(), Instant::now()));
        }
    });
    let triangles = body.triangles().len();
    let part = Raft::default().apply(Part::new(body), &ctx)?.value;
    let start = Instant::now();
    let done = Support::default().apply(part, &ctx)?;
    let seconds = start.elapsed().as_secs_f64();
    let layers = (done.value.bounds().max.z / ctx.setup.exposure.layer_mm).round();
    let tips = done.report.numbers["tips"];
    println!("{name:24} {triangles:9} {layers:7} {tips:6} {seconds:8.2} s");
    if std::env::args().any(|a| a == "--stages") {
        let heard = stages.lock().expect("nobody panics");
        let ends = heard.iter().skip(1).map(|h| h.1).chain([Instant::now()]);
        for ((stage, from), to) in heard.iter().zip(ends) {
            println!("    {stage:32} {:8.3} s", (to - *from).as_secs_f64());
        }
    }
    Ok((seconds, tips))
}

fn main() -> Result<()> {
    println!("{:24} {:>9} {:>7} {:>6} {:>10}", "", "triangles", "layers", "tips", "time");
    row("figure of 60 mm", shapes::figure(1, 60.0, 500_000, &Job::default())?)?;
    for height_mm in [15.0, 30.0, 60.0, 120.0] {
        // The same foot, so that only the layers grow.
        let body = shapes::frustum(12.0, 10.0, height_mm, 200)?;
        row(&format!("tower of {height_mm} mm"), body)?;
    }
    for size_mm in [10.0, 20.0, 40.0, 80.0] {
        row(&format!("plate of {size_mm} mm"), shapes::plate(size_mm, size_mm, 3.0)?)?;
    }
    Ok(())
}
