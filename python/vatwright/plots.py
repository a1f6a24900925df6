"""Pictures of layers and plates; needs the extra ``plots``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vatwright._core import Layers, Part, Plate, Setup, Survey

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap

__all__ = ["layer", "plate", "sections", "supports"]

# A pitch at which the outline of a part on a plate looks smooth on a screen.
_OUTLINE_MM = 0.25


def _axes(ax: Axes | None) -> Axes:
    if ax is not None:
        return ax
    try:
        from matplotlib import pyplot
    except ImportError as error:
        raise ImportError("matplotlib is not installed; pip install 'vatwright[plots]'") from error
    return pyplot.subplots()[1]


def _risk() -> Colormap:
    """Pale where little is used, dark red at the limit: in lightness as well as in hue."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("risk", ["#bcd4dc", "#edae8a", "#d1495b", "#7a0018"])


def layer(layers: Layers, k: int, *, ax: Axes | None = None) -> Axes:
    """Layer ``k`` as the printer shows it, in mm."""
    ax = _axes(ax)
    grid = layers.grid
    right = grid.x0_mm + grid.columns * grid.pitch_mm
    back = grid.y0_mm + grid.rows * grid.pitch_mm
    extent = (grid.x0_mm, right, grid.y0_mm, back)
    ax.imshow(layers.mask(k), origin="lower", extent=extent, cmap="gray", vmin=0, vmax=255)
    ax.set(xlabel="x, mm", ylabel="y, mm", title=f"layer {k}")
    return ax


def sections(survey: Survey, *, ax: Axes | None = None) -> Axes:
    """Solid and sealed area over height: peel load and suction at a glance."""
    ax = _axes(ax)
    table = survey.sections()
    z = (np.arange(len(table["area_mm2"])) + 0.5) * survey.grid.layer_mm
    ax.plot(z, table["area_mm2"], label="solid")
    ax.fill_between(z, table["sealed_mm2"], color="C3", alpha=0.5, label="sealed void")
    ax.set(xlabel="z from the plate, mm", ylabel="area, mm²")
    ax.legend()
    return ax


def plate(plate: Plate, *, ax: Axes | None = None) -> Axes:
    """A plate from above: the outline of every part, darker for taller ones."""
    ax = _axes(ax)
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


def supports(part: Part, setup: Setup | None = None, *, ax: Axes | None = None) -> Axes:
    """A part on its supports from the side, each bar coloured by its use, the risky ones dark.

    The use is the check's own: how hard a neck or bar ever works over all layers and load cases, 0
    unloaded, 1 at its limit. The hardest worked lie on top.
    """
    ax = _axes(ax)
    from matplotlib.collections import LineCollection, PolyCollection

    setup = setup or Setup()
    held = part.supports
    if held is None:
        raise ValueError(f"'{part.name}' has no supports; apply vatwright.Support first")
    frame = held.frame(setup)
    tips, landings, members = part.support_uses(setup)
    use = np.concatenate([members, tips, landings])
    necks = np.array([t.diameter_mm for t in [*held.tips, *held.landings]])

    low, high = part.bounds
    for mesh, colour in ((part.mesh(["body"]), "0.8"), (part.raft, "0.6")):
        if mesh is not None:
            facets = mesh.vertices[mesh.triangles]
            facets = facets[np.argsort(-facets[:, :, 1].mean(axis=1))]
            shade = PolyCollection(list(facets[:, :, [0, 2]]), facecolor=colour, edgecolor="none")
            ax.add_collection(shade)
    # The risky ones last, so that nothing lies over them.
    ends = frame.nodes[frame.beams]
    order = np.argsort(use, kind="stable")
    widths = np.concatenate([held.diameters_mm, necks])
    bars = LineCollection(
        list(ends[order][:, :, [0, 2]]), cmap=_risk(), linewidths=1.5 * widths[order]
    )
    bars.set_array(use[order])
    bars.set_clim(0.0, 1.0)
    ax.add_collection(bars)
    ax.figure.colorbar(bars, ax=ax, label="use", shrink=0.7)
    ax.set(xlim=(low[0] - 1, high[0] + 1), ylim=(-1, high[2] + 1), aspect="equal")
    ax.set(xlabel="x, mm", ylabel="z from the plate, mm", title=part.name)
    return ax
