"""Draws the pictures of the gallery that no other script draws, one a pass.

Run with the folder to write to: python docs/guide/gallery.py docs/guide
"""

from __future__ import annotations

import io
import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LightSource
from mpl_toolkits.mplot3d.art3d import Poly3DCollection

import vatwright as vw
from vatwright import plots

SETUP = vw.Setup.load("desk-50um")


def seen(ax: Axes, picture: bytes, title: str) -> None:
    """A picture of vatwright's own on axes without a frame."""
    ax.imshow(plt.imread(io.BytesIO(picture)))
    ax.set_title(title, fontsize=10)
    ax.axis("off")


def surface(ax: Axes, mesh: vw.Mesh, title: str) -> None:
    """Any mesh, closed or not; what one looks at from inside is red."""
    corners = mesh.vertices[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    eye = np.array([np.cos(np.radians(-60)), np.sin(np.radians(-60)), 0.35])
    colours = np.where((normals @ eye > 0)[:, None], (0.85, 0.79, 0.68), (0.75, 0.25, 0.2))
    light = LightSource(azdeg=225, altdeg=35)
    facets = Poly3DCollection(corners, facecolors=colours, shade=True, lightsource=light)
    ax.add_collection3d(facets)  # type: ignore[attr-defined]
    low, high = mesh.bounds
    ax.auto_scale_xyz(*np.stack([low, high], axis=1))  # type: ignore[attr-defined]
    ax.set_box_aspect(np.subtract(high, low), zoom=1.4)  # type: ignore[arg-type, call-arg]
    ax.view_init(20, -60)  # type: ignore[attr-defined]
    ax.set_title(title, fontsize=10)
    ax.set_axis_off()


def repair() -> plt.Figure:
    """A lamp's globe with torn and turned facets, before and after."""
    globe = vw.shapes.sphere(10.0, 1500).mesh
    facets = globe.triangles.copy()
    toward = globe.vertices[facets].mean(axis=1) @ (0.5, -0.8, 0.3)
    facets[(toward > 2) & (toward < 4)] = facets[(toward > 2) & (toward < 4)][:, ::-1]
    torn = vw.Mesh(globe.vertices, facets[toward < 9.2], name="globe")
    done = vw.repair(torn, fill="all")
    drawn, axes = plt.subplots(1, 2, figsize=(6, 3), subplot_kw={"projection": "3d"})
    surface(axes[0], torn, "as it came: a hole, facets turned")
    surface(axes[1], done.value.mesh, "closed, and told what was guessed")
    return drawn


def gear(tilt_deg: float) -> vw.Part:
    """A gear of the station's clock, tilted about the x axis."""
    sin, cos = np.sin(np.radians(tilt_deg)), np.cos(np.radians(tilt_deg))
    turn = np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]])
    return vw.Part(vw.shapes.gear(1.0, 24, 5.0, 8.0)).turned(turn)


def orient() -> plt.Figure:
    """A gear as it was modelled, and as it prints best."""
    part = gear(90.0)
    done = vw.Orient(directions=60, refine=2).apply(part, SETUP)
    drawn, axes = plt.subplots(1, 2, figsize=(6, 3))
    seen(axes[0], part.picture(size_px=420), "as modelled")
    seen(axes[1], done.value.picture(size_px=420), "turned by orient")
    return drawn


def raft() -> plt.Figure:
    """Two bases from below, solid and net."""
    drawn, axes = plt.subplots(1, 2, figsize=(6, 3))
    for ax, style in zip(axes, ("solid", "net"), strict=True):
        based = vw.Recipe([vw.Raft(style=style), vw.Support()]).apply(gear(20.0), SETUP).value
        seen(ax, based.picture(size_px=420, elevation_deg=-35.0), f"Raft(style={style!r})")
    return drawn


def pack() -> plt.Figure:
    """Figures of two scales on a plate."""
    parts = [vw.Part(vw.shapes.figure(s, h, 5_000)) for s in range(12) for h in (20.0, 27.0)]
    plate = vw.Pack(rounds=200).apply(parts, SETUP).value[0]
    drawn, ax = plt.subplots(figsize=(6, 3.6))
    seen(ax, plate.picture(size_px=800), f"{len(plate.placed)} figures on one plate")
    return drawn


def check() -> plt.Figure:
    """A bowl that seals against the film: one layer, and all layers."""
    over = np.diag([1.0, -1.0, -1.0])
    bowl = vw.Part(vw.shapes.bowl(12.0, 1.5)).turned(over)
    layers = bowl.layers(layer_mm=0.1, pitch_mm=0.1)
    drawn, axes = plt.subplots(1, 2, figsize=(8, 3.2), width_ratios=(1, 1.6))
    plots.layer(layers, len(layers) // 2, ax=axes[0])
    plots.sections(layers.survey(), ax=axes[1])
    return drawn


def main(folder: str) -> None:
    """Draws them all."""
    for draw in (repair, orient, raft, pack, check):
        drawn = draw()
        drawn.tight_layout()
        drawn.savefig(Path(folder) / f"{draw.__name__}.png", dpi=90)


if __name__ == "__main__":
    main(sys.argv[1])
