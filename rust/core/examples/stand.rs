//! Stands a model on a raft and supports and prints what the pass has to say:
//! `cargo run --release --example stand -- model.stl [tilt_x_deg tilt_y_deg [scale]] [out.stl]`

#![allow(clippy::print_stdout)]

use std::time::Instant;
use vatwright::mesh::{health, io};
use vatwright::passes::{Pass, Raft, Support};
use vatwright::{Context, Mesh, Part, Role, Setup};

fn main() -> vatwright::Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let number = |i: usize, or: f64| args.get(i).and_then(|a| a.parse().ok()).unwrap_or(or);
    let mesh = io::read(&args[0], &io::ReadOptions::default())?.scaled(number(3, 1.0))?;
    let solid = health::repair(mesh, &health::RepairOptions::default())?.value.solid;
    let axis = nalgebra::Vector3::new(number(1, 0.0), number(2, 0.0), 0.0) * 1f64.to_radians();
    let part = Part::new(solid).turned(nalgebra::UnitQuaternion::new(axis), 0.0)?;
    let ctx = context();
    let part = Raft::default().apply(part, &ctx)?.value;
    let start = Instant::now();
    let done = Support::default().apply(part, &ctx)?;
    println!("{:.2} s", start.elapsed().as_secs_f64());
    for (name, value) in &done.report.numbers {
        println!("{name:>16} {value:.3}");
    }
    for f in done.report.findings.iter().take(12) {
        println!(
            "{:?} {} {:?} {:?}: {}; {}",
            f.severity, f.code, f.layers, f.place, f.message, f.remedy
        );
    }
    let sup = done.value.supports.as_ref().unwrap();
    for f in done.report.findings.iter().filter(|f| f.code == "island").take(6) {
        let p = f.place.unwrap();
        println!("near {p:?} {:?}", f.value);
        for m in &sup.members {
            let (a, b) = (sup.nodes[m.a as usize], sup.nodes[m.b as usize]);
            let d = b - a;
            let t = ((p - a).dot(&d) / d.norm_squared()).clamp(0.0, 1.0);
            let q = a + d * t;
            if (q - p).norm() < 1.5 {
                println!("   member {a:?} {b:?} d {} at {:.3}", m.diameter_mm, (q - p).norm());
            }
        }
        for t in sup.tips.iter().chain(&sup.landings) {
            if (t.contact - p).norm() < 2.5 {
                println!(
                    "   tip {:?} n {:?} head {:?}",
                    t.contact,
                    t.normal.as_slice(),
                    sup.nodes[t.node as usize]
                );
            }
        }
    }
    println!("{} findings", done.report.findings.len());
    if let Some(out) = args.get(4) {
        let surfaces = done.value.surfaces(&Role::ALL);
        let placed: Vec<Mesh> = surfaces.iter().map(|s| s.mesh.transformed(&s.pose)).collect();
        let whole = Mesh::concat("stand", &placed);
        io::write(out, &[io::Item { name: "stand", mesh: &whole, pose: Default::default() }])?;
    }
    Ok(())
}

fn context() -> Context {
    Context::new(Setup::load("desk-50um").expect("a built-in setup"))
}
