//! Arrows point down: no module of the core uses one that stands above it, and the files of a
//! module use each other without circles. Read from the sources' own `use` lines and paths.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// From the bottom up. The folders are the architecture; single files stand where they are needed.
const ORDER: [&str; 27] = [
    "codes",
    "error",
    "format",
    "options",
    "disjoint_sets",
    "job",
    "finding",
    "setup",
    "mesh",
    "spatial",
    "layers",
    "appearance",
    "base",
    "part",
    "plate",
    "mechanics",
    "light",
    "structure",
    "context",
    "pass",
    "check",
    "passes",
    "recipe",
    "export",
    "picture",
    "testing",
    "lib",
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// Every file of the core.
pub(crate) fn sources() -> Vec<PathBuf> {
    let mut files = Vec::new();
    rust_files(&root(), &mut files);
    files
}

fn rust_files(at: &Path, out: &mut Vec<PathBuf>) {
    let mut entries: Vec<_> = std::fs::read_dir(at).unwrap().map(|e| e.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            rust_files(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// The code without comments.
pub(crate) fn code(path: &Path) -> String {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines().map(|l| l.split("//").next().unwrap()).collect::<Vec<_>>().join("\n")
}

/// Every path a piece of code names that starts with `crate` or `super`, groups in braces taken
/// apart: `use crate::mesh::{Mesh, io::read}` gives `crate::mesh::Mesh` and `crate::mesh::io::read`.
fn paths(code: &str) -> Vec<Vec<String>> {
    let mut out = Vec::new();
    for root in ["crate::", "super::"] {
        for (at, _) in code.match_indices(root) {
            let fresh =
                !code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':');
            if fresh {
                tree(&code[at..], &mut Vec::new(), &mut out);
            }
        }
    }
    out
}

/// Reads one tree of paths; returns what follows it.
fn tree<'a>(mut rest: &'a str, before: &mut Vec<String>, out: &mut Vec<Vec<String>>) -> &'a str {
    let depth = before.len();
    loop {
        rest = rest.trim_start();
        if let Some(group) = rest.strip_prefix('{') {
            rest = group;
            while !rest.trim_start().starts_with('}') {
                rest = tree(rest, before, out).trim_start();
                rest = rest.strip_prefix(',').unwrap_or(rest);
            }
            rest = &rest.trim_start()[1..];
            break;
        }
        let end = rest.find(|c: char| !c.is_alphanumeric() && c != '_' && c != '*');
        let (word, after) = rest.split_at(end.unwrap_or(rest.len()));
        before.push(word.into());
        if let Some(next) = after.strip_prefix("::").filter(|n| !n.starts_with('<')) {
            rest = next;
            continue;
        }
        out.push(before.clone());
        // An alias belongs to the path.
        rest = after.trim_start().strip_prefix("as ").map_or(after, |alias| {
            alias.trim_start_matches(|c: char| c.is_alphanumeric() || c == '_')
        });
        break;
    }
    before.truncate(depth);
    rest
}

/// For each name that a module file hands on by `use child::Name`, the child.
fn handed_on(code: &str) -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    for line in code.split(';').filter_map(|l| l.rsplit_once("use ").map(|(_, path)| path)) {
        let mut found = Vec::new();
        tree(line, &mut Vec::new(), &mut found);
        for path in found.iter().filter(|p| p.len() > 1 && !["crate", "super"].contains(&&*p[0])) {
            out.insert(path[path.len() - 1].clone(), path[0].clone());
        }
    }
    out
}

/// The module of a file: its path below `src` without `mod`.
fn module(path: &Path) -> Vec<String> {
    let below = path.strip_prefix(root()).unwrap().with_extension("");
    let mut parts: Vec<String> = below.iter().map(|p| p.to_str().unwrap().to_owned()).collect();
    if parts.last().is_some_and(|p| p == "mod") {
        parts.pop();
    }
    parts
}

/// A path as written in a module, from the root of the crate.
fn absolute(path: &[String], module: &[String]) -> Vec<String> {
    let ups = path.iter().take_while(|p| *p == "super").count();
    match path[0].as_str() {
        "crate" => path[1..].to_vec(),
        _ => module[..module.len() - ups].iter().chain(&path[ups..]).cloned().collect(),
    }
}

#[test]
fn no_arrow_points_up() {
    let exported = handed_on(&code(&root().join("lib.rs")));
    let rank = |m: &str| {
        ORDER.iter().position(|o| *o == m).unwrap_or_else(|| panic!("{m} has no place in ORDER"))
    };
    let files = sources();
    let mut wrong = BTreeSet::new();
    for file in &files {
        let module = module(file);
        for path in paths(&code(file)) {
            let path = absolute(&path, &module);
            let Some(first) = path.first() else { continue };
            let target = exported.get(first).unwrap_or(first);
            if module[0] != "lib" && ORDER.contains(&&**target) && rank(target) > rank(&module[0]) {
                wrong.insert(format!("{} uses {}", module.join("::"), path.join("::")));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Folders whose files still go round in circles.
const CIRCLES: [&str; 3] = ["check", "passes::pack", "passes::support"];

#[test]
fn files_of_a_module_form_no_circle() {
    let files = sources();
    let mut all = BTreeMap::new();
    for top in files.iter().filter(|f| f.ends_with("mod.rs")) {
        let parent = module(top);
        let names = handed_on(&code(top));
        let mut uses: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        for file in files.iter().filter(|f| f.starts_with(top.parent().unwrap()) && *f != top) {
            let module = module(file);
            for path in paths(&code(file)) {
                let path = absolute(&path, &module);
                if !path.starts_with(&parent) || path.len() == parent.len() {
                    continue;
                }
                let name = &path[parent.len()];
                let target = names.get(name).unwrap_or(name).clone();
                let from = module[parent.len()].clone();
                if target != from {
                    uses.entry(from).or_default().insert(target);
                }
            }
        }
        // Strip files that use nothing left; what remains goes round in circles.
        loop {
            let free: Vec<String> = uses
                .iter()
                .filter(|(_, to)| to.iter().all(|t| !uses.contains_key(t)))
                .map(|(from, _)| from.clone())
                .collect();
            if free.is_empty() {
                break;
            }
            uses.retain(|from, _| !free.contains(from));
        }
        if !uses.is_empty() {
            all.insert(parent.join("::"), uses);
        }
    }
    assert!(all.keys().eq(CIRCLES), "{all:#?}");
}
