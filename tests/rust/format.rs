//! Files of 0.1 are read by every later version; files of a later format are refused by name.

use crate::common::shared;
use vatwright::format::{FORMAT, from_bytes, to_bytes};
use vatwright::{Error, Part, Recipe, Setup};

/// What 0.1 wrote before files said their format.
fn first(name: &str) -> Vec<u8> {
    std::fs::read(shared(&format!("formats/0.1/{name}")).unwrap()).unwrap()
}

fn first_text(name: &str) -> String {
    String::from_utf8(first(name)).unwrap()
}

#[test]
fn what_0_1_wrote_is_read() {
    let setup = Setup::from_toml(&first_text("setup.toml"), "setup.toml").unwrap();
    assert_eq!((setup.name.as_str(), setup.machine.pixel_mm), ("desk-50um", 0.05));
    // It is called otherwise now.
    assert_eq!(setup.machine.separation_speed_exponent, 0.5);
    let recipe = Recipe::from_toml(&first_text("recipe.toml"), "recipe.toml").unwrap();
    assert_eq!(recipe.steps.len(), 6);
    let same = Recipe::from_json(&first_text("recipe.json"), "recipe.json").unwrap();
    assert_eq!(same.to_json().unwrap(), recipe.to_json().unwrap());
    let part: Part = from_bytes(&first("part.cbor"), "Part").unwrap();
    assert_eq!(part.name, "peg");
    assert!(part.raft.is_some() && !part.supports.unwrap().tips.is_empty());
}

#[test]
fn what_is_written_says_its_format_and_is_read() {
    let setup = Setup::load("desk-50um").unwrap();
    assert!(setup.to_toml().starts_with(&format!("format = {FORMAT}\n")));
    assert!(Recipe::default().to_toml().unwrap().starts_with(&format!("format = {FORMAT}\n")));
    assert!(Recipe::default().to_json().unwrap().contains(&format!("\"format\": {FORMAT},")));
    let part: Part = from_bytes(&first("part.cbor"), "Part").unwrap();
    let bytes = to_bytes(&part).unwrap();
    assert!(bytes.starts_with(b"\xa2\x66format\x01\x65value"));
    assert!(from_bytes::<Part>(&bytes, "Part").unwrap() == part);
}

#[test]
fn a_later_format_is_refused_by_its_number() {
    let later = FORMAT + 1;
    let told = |error: Error| {
        let told = error.to_string();
        assert!(told.contains(&format!("format {later}")) && told.contains("later"), "{told}");
    };
    let text = format!("name = \"desk\"\nformat = {later}\n[machine]\nwidth_mm = 100.0\n");
    told(Setup::from_toml(&text, "setup.toml").unwrap_err());
    told(Recipe::from_toml(&format!("format = {later}\nsteps = []\n"), "r.toml").unwrap_err());
    let json = format!("{{\"format\": {later}, \"steps\": []}}");
    told(Recipe::from_json(&json, "r.json").unwrap_err());
    let mut bytes = to_bytes(&from_bytes::<Part>(&first("part.cbor"), "Part").unwrap()).unwrap();
    bytes[8] = later as u8;
    told(from_bytes::<Part>(&bytes, "Part").unwrap_err());
    // None of a kind that never was is taken for the first.
    assert!(Setup::from_toml("format = 0\n", "setup.toml").is_err());
}
