//! Setups and recipes survive the way to a file and back, and refuse what makes no sense.

use vatwright::{Error, Recipe, Setup, setup};

#[test]
fn built_in_setups_load_and_round_trip() {
    for name in setup::BUILT_IN {
        let s = Setup::load(name).unwrap();
        assert_eq!(&s.name, name);
        assert_eq!(Setup::from_toml(&s.to_toml(), "text").unwrap(), s);
    }
}

#[test]
fn a_setup_names_what_is_wrong() {
    let bad = Setup::from_toml("[exposure]\nlayer_mm = 3.0\n", "mine.toml").unwrap_err();
    assert_eq!(bad.to_string(), "exposure.layer_mm = 3 is outside 0.005..=0.5 mm");
    let nan = Setup::from_toml("[resin]\npoisson = nan\n", "mine.toml").unwrap_err();
    assert!(matches!(nan, Error::Value { .. }));
    let typo = Setup::from_toml("[resin]\ncolour = 1\n", "mine.toml").unwrap_err();
    assert!(typo.to_string().contains("mine.toml") && typo.to_string().contains("colour"));
    let none = Setup::load("no-such-setup").unwrap_err().to_string();
    assert!(none.contains("desk-50um"), "{none}");
}

#[test]
fn a_recipe_round_trips() {
    let recipe = Recipe::default();
    let text = recipe.to_toml().unwrap();
    assert_eq!(Recipe::from_toml(&text, "text").unwrap().to_toml().unwrap(), text);
    let json = recipe.to_json().unwrap();
    assert_eq!(Recipe::from_json(&json, "text").unwrap().to_json().unwrap(), json);
    let typo = Recipe::from_toml("[[steps]]\npass = \"hollow\"\nwal = 1\n", "r.toml").unwrap_err();
    assert!(typo.to_string().contains("wal"), "{typo}");
}
