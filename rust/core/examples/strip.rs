//! Packs a published strip instance (JSON) and prints its density:
//! `cargo run --release --example strip -- FILE BUDGET [OUT.json] [SEED]`, the budget in seconds
//! (`60`) or in rounds (`2000r`).

use std::error::Error;
use vatwright::passes::pack::{Budget, Point2, StripTask, strip};
use vatwright::{Context, Setup};

#[allow(clippy::print_stdout)] // an example speaks to a person
fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let file = args.next().ok_or("which file?")?;
    let budget = args.next().ok_or("which budget?")?;
    let budget = match budget.strip_suffix('r') {
        Some(rounds) => Budget::Rounds(rounds.parse()?),
        None => Budget::Seconds(budget.parse()?),
    };
    let out = args.next();
    let seed = args.next().map_or(Ok(1), |s| s.parse())?;
    let instance: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(&file)?)?;
    let mut outlines: Vec<(Vec<Point2>, usize)> = Vec::new();
    let mut turns = 1;
    for item in instance["items"].as_array().ok_or("no items")? {
        let ring: Vec<Point2> = serde_json::from_value(item["shape"]["data"].clone())?;
        outlines.push((ring, item["demand"].as_u64().ok_or("no demand")? as usize));
        turns = item["allowed_orientations"].as_array().map_or(1, Vec::len);
    }
    let width_mm = instance["strip_height"].as_f64().ok_or("no strip height")?;
    let task = StripTask { outlines, width_mm, turns, gap_mm: 0.0, seed, budget };
    let done = strip(&task, &Context::new(Setup::default()))?;
    println!("{file}: length {:.3}, density {:.2} %", done.length_mm, 100.0 * done.density);
    if let Some(out) = out {
        let laid: Vec<_> =
            done.laid.iter().map(|l| (l.outline, l.turn_deg, l.x_mm, l.y_mm)).collect();
        std::fs::write(out, serde_json::to_string(&laid)?)?;
    }
    Ok(())
}
