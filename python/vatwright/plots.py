"""Pictures of layers and plates; needs the extra ``plots``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vatwright._core import Layers, Plate, Survey

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["layer", "plate", "sections"]

# A pitch at which the outline of a part on a plate looks smooth on a screen.
_OUTLINE_MM = 0.25


def _axes(axes: Axes | None) -> Axes:
    if axes is not None:
        return axes
    try:
        from matplotlib import pyplot
    except ImportError as error:
        raise ImportError("matplotlib is not installed; pip install 'vatwright[plots]'") from error
    return pyplot.subplots()[1]


def layer(layers: Layers, k: int, *, axes: Axes | None = None) -> Axes:
    """Layer ``k`` as the printer shows it, in mm."""
    ax = _axes(axes)
    grid = layers.grid
    right = grid.x0_mm + grid.columns * grid.pitch_mm
    back = grid.y0_mm + grid.rows * grid.pitch_mm
    extent = (grid.x0_mm, right, grid.y0_mm, back)
    ax.imshow(layers.mask(k), origin="lower", extent=extent, cmap="gray", vmin=0, vmax=255)
    ax.set(xlabel="x, mm", ylabel="y, mm", title=f"layer {k}")
    return ax


def sections(survey: Survey, *, axes: Axes | None = None) -> Axes:
    """Solid and sealed area over height: peel load and suction at a glance."""
    ax = _axes(axes)
    table = survey.sections()
    z = (np.arange(len(table["area_mm2"])) + 0.5) * survey.grid.layer_mm
    ax.plot(z, table["area_mm2"], label="solid")
    ax.fill_between(z, table["sealed_mm2"], color="C3", alpha=0.5, label="sealed void")
    ax.set(xlabel="z from the plate, mm", ylabel="area, mm²")
    ax.legend()
    return ax


def plate(plate: Plate, *, axes: Axes | None = None) -> Axes:
    """A plate from above: the outline of every part, darker for taller ones."""
    ax = _axes(axes)
    tallest = max(plate.height_mm, 1e-9)
    for placed in plate.placed:
        mask = placed.part.layers(layer_mm=_OUTLINE_MM, pitch_mm=_OUTLINE_MM)
        outline, grid = mask.silhouette(), mask.grid
        x = grid.x0_mm + (np.arange(grid.columns) + 0.5) * grid.pitch_mm
        y = grid.y0_mm + (np.arange(grid.rows) + 0.5) * grid.pitch_mm
        turn = np.radians(placed.turn_deg)
        xx, yy = np.meshgrid(x, y)
        px = placed.x_mm + np.cos(turn) * xx - np.sin(turn) * yy
        py = placed.y_mm + np.sin(turn) * xx + np.cos(turn) * yy
        height = placed.part.bounds[1][2]
        color = str(0.75 - 0.6 * height / tallest)
        ax.contourf(px, py, outline, levels=[127, 256], colors=[color])
        ax.annotate(f"{height:.0f}", (placed.x_mm, placed.y_mm), ha="center", color="w", size=7)
    ax.set(xlim=(0, plate.width_mm), ylim=(0, plate.depth_mm), aspect="equal")
    ax.set(xlabel="x, mm", ylabel="y, mm", title=f"{plate.name}: heights in mm")
    return ax
