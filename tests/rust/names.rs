//! One concept, one type name: names that the core defines twice are counted, and the number only
//! falls.

use std::collections::BTreeMap;

/// Names still defined twice.
const TWICE: usize = 33;

/// The type that a line defines; associated types are none.
fn defined(line: &str) -> Option<&str> {
    let code = line.trim_start();
    let code = code.strip_prefix("pub").map_or(code, |rest| {
        let rest = rest.strip_prefix('(').map_or(rest, |r| r.split_once(')').map_or(r, |s| s.1));
        rest.trim_start()
    });
    let (kind, rest) = code.split_once(' ')?;
    let kinds: &[&str] = if line.starts_with(' ') {
        &["struct", "enum", "trait"]
    } else {
        &["struct", "enum", "trait", "type"]
    };
    kinds.contains(&kind).then(|| rest.split(|c: char| !c.is_alphanumeric()).next())?
}

#[test]
fn few_type_names_are_defined_twice() {
    let mut by_name: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for file in crate::order::sources() {
        let text = crate::order::code(&file);
        for name in text.lines().filter_map(defined) {
            by_name.entry(name.into()).or_default().push(file.display().to_string());
        }
    }
    by_name.retain(|name, files| files.len() > 1 && !name.starts_with('$') && !name.is_empty());
    assert!(by_name.len() <= TWICE, "{}: {by_name:#?}", by_name.len());
}
