"""The demo scenario: a model-railway museum's workshop prepares an evening's plates.

Run it as ``python -m vatwright.demo FOLDER``. All models are made by this package.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import vatwright as vw
from vatwright import plates, shapes, terminal

__all__ = ["main", "models"]


def models() -> dict[str, dict[str, vw.Solid]]:
    """The scenario's models: station figures, a signal-lamp lens, a station-clock gear."""
    figures = {f"figure-{seed}": shapes.figure(seed, 32.0, 20_000) for seed in range(1, 4)}
    figures["station-master"] = shapes.figure(4, 60.0, 40_000)
    figures["figure-of-shells"] = shapes.figure_of_shells(7, 32.0, 20_000)
    lens = shapes.plano_convex(20.0, 18.0, 5.0, 96)
    return {
        "figures": figures,
        "fine": {"signal-lens": lens, "clock-gear": shapes.gear(1.0, 24, 5.0, 6.0)},
    }


def recipes() -> dict[str, vw.Recipe]:
    """Figures are hollowed and vented; a lens and a gear stay solid."""
    orient = vw.Orient(directions=90, refine=4)
    stand = [vw.Raft(margin_mm=4.0), vw.Support(), vw.Check()]
    return {
        "figures": vw.Recipe([orient, vw.Hollow(wall_mm=2.0), vw.Vent(), *stand]),
        "fine": vw.Recipe([orient, *stand]),
    }


def main(folder: Path) -> int:
    """Makes the models, prepares them into plates and says what came out."""
    start = time.perf_counter()
    setup = vw.Setup.load("desk-50um")
    (folder / "models").mkdir(parents=True, exist_ok=True)
    batches = []
    for kind, solids in models().items():
        paths = [folder / "models" / f"{name}.stl" for name in solids]
        for path, solid in zip(paths, solids.values(), strict=True):
            solid.mesh.save(path)
        batches.append(vw.batch(paths, recipes()[kind], setup, out=folder / kind))
    outcomes = [o for b in batches for o in b.outcomes]
    parts = [p for b in batches for p in b.parts()]
    packed = vw.Pack(rounds=200).apply(parts, setup)
    print(f"{'model':20}{'outcome':10}{'s':>7}{'findings':>10}  gravest")
    for outcome in outcomes:
        name, row = Path(outcome.source).stem, outcome
        print(f"{name:20}{row.status:10}{row.seconds:7.2f}{row.findings:10}  {row.worst}")
        if not outcome.ok:
            print(f"  {outcome.message}")
    before = [r for b in batches for r in b.reports()]
    estimate = vw.Estimate(clear=["signal-lens"])
    report = plates.save(packed, setup, folder, before=before, outcomes=outcomes, estimate=estimate)
    print()
    terminal.show(report)
    print(f"{time.perf_counter() - start:.1f} s; begin with {folder / 'index.html'}")
    for caution in vw.CAUTIONS:
        print(f"- {caution}")
    return 0 if all(outcome.ok for outcome in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1] if len(sys.argv) > 1 else "out/demo")))
