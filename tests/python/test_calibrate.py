"""Constants from readings: what noise, drift and slips of the pen leave of them."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats  # type: ignore[import-untyped]

import vatwright as vw
from vatwright import calibrate
from vatwright.calibrate import robust
from vatwright.calibrate.peel import AREA_EXPONENT, SPEED_EXPONENT, STRESS

TRIALS = 200
COVERED = 0.90 * TRIALS
"""Of 95 % intervals, this many hold the truth but for one set of trials in a thousand."""

Random = np.random.Generator


def test_quantiles_are_those_of_students_t() -> None:
    # Reference: scipy.stats.t.
    for freedom in (1, 2, 3, 4, 7, 12, 30, 316):
        for chance in (0.95, 0.975, 0.9995):
            expected = stats.t.ppf(chance, freedom)
            assert robust.quantile(chance, freedom) == pytest.approx(expected, rel=1e-9)


def test_clean_rows_are_fitted_as_by_least_squares() -> None:
    # Reference: scipy.optimize.curve_fit with its covariance.
    random = np.random.default_rng(1)
    x = np.linspace(1.0, 3.0, 24)
    sd = 0.02 + 0.01 * x
    y = 0.4 + 1.7 * x + sd * random.normal(size=24)
    found = robust.fit(np.column_stack([np.ones(24), x]), y, sd=sd)
    values, covariance = optimize.curve_fit(lambda x, a, b: a + b * x, x, y, sigma=sd)
    assert found.kept.all()
    assert found.coefficients == pytest.approx(values, rel=1e-6)
    assert found.covariance == pytest.approx(covariance, rel=1e-5)


def test_slips_of_a_fifth_of_the_rows_are_found() -> None:
    # Reference: scipy.stats.theilslopes, which bears slips of 29 % of the rows.
    random = np.random.default_rng(2)
    x = np.linspace(0.0, 1.0, 60)
    y = 1.0 + 2.0 * x + 0.03 * random.normal(size=60)
    y[::5] += random.uniform(1.0, 3.0, size=12)
    found = robust.fit(np.column_stack([np.ones(60), x]), y)
    assert (~found.kept).nonzero()[0].tolist() == list(range(0, 60, 5))
    slope, _, low, high = stats.theilslopes(y, x)
    assert low < found.coefficients[1] < high
    assert found.coefficients[1] == pytest.approx(slope, abs=0.05)


# Peel: exponents of force over speed read from an open log of three release liquids, with force
# at 1 mm/s on 19.63 mm² and scatter; of area, from the stepped cone in the same rig, from another
# liquid, and the mean stress that the defaults assume.
LOGS = [
    (0.506, 0.0297, 0.03, 0.30),
    (0.376, 0.0364, 0.06, 0.70),
    (0.271, 0.165, 0.09, 0.20),
    (0.500, 0.165, 0.09, 1.00),
]


def tower(layers: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Areas that grow and fall four times, and speeds that change eight times."""
    k = np.arange(layers)
    areas = np.pi * (3.0 + 5.0 * (k % 100) / 100) ** 2
    speeds = np.array([2.0, 9.0, 4.0, 2.0, 9.0, 4.0, 9.0, 2.0])[k * 8 // layers]
    return areas, speeds


def forces(
    random: Random, law: tuple[float, float, float, float], drift: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    n, newtons, noise, a = law
    areas, speeds = tower()
    t = np.linspace(0.0, 1.0, len(areas))
    creep = drift * (t + 0.3 * np.sin(3.0 * t))
    off = noise * random.normal(size=len(areas)) + creep - creep.mean()
    return newtons * (areas / 19.63) ** a * speeds**n * np.exp(off), areas, speeds


@pytest.mark.parametrize("law", LOGS)
def test_both_exponents_of_peel_come_out_of_noise_and_drift(
    law: tuple[float, float, float, float],
) -> None:
    n, newtons, _, a = law
    random = np.random.default_rng(3)
    held = {AREA_EXPONENT: 0, SPEED_EXPONENT: 0, STRESS: 0}
    for drift in random.uniform(-0.3, 0.3, size=TRIALS):
        force, areas, speeds = forces(random, law, drift)
        found = calibrate.peel(
            force, area_mm2=areas, speed_mm_s=speeds, order=np.arange(len(force))
        )
        assert not found.missing
        machine = found.values["machine"]
        a0, v0 = machine["separation_area_mm2"], machine["separation_speed_mm_s"]
        stress = newtons * (a0 / 19.63) ** a * v0**n / (1e-3 * a0)
        for name, truth in ((AREA_EXPONENT, a), (SPEED_EXPONENT, n), (STRESS, stress)):
            constant = found[name]
            held[name] += constant.low <= truth <= constant.high
            if name != STRESS:
                assert constant.value == pytest.approx(truth, abs=0.05)
    assert min(held.values()) >= COVERED, held


def test_a_log_in_which_speed_rises_with_the_layers_is_told_from_drift() -> None:
    # In the open log that the exponents come from, speed rose with the layer number.
    random = np.random.default_rng(4)
    areas, _ = tower()
    steps = np.repeat([2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0], 50)
    t = np.linspace(0.0, 1.0, len(areas))
    force = 0.03 * steps**0.506 * np.exp(0.03 * random.normal(size=len(areas)) + 0.2 * t)
    order = np.arange(len(areas))
    found = calibrate.peel(force, area_mm2=areas, speed_mm_s=steps, order=order)
    honest = [c for c in found.constants if c.name == SPEED_EXPONENT]
    blind = calibrate.peel(force, area_mm2=areas, speed_mm_s=steps)[SPEED_EXPONENT]
    assert not blind.low <= 0.506 <= blind.high  # without drift it is sure, and wrong
    assert all(c.low <= 0.506 <= c.high for c in honest)
    assert honest or any(m.name == SPEED_EXPONENT for m in found.missing)
    # When the layers are all there is to tell speeds by, nothing can be said.
    steady = np.exp(0.005 * order)
    lost = calibrate.peel(
        0.003 * areas * steady**0.5, area_mm2=areas, speed_mm_s=steady, order=order
    )
    (missing,) = lost.missing
    assert missing.name == SPEED_EXPONENT
    assert "layers" in missing.why
    assert "tower" in missing.remedy


def test_peel_at_one_speed_or_one_area_says_what_to_print() -> None:
    areas, speeds = tower()
    force = 0.02 * areas * speeds**0.5
    one = calibrate.peel(force, area_mm2=areas, speed_mm_s=np.full(len(areas), 2.0))
    assert [m.name for m in one.missing] == [SPEED_EXPONENT]
    assert "speeds" in one.missing[0].remedy
    same = calibrate.peel(force, area_mm2=np.full(len(areas), 80.0), speed_mm_s=speeds)
    assert [m.name for m in same.missing] == [AREA_EXPONENT]
    few = calibrate.peel([1.0, 2.0], area_mm2=[1.0, 2.0], speed_mm_s=[1.0, 2.0])
    assert not few.constants
    assert few.missing[0].name == STRESS


# The working curve: coins at 1 to 16 times the exposure of a layer; noise of 3 to 9 % of their
# thickness (wiping, lamp), and readings to a hundredth of a millimetre.
SECONDS = [3.0, 4.5, 6.0, 9.0, 12.0, 18.0, 24.0, 48.0]


def coins(random: Random, noise: float, dp: float = 0.12, ec: float = 6.0) -> list[list[float]]:
    depths = [dp * math.log(4.0 * s / ec) * (1.0 + noise * random.normal()) for s in SECONDS]
    return [[round(d + 0.005 * random.normal(), 3) for _ in range(2)] for d in depths]


@pytest.mark.parametrize("noise", [0.03, 0.06, 0.09])
def test_the_working_curve_covers_the_truth(noise: float) -> None:
    # Dp = 0.12 mm and Ec = 6 mJ/cm² are the worked values of Jacobs' formula.
    random = np.random.default_rng(5)
    held = {"penetration_mm": 0, "critical_mj_cm2": 0}
    told = 0
    while told < TRIALS:
        found = calibrate.working_curve(SECONDS, coins(random, noise), irradiance_mw_cm2=4.0)
        if found.missing:  # Noise can be too much, and that is said.
            assert noise > 0.05
            continue
        told += 1
        intervals = found.intervals["resin"]
        for name, truth in (("penetration_mm", 0.12), ("critical_mj_cm2", 6.0)):
            low, high = intervals[name]
            held[name] += low <= truth <= high
    assert min(held.values()) >= COVERED, held


def test_the_working_curve_is_that_of_a_general_fit() -> None:
    # Reference: scipy.optimize.curve_fit of Jacobs' formula itself, not of a line.
    thickness = coins(np.random.default_rng(6), 0.04)
    found = calibrate.working_curve(SECONDS, thickness, irradiance_mw_cm2=4.0)
    dose = 4.0 * np.array(SECONDS)
    means = np.mean(thickness, axis=1)
    sd = np.hypot(0.01, 0.05 * means)
    (dp, ec), _ = optimize.curve_fit(
        lambda e, dp, ec: dp * np.log(e / ec), dose, means, p0=[0.1, 5.0], sigma=sd
    )
    values = found.values["resin"]
    assert values["penetration_mm"] == pytest.approx(dp, rel=0.03)
    assert values["critical_mj_cm2"] == pytest.approx(ec, rel=0.06)


def test_coins_of_too_few_exposures_are_refused() -> None:
    for seconds in ([3.0, 6.0, 12.0], [3.0, 3.1, 3.2, 3.3, 3.4]):
        thickness = [[0.12 * math.log(4 * s / 6)] for s in seconds]
        found = calibrate.working_curve(seconds, thickness, irradiance_mw_cm2=4.0)
        assert not found.constants
        assert {m.name for m in found.missing} == {
            "resin.penetration_mm",
            "resin.critical_mj_cm2",
        }
        assert "coins" in found.missing[0].remedy
    flat = calibrate.working_curve(SECONDS, [[0.2], [0.1]] * 4, irradiance_mw_cm2=4.0)
    assert not flat.constants
    with pytest.raises(vw.OptionError, match=r"coin 2: thickness_mm, number 1: -0\.2"):
        calibrate.working_curve(SECONDS[:2], [[0.1], [-0.2]], irradiance_mw_cm2=4.0)


def spread(x: float, sigma: float, gamma: float, share: float) -> float:
    """Light beyond a straight edge; reference: scipy's distributions, normal and Cauchy."""
    core, far = stats.norm.sf(x, scale=sigma), stats.cauchy.sf(x, scale=gamma)
    return float((1.0 - share) * core + share * far)


def printed(kind: str, drawn: float, ratio: float, light: tuple[float, float, float]) -> float:
    """Size of a rib or slot, its edges where scipy.optimize.brentq finds the critical dose."""
    grows = kind in ("rib", "pin")

    def over(x: float) -> float:
        other = -spread(x + drawn, *light) if grows else spread(drawn - x, *light)
        return spread(x, *light) + other - 1.0 / ratio

    low, high = (-drawn / 2, 3.0) if grows else (-3.0, drawn / 2)
    if over(low) * over(high) > 0:
        return 0.0  # It vanished, or closed.
    return float(drawn + (2.0 if grows else -2.0) * optimize.brentq(over, low, high))


SIZES = {
    "pin": (2.0, 3.0),
    "rib": (0.3, 0.5, 1.0, 2.0),
    "hole": (2.0, 3.0),
    "slot": (0.4, 1.0, 2.0),
}
Sizes = list[tuple[calibrate.Feature, float]]


def comb(ratios: tuple[float, ...], light: tuple[float, float, float]) -> Sizes:
    return [
        (calibrate.Feature(kind, drawn, (), ratio), printed(kind, drawn, ratio, light))  # type: ignore[arg-type]
        for ratio in ratios
        for kind, sizes in SIZES.items()
        for drawn in sizes
    ]


def read(sizes: Sizes, random: Random, scale: float = 0.994) -> list[calibrate.Feature]:
    """Two readings to a hundredth of a millimetre of what is left."""
    return [
        replace(f, measured_mm=tuple((size - (1 - scale) * f.drawn_mm + off).round(2).tolist()))
        for f, size in sizes
        if size > 0.1
        for off in (0.012 * random.normal(size=2),)
    ]


def test_the_blur_of_an_edge_covers_the_truth() -> None:
    random = np.random.default_rng(7)
    sizes = comb((5.0, 20.0), (0.04, 0.1, 0.25))
    held = 0
    for _ in range(TRIALS):
        found = calibrate.edge(read(sizes, random), tail_mm=0.1, tail_share=0.25)
        low, high = found.intervals["exposure"]["edge_blur_mm"]
        held += low <= 0.04 <= high
    assert held >= COVERED
    assert any("smaller" in note for note in found.notes)


def test_three_doses_tell_the_tails_of_the_light() -> None:
    random = np.random.default_rng(8)
    truth = {"edge_blur_mm": 0.03, "edge_tail_mm": 0.15, "edge_tail_share": 0.2}
    sizes = comb((5.0, 20.0, 60.0), (0.03, 0.15, 0.2))
    held = dict.fromkeys(truth, 0)
    for _ in range(TRIALS):
        found = calibrate.edge(read(sizes, random), tails=True)
        assert not found.missing
        for name, (low, high) in found.intervals["exposure"].items():
            held[name] += low <= truth[name] <= high
    assert min(held.values()) >= COVERED, held
    # Two exposures do not, and that is said.
    two = calibrate.edge(read(sizes[:22], random), tails=True, tail_mm=0.15, tail_share=0.2)
    assert [c.name for c in two.constants] == ["exposure.edge_blur_mm"]
    assert {m.name.rpartition(".")[2] for m in two.missing} == {*truth} - {"edge_blur_mm"}


@pytest.mark.parametrize(("ratio", "grown_um"), [(4.0, 16.86), (20.0, 41.12)])
def test_the_growth_of_an_edge_is_that_of_the_closed_form(ratio: float, grown_um: float) -> None:
    # x = σ√2·erfc⁻¹(2Ec/E) at σ = 25 µm, worked values: 16.86 µm at 4, 41.12 µm at 20.
    made = [
        calibrate.Feature(kind, 2.0 + i, (2.0 + i + sign * 2e-3 * grown_um,), ratio)  # type: ignore[arg-type]
        for kind, sign in (("rib", 1), ("slot", -1))
        for i in range(4)
    ]
    found = calibrate.edge(made)
    assert found["exposure.edge_blur_mm"].value == pytest.approx(0.025, rel=1e-3)


def test_an_edge_that_cannot_be_told_from_shrinkage_is_refused() -> None:
    sizes = comb((5.0,), (0.04, 0.1, 0.0))
    ribs = [f for f in read(sizes, np.random.default_rng(8)) if f.kind in ("pin", "rib")]
    found = calibrate.edge(ribs)
    assert not found.constants
    assert "ribs as well as slots" in found.missing[0].remedy
    with pytest.raises(vw.OptionError, match="hardens nothing"):
        calibrate.edge([calibrate.Feature("pin", 1.0, (1.0,), 0.5)])


def teeth(through_um: dict[int, float], random: Random, noise_mm: float) -> list[list[float]]:
    return [
        [n * 0.05 + 1e-3 * d + noise_mm * random.normal() for _ in range(2)]
        for n, d in through_um.items()
    ]


def test_the_depth_comb_reads_print_through() -> None:
    # Worked values at Dp = 0.12 mm, Ec = 6, E = 12 mJ/cm², layers of 50 µm: d1 = 33.18,
    # d2 = 93.94, d5 = 146.41 µm, and 162.37 µm through very many.
    random = np.random.default_rng(11)
    through = {1: 33.18, 2: 93.94, 5: 146.41, 60: 162.37}
    given = {"layer_mm": 0.05, "dose_mj_cm2": 12.0, "start": (0.1, 4.0)}
    exact = calibrate.depth_comb([*through], teeth(through, random, 0.0), **given)  # type: ignore[arg-type]
    assert exact["resin.penetration_mm"].value == pytest.approx(0.12, rel=1e-3)
    assert exact["resin.critical_mj_cm2"].value == pytest.approx(6.0, rel=1e-3)
    held = {"penetration_mm": 0, "critical_mj_cm2": 0}
    ratio = math.exp(0.05 / 0.12) - 1.0
    more = {
        n: 120.0 * math.log(2.0 * (1.0 - math.exp(-n * 0.05 / 0.12)) / ratio)
        for n in calibrate.kit.COMB_LAYERS
    }
    for _ in range(TRIALS):
        found = calibrate.depth_comb([*more], teeth(more, random, 0.006), **given)  # type: ignore[arg-type]
        for name, truth in (("penetration_mm", 0.12), ("critical_mj_cm2", 6.0)):
            low, high = found.intervals["resin"][name]
            held[name] += low <= truth <= high
    assert min(held.values()) >= COVERED, held


def covers(trial: Callable[[Random], calibrate.Fit], name: str, truth: float, seed: int = 9) -> int:
    random = np.random.default_rng(seed)
    return sum(c.low <= truth <= c.high for c in (trial(random)[name] for _ in range(TRIALS)))


def noisy(random: Random, noise: float, n: int) -> np.ndarray:
    return np.asarray(np.exp(noise * random.normal(size=n)))


@pytest.mark.parametrize("noise", [0.03, 0.09])
def test_bond_strength_and_modulus_cover_the_truth(noise: float) -> None:
    def bond(random: Random) -> calibrate.Fit:
        area = math.pi / 4 * 10.2**2
        pull = 0.150 * area / 9.81 * noisy(random, noise, 5)
        return calibrate.bond([10.2] * 5, pull.round(2).tolist())

    def strength(random: Random) -> calibrate.Fit:
        pull = 20.0 * 4.1 * 2.05 / 9.81 * noisy(random, noise, 5)
        return calibrate.green_strength([4.1] * 5, [2.05] * 5, pull.round(2).tolist())

    def modulus(random: Random) -> calibrate.Fit:
        # Cantilever, w = 4FL³/(E·b·t³): E = 1000 MPa, 40 mm free, 6.0 × 1.5 mm.
        loads = (5.0, 10.0, 15.0)
        strips = []
        for own in noisy(random, noise, 4):
            bent = [
                4e-3 * g * 9.81 * 40**3 / (1000 * own * 6.0 * 1.5**3) * of
                for g, of in zip(loads, noisy(random, 0.02, 3), strict=True)
            ]
            strips.append(calibrate.Strip(40.0, 6.0, 1.5, loads, tuple(np.round(bent, 2))))
        return calibrate.green_modulus(strips)

    assert covers(bond, "resin.plate_bond_kpa", 150.0) >= COVERED
    assert covers(strength, "resin.green_strength_mpa", 20.0) >= COVERED
    assert covers(modulus, "resin.green_modulus_mpa", 1000.0) >= COVERED


def test_film_frame_and_meters_cover_the_truth() -> None:
    kilograms = [0.2, 0.5, 1.0, 1.5, 2.0]

    def film(random: Random) -> calibrate.Fit:
        moved = [0.05 + 0.02 * 9.81 * kg + 0.005 * random.normal() for kg in kilograms]
        return calibrate.stiffness("machine.film_compliance_mm_n", kilograms, moved)

    def frame(random: Random) -> calibrate.Fit:
        moved = [0.02 + 9.81 * kg / 400 + 0.002 * random.normal() for kg in kilograms]
        return calibrate.stiffness("machine.frame_stiffness_n_mm", kilograms, moved)

    def lamp(random: Random) -> calibrate.Fit:
        name = "exposure.irradiance_mw_cm2"
        return calibrate.direct(name, (4.0 * noisy(random, 0.06, 9)).round(2).tolist())

    assert covers(film, "machine.film_compliance_mm_n", 0.02) >= COVERED
    assert covers(frame, "machine.frame_stiffness_n_mm", 400.0) >= COVERED
    assert covers(lamp, "exposure.irradiance_mw_cm2", 4.0) >= COVERED


def test_a_bent_strip_is_read_as_the_handbook_says() -> None:
    # REFERENCES of beam tables (Roark / Timoshenko, from memory): E = 1000 MPa, d = 0.8 mm and
    # L = 20 mm bend by 1.326 mm under 0.01 N; a strip of the same second moment bends alike.
    thickness = (12 * 0.020106 / 2.0) ** (1 / 3)
    grams = 0.01 / 9.81e-3
    strip = calibrate.Strip(20.0, 2.0, thickness, (grams,), (1.326,))
    found = calibrate.green_modulus([strip] * 3)
    assert found["resin.green_modulus_mpa"].value == pytest.approx(1000.0, rel=1e-3)
    # Beyond a tenth of its length the formula does not hold: such a reading is not used.
    far = calibrate.Strip(20.0, 2.0, thickness, (10 * grams,), (9.0,))
    assert not calibrate.green_modulus([far] * 3).constants


def swapped(value: float) -> list[float]:
    """Values with two neighbouring digits exchanged, far enough from the first to matter."""
    others = [v for v in robust.retyped(value) if 0.2 < v / value < 5.0]
    return [v for v in others if abs(math.log(v / value)) > 0.4]


def test_swapped_digits_are_noticed_and_named() -> None:
    random = np.random.default_rng(10)
    tried = noticed = 0
    for _ in range(60):
        thickness = coins(random, 0.04)
        i, j = int(random.integers(2, 8)), int(random.integers(2))
        for typed in swapped(thickness[i][j]):
            wrong = [list(of) for of in thickness]
            wrong[i][j] = typed
            found = calibrate.working_curve(SECONDS, wrong, irradiance_mw_cm2=4.0)
            tried += 1
            noticed += f"coin {i + 1}, thickness_mm {j + 1}" in [d.row for d in found.doubts]
    assert tried > 20
    assert noticed >= 0.90 * tried, (noticed, tried)


def test_what_was_meant_is_asked() -> None:
    found = calibrate.bond([10.0] * 5, [1.21, 1.18, 12.4, 1.19, 1.23])
    (doubt,) = found.doubts
    assert doubt.row == "bond disc 3, pull_kg"
    assert doubt.message == "12.4 kg where the other rows say about 1.2; was 1.24 meant?"
    assert found["resin.plate_bond_kpa"].value == pytest.approx(150.1, rel=0.01)


def test_few_pieces_are_refused_with_what_to_print() -> None:
    for found, print_ in (
        (calibrate.bond([10.0], [1.2]), "bond-disc.stl"),
        (calibrate.green_strength([4.0], [2.0], [16.0]), "dumb-bell.stl"),
        (calibrate.green_modulus([]), "strip.stl"),
        (calibrate.edge([]), "edge-comb.stl"),
        (calibrate.stiffness("machine.film_compliance_mm_n", [1.0], [1.0]), "dial gauge"),
    ):
        assert not found.constants
        assert print_ in found.missing[0].remedy
    with pytest.raises(vw.OptionError, match="1 and 2 numbers"):
        calibrate.bond([10.0], [1.2, 1.3])


def test_fits_add_up_and_are_written_as_a_setup() -> None:
    bond = calibrate.bond([10.0] * 5, [1.2, 1.18, 1.24, 1.19, 1.23])
    lamp = calibrate.direct("exposure.irradiance_mw_cm2", [4.1, 3.9, 4.0, 4.05])
    both = bond + lamp
    text = both.to_toml()
    assert text.startswith("[exposure]\n# 4 readings")
    low, high = both.intervals["resin"]["plate_bond_kpa"]
    assert f"[intervals.resin]\nplate_bond_kpa = [{low:.6g}, {high:.6g}]" in text
    with pytest.raises(vw.OptionError, match="twice"):
        _ = both + lamp


def test_intervals_take_the_place_of_those_of_the_same_constants() -> None:
    lamp = calibrate.direct("exposure.irradiance_mw_cm2", [4.1, 3.9, 4.0, 4.05])
    ((low, high),) = lamp.intervals["exposure"].values()
    chosen = calibrate.Constant("machine.separation_area_mm2", 300.0, 300.0, 300.0, "chosen")
    base = vw.Setup.from_toml(
        "[intervals.exposure]\nirradiance_mw_cm2 = [1.0, 9.0]\nedge_blur_mm = [0.01, 0.04]\n"
        "[intervals.machine]\nseparation_area_mm2 = [50.0, 150.0]\n"
    )
    mine = (lamp + calibrate.Fit((chosen,))).setup(base)
    assert mine.machine.separation_area_mm2 == 300.0
    assert mine.exposure.irradiance_mw_cm2 == lamp["exposure.irradiance_mw_cm2"].value
    exposure = {"irradiance_mw_cm2": (low, high), "edge_blur_mm": (0.01, 0.04)}
    assert mine.intervals["exposure"] == exposure
    assert not mine.intervals.get("machine")
    assert vw.Setup.from_toml(mine.to_toml()) == mine
