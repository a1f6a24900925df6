"""Draws supports.png: three parts on their supports, each bar coloured by its use.

Run with the file to write: python docs/guide/supports.py docs/guide/supports.png
"""

from __future__ import annotations

import sys

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

import vatwright as vw
from vatwright import plots


def about_x(deg: float) -> np.ndarray:
    """A turn about the x axis."""
    sin, cos = np.sin(np.radians(deg)), np.cos(np.radians(deg))
    return np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]])


def supported(body: vw.Solid, tilt_deg: float, name: str, setup: vw.Setup) -> vw.Part:
    """A part at a tilt on raft and supports."""
    part = vw.Part(body, name=name).turned(about_x(tilt_deg))
    part = vw.Raft().apply(part, setup).value
    done: vw.Done[vw.Part] = vw.Support().apply(part, setup)
    return done.value


def main(path: str) -> None:
    """Supports a platform figure, a clock's gear and a lamp's lens, and draws them."""
    setup = vw.Setup.load("desk-50um")
    parts = [
        supported(vw.shapes.figure(2, 40.0, 40_000), 20.0, "platform figure", setup),
        supported(vw.shapes.gear(1.0, 24, 5.0, 8.0), 0.0, "clock gear, flat", setup),
        supported(vw.shapes.biconvex(40.0, 40.0, 24.0, 6.0), 90.0, "lens on its rim", setup),
    ]
    drawn, axes = plt.subplots(1, 3, figsize=(11, 4.6), layout="constrained")
    for ax, part in zip(axes, parts, strict=True):
        plots.supports(part, setup, ax=ax)
    drawn.savefig(path, dpi=100)


if __name__ == "__main__":
    main(sys.argv[1])
