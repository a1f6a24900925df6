"""The command: what it prints, writes and returns."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from shapes import box

import vatwright as vw
from vatwright import report as reports
from vatwright.cli import expand, main
from vatwright.options import Options


def finding(severity: str, part: str = "<part>") -> vw.Finding:
    return vw.Finding(
        code="cup",
        severity=severity,  # type: ignore[arg-type]
        part=part,
        layers=(3, 9),
        value=1.25,
        limit=0.5,
        unit="mm²",
        message="a void is sealed",
        remedy="vent it",
    )


def test_setups_and_recipes_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["setup"]) == 0
    assert capsys.readouterr().out.split() == list(vw.BUILT_IN)
    assert main(["setup", "desk-50um"]) == 0
    assert vw.Setup.from_toml(capsys.readouterr().out) == vw.Setup.load("desk-50um")
    assert main(["recipe"]) == 0
    assert vw.Recipe.from_toml(capsys.readouterr().out) == vw.Recipe()


def test_a_report_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "report.json"
    inner = vw.Report(pass_="check", part="lamp", numbers={"peak_n": 2.0}, words={"style": "x"})
    report = vw.Report(pass_="recipe", findings=[finding("warning")], inner=[inner])
    reports.save(report, path)
    assert reports.load(path) == report
    assert main(["show", str(path)]) == 0
    assert "peak_n" not in capsys.readouterr().out
    assert main(["show", str(path), "--numbers"]) == 0
    out = capsys.readouterr().out
    assert "peak_n = 2" in out
    assert "1.25 mm² (limit 0.5 mm²)" in out
    assert "a void is sealed → vent it" in out
    assert "3–9" in out
    page = tmp_path / "report.html"
    reports.save(report.replace(findings=[finding("fault")]), path)
    assert main(["show", str(path), "--html", str(page)]) == 1
    html = page.read_text()
    assert "&lt;part&gt;" in html
    assert "<part>" not in html
    assert "http" not in html  # nothing from elsewhere
    assert vw.CAUTIONS[0] in html or "data sheet" in html


def test_unreadable_input_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.stl"
    bad.write_bytes(b"")
    for arguments in (
        ["check", str(bad)],
        ["check", str(tmp_path / "absent.stl")],
        ["check", str(bad), "--setup", "no-such-setup"],
        ["show", str(bad)],
        ["prepare", str(bad), "--out", str(tmp_path / "out")],
        ["recipe", str(bad)],
    ):
        assert main(arguments) == 2
        assert "vatwright: " in capsys.readouterr().err
    with pytest.raises(SystemExit) as wrong:
        main(["no-such-command"])
    assert wrong.value.code == 2


def test_files_become_plates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = []
    for i in range(3):
        files.append(tmp_path / f"crate{i}.stl")
        box(6.0 + i).save(files[-1])
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(vw.Recipe([]).to_toml())
    out = tmp_path / "out"
    code = main(["prepare", *map(str, files), "--out", str(out), "--recipe", str(recipe)])
    assert code == 0
    plates = sorted(out.glob("*.3mf"))
    assert len(plates) == 1
    objects = vw.Mesh.load_all(plates[0])
    assert sorted(m.name for m in objects) == ["crate0", "crate1", "crate2"]
    assert plates[0].with_suffix(".stl").is_file()
    picture = plates[0].with_suffix(".svg").read_text()
    assert picture.count("<title>crate") == 3
    report = reports.load(out / "report.json")
    assert [r.pass_ for r in report.inner][-1] == "estimate"
    told = capsys.readouterr().out
    shown = reports.drawing_uri(picture)
    assert shown in (out / "report.html").read_text()
    again = tmp_path / "again.html"
    assert main(["show", str(out / "report.json"), "--html", str(again)]) == 0
    assert shown in again.read_text()
    assert plates[0].stem in told
    assert f"{report.inner[-1].numbers['resin_total_ml']:.1f}" in told


def test_a_model_becomes_a_picture(tmp_path: Path) -> None:
    box(8.0).save(tmp_path / "crate.stl")
    to = tmp_path / "crate.png"
    assert main(["picture", str(tmp_path / "crate.stl"), str(to), "--size-px", "64"]) == 0
    assert to.read_bytes().startswith(b"\x89PNG")


def test_the_command_is_installed() -> None:
    module: list[str | Path] = [sys.executable, "-m", "vatwright"]
    for command in ([Path(sys.executable).with_name("vatwright")], module):
        done = subprocess.run([*command, "--version"], capture_output=True, text=True, check=True)
        assert done.stdout == f"vatwright {vw.__version__}\n"


def test_check_goes_on_after_a_bad_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad, good = tmp_path / "torn.stl", tmp_path / "crate.stl"
    bad.write_bytes(b"")
    box(6.0).save(good)
    page = tmp_path / "report.json"
    code = main(["check", str(bad), str(tmp_path / "absent.stl"), str(good), "--report", str(page)])
    assert code == 1
    report = reports.load(page)
    assert [s["path"] for s in report.sources] == [str(bad), str(tmp_path / "absent.stl")]
    assert any(r.pass_ == "recipe" and r.inner[0].part == "crate" for r in report.inner)
    told = capsys.readouterr().out
    assert "the file is empty → export it again" in told
    assert "2 files: 2 failed" in told


def test_folders_and_patterns_are_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("crate.stl", "lamp.STL", "gear[1].stl", "deep/wheel.stl"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        box(6.0).save((tmp_path / name).with_suffix(".stl"))
        (tmp_path / name).with_suffix(".stl").rename(tmp_path / name)
    (tmp_path / "notes.txt").write_text("no model")
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(vw.Recipe([]).to_toml())

    for _ in range(2):  # the second time with the plates of the first in the folder
        main(["prepare", ".", "--out", ".", "--recipe", "recipe.toml"])
        names = [s["name"] for s in reports.load("report.json").sources]
        assert names == ["crate", "gear[1]", "lamp"]
    assert expand(["crate.stl", "./crate.stl", "c*.stl"]) == ["crate.stl"]
    assert expand(["gear[1].stl", "**/wheel.stl"]) == ["gear[1].stl", "deep/wheel.stl"]
    capsys.readouterr()
    (tmp_path / "empty").mkdir()
    for word in ("*.obj", "empty"):
        assert main(["prepare", word, "--out", "out"]) == 2
        assert word in capsys.readouterr().err
        assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("assignment", "said"),
    [
        ("hollow.wall=2", "wall_mm"),
        ("holow.wall_mm=2", "hollow"),
        ("repair.hole=2", "hole_mm"),
        ("repair.nothing_like_it=2", "weld_mm"),
        ("pack.gab_mm=2", "gap_mm"),
        ("limits.drain=2", "drain_s"),
        ("hollow.wall_mm=thick", "wall_mm"),
        ("orient.weights.cupz=1", "cups"),
        ("hollow.wall_mm", "section.option=value"),
        ("=", "section.option=value"),
    ],
)
def test_an_option_that_is_none_names_near_ones(
    assignment: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["prepare", str(tmp_path), "--out", str(out), "--set", assignment]) == 2
    told = capsys.readouterr().err
    assert f"--set {assignment}" in told
    assert said in told
    assert not out.exists()


def test_options_of_everything_are_set() -> None:
    options = Options(vw.Recipe(), vw.Setup.load("desk-50um"))
    options.set(
        [
            "hollow.wall_mm=1.8",
            'orient.goals=["time"]',
            "orient.weights.cups=2.5",
            "raft.style=net",
            "support.reach_mm=0.5",
            "support.reach_mm=none",
            "pack.copies.porter=12",
            "pack.keep_order=true",
            "estimate.night_h=10",
            "read.max_bytes=1000",
            "read.scale=0.5",
            "repair.hole_mm=4",
            "machine.width_mm=200",
            "limits.safety=3",
        ]
    )
    steps: dict[str, Any] = {step.name: step for step in options.recipe.passes}
    assert steps["hollow"] == vw.Hollow(wall_mm=1.8)
    assert steps["orient"].to_dict()["goals"] == ("time",)
    assert steps["orient"].to_dict()["weights"]["cups"] == 2.5
    assert steps["raft"].to_dict()["style"] == "net"
    assert steps["support"] == vw.Support()
    assert options.pack == vw.Pack(copies={"porter": 12}, keep_order=True)
    assert options.estimate == vw.Estimate(night_h=10.0)
    assert options.reading == {"max_bytes": 1000, "scale": 0.5}
    assert options.mending == {"hole_mm": 4}
    assert options.setup.machine.width_mm == 200.0
    assert options.setup.limits.safety == 3.0


def test_none_is_a_word_where_an_option_is_one() -> None:
    chosen = Options(vw.Recipe(), vw.Setup())
    chosen.set(["raft.style=none", "pack.plugs=none", "pack.band_mm=none"])
    (raft,) = [step for step in chosen.recipe.passes if isinstance(step, vw.Raft)]
    assert (raft.style, chosen.pack.plugs, chosen.pack.band_mm) == ("none", "none", None)


def test_an_interval_goes_when_another_value_is_set() -> None:
    options = Options(vw.Recipe(), vw.Setup.load("desk-50um"))
    known = options.setup.intervals
    low, high = known["machine"]["separation_kpa"]
    options.set([f"machine.separation_kpa={(low + high) / 2}"])
    assert options.setup.intervals == known
    options.set([f"machine.separation_kpa={high + 5}"])
    assert options.setup.machine.separation_kpa == high + 5
    assert "separation_kpa" not in options.setup.intervals["machine"]
    assert options.setup.intervals["resin"] == known["resin"]


def test_options_reach_the_work(tmp_path: Path) -> None:
    file, recipe = tmp_path / "crate.stl", tmp_path / "recipe.toml"
    box(30.0).save(file)
    recipe.write_text(vw.Recipe([]).to_toml())
    out = tmp_path / "out"
    words = [
        "pack.copies.crate=3",
        "estimate.price_per_kwh=1e6",
        "read.scale=0.5",
        "repair.hole_mm=4",
    ]
    sets = [word for text in words for word in ("--set", text)]
    assert main(["prepare", str(file), "--out", str(out), "--recipe", str(recipe), *sets]) == 0
    objects = vw.Mesh.load_all(out / "plate 1.3mf")
    assert [m.name for m in objects] == ["crate"] * 3
    assert objects[0].bounds[1][2] == pytest.approx(15.0)
    numbers = reports.load(out / "report.json").inner[-1].numbers
    assert numbers["price"] == pytest.approx(numbers["energy_kwh"] * 1e6, rel=1e-2)


INTERRUPT = """
import sys
import vatwright as vw
from vatwright.cli import expand, main
def stop(*_, **options):
    options["progress"]("3 of 8: lamp.stl", 0.4)
    raise KeyboardInterrupt
vw.prepare = stop
sys.exit(main(["prepare", sys.argv[1], "--out", "night"]))
"""


def test_an_interrupt_says_what_is_done_and_how_to_go_on(tmp_path: Path) -> None:
    box(6.0).save(tmp_path / "lamp.stl")
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPT, "lamp.stl"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 130
    assert "after 3 of 8: lamp.stl" in done.stderr
    assert "kept in night" in done.stderr
    assert "same command again" in done.stderr
