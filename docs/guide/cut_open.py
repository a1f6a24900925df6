"""Draws cut_open.png: a platform figure cut open before and after hollow and vent.

Run with the file to write: python docs/guide/cut_open.py docs/guide/cut_open.png
"""

from __future__ import annotations

import sys

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

import vatwright as vw

PITCH = 0.1
CUT, WALL, PAPER = (0.85, 0.42, 0.30), (0.62, 0.66, 0.72), (1.0, 1.0, 1.0)


def cut_open(part: vw.Part) -> np.ndarray:
    """The half behind the widest cut, seen from the front, as a picture from the layers."""
    layers = part.layers(layer_mm=PITCH, pitch_mm=PITCH)
    solid = np.stack([layers.mask(k) for k in range(len(layers))]) > 0
    filled = np.maximum.accumulate(solid, 2) & np.maximum.accumulate(solid[..., ::-1], 2)[..., ::-1]
    behind = solid[:, filled.sum((0, 2)).argmax() :, :]
    met = behind.any(axis=1)
    depth = np.where(met, behind.argmax(axis=1), behind.shape[1]) * PITCH
    # Light from the upper left on the surface that the eye meets.
    dz, dx = np.gradient(depth, PITCH)
    light = (1 + 0.5 * dz - 0.5 * dx) / np.sqrt(1 + dz**2 + dx**2)
    shade = np.clip(0.55 + 0.4 * light, 0.25, 1.0)[..., None]
    picture = np.where(met[..., None], shade * WALL, PAPER)
    picture[behind[:, 0]] = CUT
    return picture[::-1]


def main(path: str) -> None:
    """Hollows and vents a figure and draws it before and after."""
    figure = vw.shapes.figure(seed=3, height_mm=60, triangles=100_000)
    before = vw.Part(figure).turned(np.eye(3), z_mm=4.0)
    hollow = vw.Hollow(wall_mm=2.0).apply(before)
    vented = vw.Vent(plugs=False).apply(hollow.value)
    saved = hollow.report.numbers["resin_saved_ml"]
    holes = vented.report.numbers["holes"]
    titles = ["as modelled", f"2 mm wall, {holes:.0f} vents: {saved:.1f} ml saved"]
    drawn, axes = plt.subplots(1, 2, figsize=(6.4, 5.2), layout="constrained")
    for ax, part, title in zip(axes, [before, vented.value], titles, strict=True):
        ax.imshow(cut_open(part), interpolation="antialiased")
        ax.set_title(title, fontsize=10)
        ax.axis("off")
    drawn.savefig(path, dpi=110)


if __name__ == "__main__":
    main(sys.argv[1])
