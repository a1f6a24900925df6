//! Setups and recipes survive the way to a file and back, and refuse what makes no sense.

use proptest::prelude::*;
use vatwright::passes::{Hollow, Orient, Raft, Support, Vent};
use vatwright::{Error, Recipe, Setup, Step, setup};

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

#[test]
fn a_recipe_with_an_option_out_of_range_is_neither_written_nor_read() {
    let steps = vec![Step::Hollow(Hollow { wall_mm: f64::NAN, ..Hollow::default() })];
    let recipe = Recipe { steps };
    assert!(matches!(recipe.to_json(), Err(Error::Value { .. })));
    assert!(matches!(recipe.to_toml(), Err(Error::Value { .. })));
    let text = "[[steps]]\npass = \"hollow\"\nwall_mm = 1e9\n";
    assert!(matches!(Recipe::from_toml(text, "r.toml"), Err(Error::Value { .. })));
    let text = r#"{"steps": [{"pass": "raft", "lift_mm": -1.0}]}"#;
    assert!(matches!(Recipe::from_json(text, "r.json"), Err(Error::Value { .. })));
}

/// Numbers as users and accidents write them: ends of ranges, denormal, huge, negative zero, and
/// any bits at all.
fn odd() -> impl Strategy<Value = f64> {
    let ends = [0.0, -0.0, 5e-324, f64::MIN_POSITIVE, 1e-9, 0.1, 0.3, 1.0, 1e9, f64::MAX];
    let others = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1.0];
    prop_oneof![
        4 => 0.0..1.0_f64,
        4 => (-12..3_i32, 1.0..10.0_f64).prop_map(|(e, m)| m * 10f64.powi(e)),
        2 => prop::sample::select(ends.to_vec()),
        1 => prop::sample::select(others.to_vec()),
        1 => any::<u64>().prop_map(f64::from_bits),
    ]
}

/// Each number as it is, or odd.
fn maybe(default: f64) -> impl Strategy<Value = f64> {
    prop_oneof![3 => Just(default), 1 => odd()]
}

fn steps() -> impl Strategy<Value = Step> {
    let (h, v, r, s) = (Hollow::default(), Vent::default(), Raft::default(), Support::default());
    prop_oneof![
        (maybe(2.0), prop::option::of(odd()), maybe(1e-3), maybe(50.0), any::<u64>()).prop_map(
            move |(wall_mm, cell_mm, tolerance_mm, least_cavity_mm3, max_cells)| Step::Hollow(
                Hollow { wall_mm, cell_mm, tolerance_mm, least_cavity_mm3, max_cells, ..h.clone() }
            )
        ),
        (maybe(v.least_mm), maybe(v.most_mm), maybe(v.margin_mm), maybe(v.cup_mm2)).prop_map(
            move |(least_mm, most_mm, margin_mm, cup_mm2)| Step::Vent(Vent {
                least_mm,
                most_mm,
                margin_mm,
                cup_mm2,
                ..v.clone()
            })
        ),
        (maybe(0.6), maybe(1.5), maybe(0.0), prop::option::of(odd()), maybe(5.0)).prop_map(
            move |(thickness_mm, margin_mm, opening_mm, inset_mm, lift_mm)| Step::Raft(Raft {
                thickness_mm,
                margin_mm,
                opening_mm,
                inset_mm,
                lift_mm,
                ..r.clone()
            })
        ),
        (maybe(0.4), maybe(2.0), maybe(0.15), maybe(1.0), prop::option::of(odd())).prop_map(
            move |(tip_mm, neck_mm, embed_mm, column_mm, reach_mm)| Step::Support(Support {
                tip_mm,
                neck_mm,
                embed_mm,
                column_mm,
                reach_mm,
                ..s.clone()
            })
        ),
        (any::<u32>(), prop::option::of(odd()), maybe(0.05), maybe(0.0), maybe(0.02)).prop_map(
            |(directions, coarse_mm, slack, lift_mm, islands)| {
                let mut orient =
                    Orient { directions, coarse_mm, slack, lift_mm, ..Orient::default() };
                orient.weights.islands = islands;
                Step::Orient(orient)
            }
        ),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4000))]

    /// What is written reads back equal, or is refused when it is to be written.
    #[test]
    fn any_recipe_survives_a_file_or_is_refused(steps in prop::collection::vec(steps(), 0..5)) {
        let recipe = Recipe { steps };
        let same = |back: Recipe| format!("{:?}", parts(&back)) == format!("{:?}", parts(&recipe));
        match (recipe.to_toml(), recipe.to_json()) {
            (Ok(toml), Ok(json)) => {
                prop_assert!(same(Recipe::from_toml(&toml, "t").unwrap()), "{}", toml);
                prop_assert!(same(Recipe::from_json(&json, "j").unwrap()), "{}", json);
            }
            (Err(Error::Value { .. }), Err(Error::Value { .. })) => {}
            other => prop_assert!(false, "{:?}", other),
        }
    }
}

/// The options of every step, for comparing: a step itself shows its name only.
fn parts(recipe: &Recipe) -> Vec<String> {
    let show = |step: &Step| match step {
        Step::Orient(p) => format!("{p:?}"),
        Step::Hollow(p) => format!("{p:?}"),
        Step::Vent(p) => format!("{p:?}"),
        Step::Raft(p) => format!("{p:?}"),
        Step::Support(p) => format!("{p:?}"),
        other => format!("{other:?}"),
    };
    recipe.steps.iter().map(show).collect()
}
