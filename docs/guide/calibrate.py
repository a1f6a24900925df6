"""Draws calibrate.png: the pieces of an evening, and what readings of three of them come to.

The readings are made up, with the scatter that such readings have. Run with the file to write:
python docs/guide/calibrate.py docs/guide/calibrate.png
"""

from __future__ import annotations

import io
import math
import sys
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

import vatwright as vw
from vatwright import calibrate
from vatwright.calibrate import kit

INK, FIT, OUT = "#1f6f8b", "#c2703d", "#94162c"


def coins(ax: Any, random: np.random.Generator) -> None:
    """Thickness over dose, a slip among the readings."""
    seconds = [3.0 * factor for factor in kit.COIN_TIMES]
    depth = [0.12 * math.log(4.0 * s / 6.0) * math.exp(0.05 * random.normal()) for s in seconds]
    read = [[round(d * math.exp(0.01 * random.normal()), 3) for _ in range(2)] for d in depth]
    read[4][1] = float(f"{read[4][1]:.3f}"[:2] + "".join(f"{read[4][1]:.3f}"[i] for i in (3, 2, 4)))
    found = calibrate.working_curve(seconds, read, irradiance_mw_cm2=4.0)
    dp, ec = found["resin.penetration_mm"], found["resin.critical_mj_cm2"]
    dose = 4.0 * np.repeat(seconds, 2)
    ax.semilogx(dose, np.ravel(read), "o", color=INK, ms=4)
    (doubt,) = found.doubts
    ax.plot(4.0 * seconds[4], read[4][1], "x", color=OUT, ms=10, label=f"in doubt: {doubt.row}")
    line = np.geomspace(ec.value, 220.0)
    ax.plot(line, dp.value * np.log(line / ec.value), color=FIT)
    ax.axvspan(ec.low, ec.high, color=FIT, alpha=0.25, lw=0)
    title = f"Dp {1e3 * dp.low:.0f}–{1e3 * dp.high:.0f} µm, Ec {ec.low:.1f}–{ec.high:.1f} mJ/cm²"
    ax.set(xlabel="dose, mJ/cm²", ylabel="coin, mm", title=title, ylim=(0, None))
    ax.legend(frameon=False, fontsize=8)


def tower(ax: Any, random: np.random.Generator, setup: vw.Setup) -> None:
    """Force over section at two lift speeds."""
    area, speed, counts = kit.tower_rows(setup)
    used = counts > 0
    area, speed, order = area[used], speed[used], np.flatnonzero(used)
    force = 0.6 * (area / 100) ** 0.6 * speed**0.4
    force *= np.exp(0.06 * random.normal(size=len(area)) + np.linspace(-0.1, 0.1, len(area)))
    found = calibrate.peel(force, area_mm2=area, speed_mm_s=speed, order=order)
    machine = found.values["machine"]
    a0, v0 = machine["separation_area_mm2"], machine["separation_speed_mm_s"]
    a, n = (found[f"machine.separation_{x}_exponent"] for x in ("area", "speed"))
    line = np.geomspace(area.min(), area.max())
    for v, colour in zip(sorted(set(speed)), (INK, FIT), strict=True):
        ax.loglog(area[speed == v], force[speed == v], ".", color=colour, ms=3)
        pull = 1e-3 * machine["separation_kpa"] * a0
        fit = pull * (line / a0) ** a.value * (v / v0) ** n.value
        ax.plot(line, fit, color=colour, label=f"{v:g} mm/s")
    ax.set_xticks([30, 60, 100, 200], ["30", "60", "100", "200"])
    ax.set_yticks([0.2, 0.4, 0.8, 1.2], ["0.2", "0.4", "0.8", "1.2"])
    ax.minorticks_off()
    title = f"a {a.low:.2f}–{a.high:.2f}, n {n.low:.2f}–{n.high:.2f}"
    ax.set(xlabel="section of the tower, mm²", ylabel="peak pull, N", title=title)
    ax.legend(frameon=False, fontsize=8)


def edges(ax: Any, random: np.random.Generator, setup: vw.Setup) -> None:
    """What pins and ribs gain, and holes and slots lose."""
    features = []
    for ratio in (2.0, 8.0):
        for kind, sizes in kit.FEATURES.items():
            for size in sizes:
                drawn = kit.drawn(size, setup)
                grown = 2 * 0.035 * (0.0 if ratio == 2.0 else 1.1503)
                sign = 1 if kind in ("pin", "rib") else -1
                read = round(0.995 * drawn + sign * grown + 0.012 * random.normal(), 2)
                features.append(calibrate.Feature(kind, drawn, (read,), ratio))
    blur = calibrate.edge(features)["exposure.edge_blur_mm"]
    for ratio, colour in ((2.0, INK), (8.0, FIT)):
        of = [f for f in features if f.dose_ratio == ratio]
        off = [1e3 * (f.measured_mm[0] - f.drawn_mm) for f in of]
        ax.plot([f.drawn_mm for f in of], off, "o", color=colour, ms=4, label=f"E = {ratio:g} Ec")
    title = f"blur {1e3 * blur.low:.0f}–{1e3 * blur.high:.0f} µm"
    ax.set(xlabel="in the model, mm", ylabel="printed beyond it, µm", title=title)
    ax.axhline(0, color="0.6", lw=0.8)
    ax.legend(frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0.4, 0.62))


def main(path: str) -> None:
    """Draws the pieces and three fits."""
    setup, random = vw.Setup.load("desk-50um"), np.random.default_rng(3)
    drawn = plt.figure(figsize=(11, 6.2), layout="constrained")
    above, below = drawn.subfigures(2, 1, height_ratios=(1, 1.35))
    for ax, piece in zip(above.subplots(1, 8), kit.PIECES, strict=True):
        png = vw.Part(piece.make(setup)).picture(size_px=300, elevation_deg=30.0)
        ax.imshow(plt.imread(io.BytesIO(png)))
        ax.set_title(piece.name, fontsize=9)
        ax.axis("off")
    curve, peel, edge = below.subplots(1, 3)
    coins(curve, random)
    tower(peel, random, setup)
    edges(edge, random, setup)
    for ax in (curve, peel, edge):
        ax.title.set_fontsize(10)
        ax.spines[["top", "right"]].set_visible(False)
    drawn.savefig(path, dpi=100)


if __name__ == "__main__":
    main(sys.argv[1])
