//! Surveys a plate of 200 × 125 mm full of 60 mm figures at 25 µm, block by block, and prints the
//! time and the memory that took at most: `cargo run --release --example large_plate`.

#![allow(clippy::print_stdout)]

use std::time::Instant;
use vatwright::Job;
use vatwright::layers::{Fill, Grid, Scan, Surface, Survey};
use vatwright::mesh::{Bounds, Point, Pose, Vector, shapes};

const PLATE_MM: [f64; 2] = [200.0, 125.0];
const PITCH_MM: f64 = 0.025;
/// What the layers held at once may take.
const BLOCK_BYTES: usize = 64 << 20;

fn main() -> vatwright::Result<()> {
    let figure = shapes::figure(1, 60.0, 500_000, &Job::default())?;
    let size = figure.bounds().size();
    let count = [0, 1].map(|i| (PLATE_MM[i] / (size[i] + 1.0)) as usize);
    let corner = |i: usize, n: usize| PLATE_MM[i] * (n as f64 / count[i] as f64);
    let surfaces: Vec<Surface<'_>> = (0..count[0] * count[1])
        .map(|i| Vector::new(corner(0, i % count[0]), corner(1, i / count[0]), 0.0))
        .map(|to| to - figure.bounds().min.coords)
        .map(|to| Surface {
            mesh: &figure,
            pose: Pose::translation(to.x, to.y, to.z),
            fill: Fill::Body,
        })
        .collect();
    let plate = Bounds::of(&[Point::origin(), Point::new(PLATE_MM[0], PLATE_MM[1], size.z)]);
    let grid = Grid::over(&plate, PITCH_MM, PITCH_MM)?;
    println!(
        "{} figures of {} triangles, {} layers of {} × {} pixels",
        surfaces.len(),
        figure.triangles().len(),
        grid.layers,
        grid.columns,
        grid.rows
    );
    let start = Instant::now();
    let scan = Scan::new(&surfaces, grid);
    let survey = Survey::stream(&scan, BLOCK_BYTES, &Job::default())?;
    let seconds = start.elapsed().as_secs_f64();
    println!(
        "{:.0} mm³ in {} components, {seconds:.1} s",
        survey.volume_mm3(),
        survey.components.len()
    );
    // Linux tells a process how much memory it held at most.
    if let Ok(status) = std::fs::read_to_string("/proc/self/status") {
        let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        println!("peak memory {}", peak.unwrap_or("unknown").trim());
    }
    Ok(())
}
