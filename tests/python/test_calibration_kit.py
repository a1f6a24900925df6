"""The prints, the form, the log and the command of an evening of calibration."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal, stats  # type: ignore[import-untyped]
from test_calibrate import printed

import vatwright as vw
from vatwright.calibrate import evaluate, form, kit, peaks, read_log, sheet
from vatwright.cli import main
from vatwright.words import html

PIECES = {piece.name: piece for piece in kit.PIECES}


def made(name: str, setup: vw.Setup) -> vw.Solid:
    return PIECES[name].make(setup)


@pytest.mark.parametrize("name", vw.BUILT_IN)
def test_the_kit_is_solid_and_fits_the_plate(name: str) -> None:
    setup = vw.Setup.load(name)
    count: dict[str, int] = {}
    for _, plate in kit.plates(setup):
        assert plate.height_mm <= setup.machine.height_mm
        low, high = plate.bounds
        assert min(low[:2]) >= 0.0
        assert high[0] <= setup.machine.width_mm
        assert high[1] <= setup.machine.depth_mm
        for placed in plate.placed:
            count[placed.part.name] = count.get(placed.part.name, 0) + 1
    assert count == {piece.name: piece.copies for piece in kit.PIECES}
    for piece in kit.PIECES:
        # Reference: trimesh says that each is one closed body.
        mesh = piece.make(setup).mesh.to_trimesh()
        assert mesh.is_watertight
        assert mesh.body_count == 1


def polygon(sides: int) -> float:
    """Area of a polygon of that many sides in a circle of radius 1."""
    return sides / 2 * math.sin(2 * math.pi / sides)


def test_pieces_have_the_volumes_of_their_formulas(setup: vw.Setup) -> None:
    # Frustum πh(R² + Rr + r²)/3, with the area of a polygon of 96 sides for π.
    around = polygon(96)
    tooth = around * 5.0 * (64.0 + 24.0 + 9.0) / 3
    assert made("tower", setup).volume_mm3 == pytest.approx(4 * tooth + around * 64.0, rel=1e-9)
    bond = around * (25 * 1.5 + (25 + 10 + 4) + 4 * 3.5 + 2.5 * (4 + 9 + 20.25) / 3 + 20.25)
    assert made("bond-disc", setup).volume_mm3 == pytest.approx(bond, rel=1e-9)
    base, up = 42 * 26 * 1.0, 1.5
    pins = sum(polygon(64) * (d / 2) ** 2 * up for d in kit.FEATURES["pin"])
    ribs = sum(w * 5 * up for w in kit.FEATURES["rib"])
    holes = sum(polygon(64) * (d / 2) ** 2 for d in kit.FEATURES["hole"])
    slots = sum(w * 5 for w in kit.FEATURES["slot"])
    stairs = sum(7 * 4 * 2 ** (i + 1) * 0.05 for i in range(5))
    comb = made("edge-comb", setup).volume_mm3
    assert comb == pytest.approx(base + pins + ribs - holes - slots + stairs, rel=1e-6)


def test_features_are_whole_pixels_and_teeth_whole_layers() -> None:
    for name in vw.BUILT_IN:
        setup = vw.Setup.load(name)
        for size in (0.3, 0.5, 1.0, 3.0):
            pairs = kit.drawn(size, setup) / (2 * setup.machine.pixel_mm)
            assert pairs == pytest.approx(round(pairs))
            assert pairs >= 1
    setup = vw.Setup.load("desk-50um")
    layers = vw.Part(made("depth-comb", setup)).layers(setup, pitch_mm=0.05)
    area = layers.survey().sections()["area_mm2"]
    teeth = np.diff(np.flatnonzero(np.diff(np.r_[0, area[20:] > area[30], 0]))).tolist()[::2]
    assert teeth == list(kit.COMB_LAYERS)


def test_the_tower_tells_area_speed_and_drift_apart(setup: vw.Setup) -> None:
    area, speed, counts = kit.tower_rows(setup)
    z = (np.arange(len(area)) + 0.5) * 0.05
    radius = np.where(z < 1.0, 8.0, 3.0 + np.mod(z - 1.0, 5.0))
    assert area == pytest.approx(polygon(96) * radius**2, rel=5e-3)
    used = counts > 0
    assert 380 < used.sum() < 400
    x, y, t = np.log(area[used]), np.log(speed[used]), np.flatnonzero(used)
    # Reference: scipy.stats.pearsonr; r widens an interval by 1/√(1 − r²), here by 3 % at most.
    for a, b, most in ((x, y, 0.1), (y, t, 0.1), (y, (t - t.mean()) ** 2, 0.1), (x, t, 0.25)):
        assert abs(stats.pearsonr(a, b).statistic) < most
    assert set(speed.tolist()) == {0.5, 2.0}


def test_an_empty_form_is_read_as_it_was_written(setup: vw.Setup) -> None:
    filled = form.read(form.write(setup))
    assert list(filled) == [section.name for section in form.SECTIONS]
    for section in form.SECTIONS:
        rows = [{c.name: [] for c in section.columns} | row for row in section.rows(setup)]
        assert filled[section.name] == rows
    found = evaluate(filled, setup)
    assert not found.constants
    assert found.notes[0].startswith("not measured: peel")
    # What settles most comes first.
    first = [name for section in form.SECTIONS[:5] for name in section.constants]
    most = ("machine.separation_kpa", "resin.critical_mj_cm2", "resin.plate_bond_kpa")
    assert {*most, "resin.green_strength_mpa"} < {*first}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[coins]", "form: .*commas"),
        ("[[coinz]]", "no section 'coinz'; there are peel, lamp, coins"),
        ("coins = 3", r"each under \[\[coins\]\]"),
        ("coins = [3]", "coins 1 is no row"),
        ("[[coins]]\nexposure = 3", "coins 1 has no exposure; there are exposure_s, thickness_mm"),
        ("[[coins]]\nexposure_s = 'x'", "coins 1: exposure_s is a number, not 'x'"),
        ("[[coins]]\nthickness_mm = [1]", r"coins 1: exposure_s is a number, not \[\]"),
        ("[[coins]]\nexposure_s = 3\nthickness_mm = [0]", "leave it empty"),
        ("[[coins]]\nexposure_s = 3\nthickness_mm = [nan]", "leave it empty"),
        ("[[edge]]\nexposure_s = 3\ndrawn_mm = 1\nkind = 2", "kind is a word"),
        (f"[[lamp]]\nirradiance_mw_cm2 = {[1] * 200}", "more than 100 readings"),
    ],
)
def test_what_no_form_has_is_refused_by_its_place(text: str, said: str) -> None:
    with pytest.raises(vw.ConfigError, match=said):
        form.read(text)


# A machine and a resin as nobody knows them, and readings of them.
DP, EC, LAMP = 0.15, 9.0, 4.4
BLUR, TAIL, SHARE = 0.035, 0.12, 0.2
STRESS, A, N = 6.0, 0.6, 0.4
"""kPa at 100 mm² and 1 mm/s, and exponents of area and speed."""
COMPRESSED = 0.995
"""What is left of a length, beside what light adds to it."""


def pull_n(area: Any, speed: Any) -> Any:
    return STRESS * 0.1 * (area / 100.0) ** A * speed**N


def read_off(  # noqa: PLR0911
    section: str, row: dict[str, Any], r: np.random.Generator
) -> dict[str, Any]:
    """Readings of a row, by the laws' own formulas and a normal quantile of scipy."""

    def near(value: float, share: float, n: int = 1, digits: int = 3) -> list[float]:
        return np.round(value * np.exp(share * r.normal(size=n)), digits).tolist()  # type: ignore[no-any-return]

    if section == "lamp":
        return {"irradiance_mw_cm2": near(LAMP, 0.04, 9, 2)}
    if section == "coins":
        depth = DP * math.log(LAMP * row["exposure_s"] / EC) * math.exp(0.03 * r.normal())
        return {"thickness_mm": near(depth, 0.01, 2) if depth > 0.02 else []}
    if section == "depth_comb":
        n, h, e0 = row["layers"], 0.05, LAMP * 3.0
        more = math.log(e0 / EC * -math.expm1(-n * h / DP) / math.expm1(h / DP))
        return {"thickness_mm": near(n * h + DP * more, 0.02, 2)}
    if section == "edge":
        # Doses of layers add up; where the edges lie is found by scipy's distributions and root.
        ratio = LAMP * row["exposure_s"] / EC * math.exp(-0.025 / DP) / -math.expm1(-0.05 / DP)
        left = printed(row["kind"], row["drawn_mm"], ratio, (BLUR, TAIL, SHARE))
        if left < 0.1:
            return {"measured_mm": []}
        size = left - (1.0 - COMPRESSED) * row["drawn_mm"]
        return {"measured_mm": np.round(size + 0.01 * r.normal(size=1), 2).tolist()}
    if section == "bond":
        return {"diameter_mm": [10.2], "pull_kg": near(0.12 * math.pi / 4 * 10.2**2 / 9.81, 0.08)}
    if section == "dumb_bells":
        sizes = {"width_mm": [4.05], "thickness_mm": [2.02]}
        return sizes | {"pull_kg": near(25.0 * 4.05 * 2.02 / 9.81, 0.06)}
    if section == "strips":
        bent = 4e-3 * row["load_g"] * 9.81 * 40**3 / (800.0 * 6.0 * 1.5**3)
        sizes = {"width_mm": [6.0], "thickness_mm": [1.5]} if row["load_g"] == 5.0 else {}
        return sizes | {"deflection_mm": near(bent, 0.03, digits=2)}
    if section == "film":
        return {"moved_mm": [round(0.1 + 0.03 * 9.81 * row["load_kg"] + 0.004 * r.normal(), 3)]}
    if section == "frame":
        return {"moved_mm": [round(0.02 + 9.81 * row["load_kg"] / 300 + 1e-3 * r.normal(), 3)]}
    if section == "density":
        return {"liquid_g_cm3": near(1.12, 0.005, 3), "cured_g_cm3": near(1.19, 0.005, 3)}
    area = math.pi / 4 * row["diameter_mm"] ** 2
    return {"pull_kg": near(pull_n(area, row["lift_speed_mm_s"]) / 9.81, 0.05, 3)}


Change = Callable[[str, int, dict[str, Any]], dict[str, Any]]


def filled(
    setup: vw.Setup, seed: int, *, without: tuple[str, ...] = (), change: Change | None = None
) -> str:
    """The text of a form that somebody filled in."""
    random = np.random.default_rng(seed)
    lines = []
    for section in form.SECTIONS:
        for i, given in enumerate(section.rows(setup)):
            row = given | (read_off(section.name, given, random))
            row = change(section.name, i, row) if change else row
            lines.append(f"[[{section.name}]]")
            for name, value in row.items():
                if name in given or section.name not in without:
                    lines.append(f"{name} = {json.dumps(value)}")
    return "\n".join(lines)


TRUTH = {
    "exposure.irradiance_mw_cm2": LAMP,
    "resin.penetration_mm": DP,
    "resin.critical_mj_cm2": EC,
    "exposure.edge_blur_mm": BLUR,
    "exposure.edge_tail_mm": TAIL,
    "exposure.edge_tail_share": SHARE,
    "resin.plate_bond_kpa": 120.0,
    "resin.green_strength_mpa": 25.0,
    "resin.green_modulus_mpa": 800.0,
    "machine.film_compliance_mm_n": 0.03,
    "machine.frame_stiffness_n_mm": 300.0,
    "resin.liquid_g_cm3": 1.12,
    "resin.cured_g_cm3": 1.19,
    "machine.separation_speed_exponent": N,
}


def test_a_filled_form_covers_what_it_was_read_off(setup: vw.Setup) -> None:
    held: dict[str, int] = {}
    trials = 20
    for seed in range(trials):
        found = evaluate(form.read(filled(setup, seed)), setup)
        assert [m.name for m in found.missing] == ["machine.separation_area_exponent"]
        assert "tower" in found.missing[0].remedy
        for constant in found.constants:
            if constant.name in TRUTH:
                covers = constant.low <= TRUTH[constant.name] <= constant.high
                held[constant.name] = held.get(constant.name, 0) + covers
    assert set(held) == set(TRUTH)
    # Nine of ten for all together; sixteen of twenty for one leaves it 1 chance in 400 to fail.
    assert sum(held.values()) >= 0.9 * trials * len(held), held
    assert min(held.values()) >= 16, held


def test_without_coins_the_depth_comb_tells_the_working_curve(setup: vw.Setup) -> None:
    found = evaluate(form.read(filled(setup, 3, without=("coins",))), setup)
    assert found["resin.penetration_mm"].low <= DP <= found["resin.penetration_mm"].high
    assert found["resin.critical_mj_cm2"].low <= EC <= found["resin.critical_mj_cm2"].high
    both = evaluate(form.read(filled(setup, 3)), setup)
    assert any("as the coins do" in note for note in both.notes)


def test_a_slip_in_the_form_is_named_by_its_row(setup: vw.Setup) -> None:
    def slip(section: str, i: int, row: dict[str, Any]) -> dict[str, Any]:
        if (section, i) == ("coins", 4):  # its first two decimals swapped
            text = f"{row['thickness_mm'][1]:.3f}"
            return row | {"thickness_mm": [row["thickness_mm"][0], float(f"0.{text[3]}{text[2]}")]}
        return row | {"pull_kg": [10 * row["pull_kg"][0]]} if (section, i) == ("bond", 3) else row

    found = evaluate(form.read(filled(setup, 4, change=slip)), setup)
    assert {d.row for d in found.doubts} >= {"coin 5, thickness_mm 2", "bond 4, pull_kg"}


def test_sizes_left_empty_are_asked_for(setup: vw.Setup) -> None:
    def bare(section: str, i: int, row: dict[str, Any]) -> dict[str, Any]:
        return row | {"diameter_mm": []} if (section, i) == ("bond", 1) else row

    with pytest.raises(vw.ConfigError, match="bond 2: diameter_mm is empty"):
        evaluate(form.read(filled(setup, 5, change=bare)), setup)


def wave(force_n: np.ndarray, random: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A signal of ten samples a second: each layer pulls once, the zero creeps."""
    cycle = 80
    samples = np.zeros(cycle * len(force_n))
    rise = np.r_[np.linspace(0, 1, 6), np.linspace(1, 0, 3)[1:]]
    for k, force in enumerate(force_n):
        start = k * cycle + 20 + int(random.integers(0, 10))
        samples[start : start + len(rise)] = force * rise
    time = np.arange(len(samples)) / 10.0
    creep = 0.3 + 0.2 * np.sin(time / 900.0)
    return time, samples + creep + 0.004 * random.normal(size=len(samples))


def test_peaks_are_found_in_a_signal_whose_zero_creeps() -> None:
    random = np.random.default_rng(6)
    force = random.uniform(0.2, 1.0, size=150)
    time, samples = wave(force, random)
    at, height = peaks(time, samples)
    # Reference: scipy.signal.find_peaks, told of height and distance.
    expected, _ = signal.find_peaks(samples - signal.medfilt(samples, 401), height=0.1, distance=40)
    assert at.tolist() == time[expected].tolist()
    assert height == pytest.approx(force, abs=0.03)


def csv(path: Path, head: str, *columns: Any, mark: str = ",", point: str = ".") -> Path:
    rows = zip(*columns, strict=True)
    lines = [mark.join(f"{v:.6g}".replace(".", point) for v in row) for row in rows]
    path.write_text("\n".join([head, *lines]) + "\n")
    return path


def test_a_log_of_the_tower_gives_both_exponents(tmp_path: Path, setup: vw.Setup) -> None:
    random = np.random.default_rng(7)
    area, speed, _ = kit.tower_rows(setup)
    creep = np.linspace(-0.1, 0.15, len(area))
    force = pull_n(area, speed) * np.exp(0.06 * random.normal(size=len(area)) + creep)
    layers = np.arange(len(area))
    time, samples = wave(force, random)
    logs = [
        csv(tmp_path / "signal.csv", "time_s,force_n", time, samples),
        csv(
            tmp_path / "rows.csv", "Layer;Force_N;note", layers, force, layers, mark=";", point=","
        ),
        csv(tmp_path / "all.csv", "force_n,area_mm2,speed_mm_s", force, area, speed),
    ]
    for path in logs:
        log = read_log(path, setup)
        found = evaluate({}, setup, log=log)
        assert not found.missing
        machine = found.values["machine"]
        assert machine["separation_area_exponent"] == pytest.approx(A, abs=0.05)
        assert machine["separation_speed_exponent"] == pytest.approx(N, abs=0.05)
        a0, v0 = machine["separation_area_mm2"], machine["separation_speed_mm_s"]
        stress = found["machine.separation_kpa"]
        assert stress.value == pytest.approx(1e3 * pull_n(a0, v0) / a0, rel=0.05)
        assert any("drift" in note for note in found.notes)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1: no column force_n"),
        ("time_s,load\n1,2\n", "line 1: no column force_n"),
        ("force_n\n1\n", "neither time_s nor layer"),
        ("layer,force_n\n1,2\n2,x\n", "line 3: could not convert string to float: 'x'"),
        ("layer,force_n\n1\n", "line 2"),
        ("layer,force_n\n1,nan\n", "not all of it are numbers"),
        ("layer,force_n\n4000,1\n", "layer 4000 of a tower of 420 layers"),
        ("layer,force_n\n1e300,1\n", "of a tower of 420 layers"),
        ("layer,force_n\n-3,1\n", "layer -3 of a tower"),
        (f"layer,force_n\n{'1' * 200_000},1\n", "line 2"),
        ("time_s,force_n\n", "no rows"),
        ("time_s,force_n\n1,0\n2,5\n3,0\n", "0 peaks|1 peaks"),
    ],
)
def test_a_log_that_cannot_be_read_says_where(
    text: str, said: str, tmp_path: Path, setup: vw.Setup
) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(vw.FormatError, match=said):
        read_log(path, setup)


def test_the_sheet_says_what_to_measure_and_what_to_beware(setup: vw.Setup) -> None:
    page = sheet.to_html(setup)
    for caution in vw.CAUTIONS:
        assert html(caution) in page
    assert "<script" not in page
    assert "://" not in page
    for section in form.SECTIONS:
        assert f'id="{section.name}"' in page
        assert all(name in page for name in section.constants)
    stretches = list(sheet.speeds(setup))
    assert stretches[0][0] == 0
    assert stretches[-1][1] == 419
    assert f"<td class='n'>0–{stretches[0][1]}</td>" in page


def test_the_command_makes_a_kit_and_fits_its_form(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "evening"
    assert main(["calibrate", "kit", "--setup", "desk-35um", "--out", str(out)]) == 0
    names = {path.name for path in out.iterdir()}
    assert {f"{piece.name}.stl" for piece in kit.PIECES} < names
    assert {"plate tower.3mf", "plate 1.3mf", "sheet.html", "form.toml", "setup.toml"} < names
    setup = vw.Setup.load(out / "setup.toml")
    assert setup == vw.Setup.load("desk-35um")
    capsys.readouterr()

    assert main(["calibrate", "fit", str(out / "form.toml")]) == 2
    assert "not measured: peel" in capsys.readouterr().out
    (out / "form.toml").write_text(filled(setup, 8, without=("peel",)))
    made, log = out / "mine.toml", out / "log.csv"
    area, speed, _ = kit.tower_rows(setup)
    force = pull_n(area, speed) * np.exp(0.05 * np.random.default_rng(9).normal(size=len(area)))
    csv(log, "layer,force_n", np.arange(len(area)), force)
    words = [str(out / "form.toml"), "--log", str(log), "--out", str(made)]
    assert main(["calibrate", "fit", *words]) == 0
    told = capsys.readouterr().out
    assert "resin.penetration_mm" in told
    mine = vw.Setup.load(made)
    assert mine.resin.penetration_mm == pytest.approx(DP, rel=0.1)
    assert mine.exposure.edge_blur_mm == pytest.approx(BLUR, rel=0.3)
    machine = mine.machine
    assert machine.separation_area_exponent == pytest.approx(A, abs=0.05)
    assert machine.separation_speed_exponent == pytest.approx(N, abs=0.05)
    assert machine.lift_speed_mm_s == setup.machine.lift_speed_mm_s
    for section in ("machine", "resin", "exposure"):
        for name, (low, high) in mine.intervals[section].items():
            assert low <= getattr(getattr(mine, section), name) <= high
    assert "separation_speed_exponent" in mine.intervals["machine"]
    # A form that somebody filled in is not written over.
    assert main(["calibrate", "kit", "--setup", "desk-35um", "--out", str(out)]) == 0
    assert "kept" in capsys.readouterr().err
    assert "0." in (out / "form.toml").read_text()


def test_the_command_refuses_what_is_no_form(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "form.toml"
    assert main(["calibrate", "fit", str(path)]) == 2
    path.write_bytes(b" " * (2 << 20))
    assert main(["calibrate", "fit", str(path)]) == 2
    assert "larger than any form" in capsys.readouterr().err
    path.write_text("[[coinz]]")
    assert main(["calibrate", "fit", str(path), "--setup", "desk-50um"]) == 2
    assert "coinz" in capsys.readouterr().err
