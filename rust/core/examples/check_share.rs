//! Times the check of a solid STL file, or of a figure of 60 mm and 500 000 triangles, step by
//! step and mode by mode: `cargo run --release --example check_share [FILE]`.

use std::sync::{Arc, Mutex};
use std::time::Instant;
use vatwright::check::{Evidence, MODES};
use vatwright::mesh::{io, shapes};
use vatwright::{Context, Job, Part, Setup, Solid};

#[allow(clippy::print_stdout)]
fn main() -> vatwright::Result<()> {
    let solid = match std::env::args().nth(1) {
        Some(file) => Solid::try_from(io::read(file, &io::ReadOptions::default())?)?,
        None => shapes::figure(1, 60.0, 500_000, &Job::default())?,
    };
    println!("{}: {} triangles", solid.name(), solid.triangles().len());
    let part = Part::new(solid);
    let steps = Arc::new(Mutex::new(Vec::<(String, Instant)>::new()));
    let log = steps.clone();
    let ctx = Context::new(Setup::default()).with_listener(move |stage, _| {
        let mut log = log.lock().expect("no listener panics");
        if !stage.is_empty() && log.last().is_none_or(|l| l.0 != stage) {
            log.push((stage.into(), Instant::now()));
        }
    });
    let start = Instant::now();
    let evidence = Evidence::gather(&part, &ctx)?;
    let gathered = Instant::now();
    let steps = steps.lock().expect("no listener panics").clone();
    let ends = steps.iter().skip(1).map(|s| s.1).chain([gathered]);
    for ((name, from), to) in steps.iter().zip(ends) {
        println!("{name:>12} {:8.1} ms", (to - *from).as_secs_f64() * 1e3);
    }
    for mode in MODES {
        let from = Instant::now();
        let found = (mode.find)(&evidence)?;
        let ms = from.elapsed().as_secs_f64() * 1e3;
        println!("{:>12} {ms:8.1} ms {:4} findings", mode.code, found.len());
    }
    println!("{:>12} {:8.1} ms", "all", start.elapsed().as_secs_f64() * 1e3);
    Ok(())
}
