"""The command: what it prints, writes and returns."""

import subprocess
import sys
from pathlib import Path

import pytest
from shapes import box

import vatwright as vw
from vatwright import report as reports
from vatwright.cli import main


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
    assert picture in (out / "report.html").read_text()
    told = capsys.readouterr().out
    assert plates[0].stem in told
    assert f"{report.inner[-1].numbers['resin_total_ml']:.1f}" in told


def test_the_command_is_installed() -> None:
    command = Path(sys.executable).with_name("vatwright")
    done = subprocess.run([command, "--version"], capture_output=True, text=True, check=True)
    assert vw.__version__ in done.stdout
