//! The pages under docs/mechanics say what the code says: constants, ranges, functions, tests.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use vatwright::Setup;

fn root() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../.."))
}

fn pages() -> String {
    let mut text = String::new();
    for entry in fs::read_dir(root().join("docs/mechanics")).unwrap() {
        text += &fs::read_to_string(entry.unwrap().path()).unwrap();
    }
    text
}

/// Every piece between back-ticks.
fn quoted(text: &str) -> BTreeSet<String> {
    let flat: String = text.lines().filter(|l| !l.starts_with("```")).collect::<Vec<_>>().join(" ");
    flat.split('`').skip(1).step_by(2).map(String::from).collect()
}

#[test]
fn constants_are_those_of_the_code() {
    let page = fs::read_to_string(root().join("docs/mechanics/constants.md")).unwrap();
    let defaults: toml::Table = Setup::default().to_toml().parse().unwrap();
    let mut missing = BTreeSet::new();
    for (section, table) in &defaults {
        let Some(table) = table.as_table() else { continue };
        missing.extend(table.keys().map(|k| format!("{section}.{k}")));
    }
    for line in page.lines().filter(|l| l.starts_with("| `")) {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let name = cells[0].trim_matches('`');
        let (section, key) = name.split_once('.').unwrap();
        assert!(missing.remove(name), "{name} is no field of a setup, or stands twice");
        let value = &defaults[section][key];
        let value = value.as_float().unwrap_or_else(|| value.as_integer().unwrap() as f64);
        assert_eq!(cells[1].parse::<f64>().unwrap(), value, "default of {name}");
        let (lo, hi) = cells[2].split_once('–').unwrap();
        let accepts = |v: f64| {
            let v = if key == "first_layers" { format!("{}", v as i64) } else { format!("{v:?}") };
            Setup::from_toml(&format!("[{section}]\n{key} = {v}\n"), name).is_ok()
        };
        let (lo, hi): (f64, f64) = (lo.parse().unwrap(), hi.parse().unwrap());
        assert!(accepts(lo) && accepts(hi), "{name} refuses an end of {lo}–{hi}");
        assert!(!accepts(hi * 1.01 + 1e-9), "{name} accepts more than {hi}");
        assert!(
            !accepts(lo * 0.99 - 1e-9) || key == "first_layers",
            "{name} accepts less than {lo}"
        );
    }
    assert!(missing.is_empty(), "not on the page: {missing:?}");
}

#[test]
fn every_function_is_on_a_page() {
    let pages = quoted(&pages());
    let named: BTreeSet<&str> = pages.iter().map(|q| q.rsplit("::").next().unwrap()).collect();
    let mut files = vec![root().join("rust/core/src/mechanics")];
    while let Some(path) = files.pop() {
        if path.is_dir() {
            files.extend(fs::read_dir(&path).unwrap().map(|e| e.unwrap().path()));
            continue;
        }
        for line in fs::read_to_string(&path).unwrap().lines() {
            let Some(rest) = line.trim_start().strip_prefix("pub fn ") else { continue };
            let name = rest.split(['(', '<']).next().unwrap();
            assert!(named.contains(name), "{name} of {} is on no page", path.display());
        }
    }
}

#[test]
fn every_test_named_exists() {
    for name in quoted(&pages()) {
        let Some((file, test)) = name.split_once("::") else { continue };
        let path = root().join(format!("tests/rust/{file}.rs"));
        if !Path::new(&path).exists() || test.contains("::") {
            continue; // a function of the library
        }
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(&format!("fn {test}(")), "{name} does not exist");
    }
}
