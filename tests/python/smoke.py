"""What an installed package must do, without a test runner: `make wheels` runs it in an empty
environment that holds the wheel alone."""

import subprocess
import sys
import tempfile
from pathlib import Path

import vatwright as vw

here = Path(vw.__file__).resolve()
assert "site-packages" in here.parts, f"{here} is not installed"
with tempfile.TemporaryDirectory() as folder:
    model = Path(folder) / "peg.stl"
    vw.shapes.cuboid(4.0, 4.0, 6.0).mesh.save(model)
    night = Path(folder) / "night"
    command = Path(sys.executable).with_name("vatwright")
    runs: list[list[str | Path]] = [
        [command, "--version"],
        [sys.executable, "-I", "-m", "vatwright", "explain", "cup"],
        [command, "prepare", model, "--out", night, "--set", "orient.directions=12"],
    ]
    for words in runs:
        subprocess.run(words, check=True)
    made = {path.name for path in night.iterdir()}
    assert {"plate 1.3mf", "plate 1.stl", "index.html", "report.json"} <= made, made
    assert vw.report.load(night / "report.json").worst != "fault"
print(f"vatwright {vw.__version__} on Python {sys.version.split()[0]}: it works")
