"""The prints of an evening, made for a setup: their sizes are whole pixels and whole layers.

Pins, holes, slots, ribs and staircases are of the kinds that ISO/ASTM 52902 names; the dumb-bell
has the proportions of ISO 527-2 type 1BA (both from memory), scaled, its heads widened for an eye
to pull by. All are pieces of vatwright's own, none is a standard's test piece.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from vatwright import shapes
from vatwright._core import Pack, Part, Plate, Setup, Solid
from vatwright.calibrate.bodies import Floats, box, joined, moved, prism, turned
from vatwright.calibrate.edges import Kind

__all__ = [
    "BOND_MM",
    "COIN_TIMES",
    "COMB_LAYERS",
    "EDGE_TIMES",
    "FEATURES",
    "PEEL_MM",
    "PIECES",
    "Piece",
    "drawn",
    "plates",
    "tower_rows",
]

COIN_TIMES = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 16.0)
"""Exposures of the coins, over that of a layer."""
EDGE_TIMES = (1.0, 4.0, 12.0)
"""Exposures of the edge combs, over that of a layer; the last is for the tails of the light."""
COMB_LAYERS = (1, 2, 3, 5, 8, 12, 20)
"""Layers in each tooth of the depth comb, from the plate up."""
FEATURES: dict[Kind, tuple[float, ...]] = {
    "pin": (0.5, 1.0, 2.0, 3.0),
    "rib": (0.3, 0.5, 1.0, 2.0),
    "hole": (0.8, 1.2, 2.0, 3.0),
    "slot": (0.4, 0.6, 1.0, 2.0),
}
"""Sizes on the edge comb, mm, to be rounded to pixels by :func:`drawn`."""
BOND_MM, PEEL_MM = 10.0, 30.0
"""Diameters of the bond disc and the peel disc."""

# Radii of the tower's teeth, and how they grow: as steep as a layer carries itself.
_THIN_MM, _WIDE_MM = 3.0, 8.0
_TEETH = 4
# Half and twice the lift speed by half teeth, in the order of Thue and Morse: both speeds see
# small and large sections alike, and no drift that is a line or a bow over the layers.
_FAST = (0, 1, 1, 0, 1, 0, 0, 1)
_SPEEDS = (0.5, 2.0)


@dataclass(frozen=True)
class Piece:
    """A print of the kit."""

    name: str
    copies: int
    alone: bool
    """Whether it has the plate to itself: what is measured is the whole plate's."""
    make: Callable[[Setup], Solid]
    what: str
    """What it is for, in a few words."""


def drawn(size_mm: float, setup: Setup) -> float:
    """A size in whole pairs of pixels, so that both edges of a feature fall between pixels."""
    pair = 2.0 * setup.machine.pixel_mm
    return max(round(size_mm / pair), 1) * pair


def _coin(setup: Setup) -> Solid:
    return shapes.cylinder(6.0, setup.exposure.layer_mm, 96)


def _tower(setup: Setup) -> Solid:
    base = _base_mm(setup)
    rise = _WIDE_MM - _THIN_MM
    profile = [(_WIDE_MM, 0.0), (_WIDE_MM, base)]
    for tooth in range(_TEETH):
        profile += [(_THIN_MM, base + tooth * rise), (_WIDE_MM, base + (tooth + 1) * rise)]
    return turned(profile)


def _base_mm(setup: Setup) -> float:
    """What stands below the first tooth: first layers, and some that settle."""
    x = setup.exposure
    return max(1.0, (x.first_layers + 5) * x.layer_mm)


def tower_rows(setup: Setup) -> tuple[Floats, Floats, Floats]:
    """Section, lift speed as the sheet asks for it, and weight of every layer of the tower.

    Returns:
        Area, mm², from the layers of the body itself; speed, mm/s; and 1 where a layer counts, 0
        for the base and for the first and last layer of a tooth. Shape (layers,) each.
    """
    x = setup.exposure
    survey = Part(_tower(setup)).layers(setup, pitch_mm=0.05).survey()
    area = np.asarray(survey.sections()["area_mm2"], dtype=float)
    z = (np.arange(len(area)) + 0.5) * x.layer_mm - _base_mm(setup)
    rise = _WIDE_MM - _THIN_MM
    half = np.clip(np.floor(2.0 * z / rise), 0, 2 * _TEETH - 1).astype(int)
    speed = setup.machine.lift_speed_mm_s * np.take(_SPEEDS, np.take(_FAST, half))
    into = np.mod(z, rise)
    counts = (z > 0.0) & (into > x.layer_mm) & (into < rise - x.layer_mm)
    return area, speed, counts.astype(float)


def _peel_disc(setup: Setup) -> Solid:
    return shapes.cylinder(PEEL_MM / 2, 3.0)


def _edge_comb(setup: Setup) -> Solid:
    plate, up = 1.0, 1.5
    body = [box((0.0, 42.0), (0.0, 26.0), (0.0, plate))]
    cut = []
    for i, size in enumerate(drawn(s, setup) for s in FEATURES["pin"]):
        pin = shapes.cylinder(size / 2, up + 0.5, 64)
        body.append(moved(pin, low=(_at(i) - size / 2, 22.0 - size / 2, plate - 0.5)))
    for i, size in enumerate(drawn(s, setup) for s in FEATURES["rib"]):
        middle = _at(i)
        body.append(
            box((middle - size / 2, middle + size / 2), (13.0, 18.0), (plate - 0.5, plate + up))
        )
    for i, size in enumerate(drawn(s, setup) for s in FEATURES["hole"]):
        hole = shapes.cylinder(size / 2, plate + 2.0, 64)
        cut.append(moved(hole, low=(_at(i) - size / 2, 3.5 - size / 2, -1.0)))
    for i, size in enumerate(drawn(s, setup) for s in FEATURES["slot"]):
        middle = _at(i)
        cut.append(box((middle - size / 2, middle + size / 2), (6.5, 11.5), (-1.0, plate + 1.0)))
    # A staircase of 2, 4, 8, 16 and 32 layers: what a step of height comes out as.
    for i in range(5):
        top = plate + 2 ** (i + 1) * setup.exposure.layer_mm
        body.append(box((33.0, 40.0), (3.0 + 4.0 * i, 7.0 + 4.0 * i), (plate - 0.5, top)))
    return joined(*body).minus(*cut)


def _at(i: int) -> float:
    return 5.0 + 7.0 * i


def _depth_comb(setup: Setup) -> Solid:
    layer = setup.exposure.layer_mm
    first, pitch = math.ceil(2.0 / layer) * layer, math.ceil(2.5 / layer) * layer
    high = first + pitch * len(COMB_LAYERS)
    body = [box((-6.0, 3.0), (0.0, 8.0), (0.0, 1.0)), box((-1.5, 3.0), (0.0, 8.0), (0.0, high))]
    for i, layers in enumerate(COMB_LAYERS):
        z = first + pitch * i
        # No longer than one layer carries, or near it.
        body.append(box((2.0, 4.2), (0.0, 8.0), (z, z + layers * layer)))
    return joined(*body)


def _dumb_bell(setup: Setup) -> Solid:
    # Type 1BA: 75 long, neck 30 by 5, radius 30; here by 0.8, heads 14 wide with an eye of 5.
    neck, width, radius, head, long = 24.0, 4.0, 24.0, 14.0, 76.0
    blend = math.sqrt(radius**2 - (radius - (head - width) / 2) ** 2)
    arc = np.linspace(0.0, blend, 25)
    rise = width / 2 + radius - np.sqrt(radius**2 - arc**2)
    right = np.concatenate([neck / 2 + arc, [long / 2]])
    half = np.concatenate([rise, [head / 2]])
    body = prism(np.concatenate([-right[::-1], right]), np.concatenate([half[::-1], half]), 2.0)
    middle = (neck / 2 + blend + long / 2) / 2
    eyes = [
        moved(shapes.cylinder(2.5, 4.0, 48), low=(side * middle - 2.5, -2.5, -1.0))
        for side in (-1.0, 1.0)
    ]
    return body.minus(*eyes)


def _strip(setup: Setup) -> Solid:
    return shapes.cuboid(60.0, 6.0, 1.5)


def _bond_disc(setup: Setup) -> Solid:
    # A disc with a button on a stem, to hook a loop of cord under.
    r = BOND_MM / 2
    return turned(
        [(r, 0.0), (r, 1.5), (2.0, 4.5), (2.0, 8.0), (4.5, 10.5), (4.5, 11.5)],
    )


PIECES = (
    Piece("tower", 1, True, _tower, "peel against section and speed, with a force log"),
    Piece("peel-disc", 1, True, _peel_disc, "peel with a luggage scale, where there is no log"),
    Piece("coin", 1, True, _coin, "the working curve: exposed on the film, without the plate"),
    Piece(
        "edge-comb",
        1,
        True,
        _edge_comb,
        "blur of the light: as usual, at 4 times, and for its tails at 12 times",
    ),
    Piece("bond-disc", 5, False, _bond_disc, "hold on the plate"),
    Piece("dumb-bell", 5, False, _dumb_bell, "green strength"),
    Piece("strip", 4, False, _strip, "green modulus"),
    Piece("depth-comb", 1, False, _depth_comb, "depth of cure through many layers"),
)
"""In the order of the sheet: what settles most comes first."""


def plates(setup: Setup) -> Iterator[tuple[Piece | None, Plate]]:
    """The kit on plates of a setup: pieces that need the plate to themselves, then the rest.

    Raises:
        PassError: a piece is larger than the plate.
    """
    rest = []
    copies = {}
    for piece in PIECES:
        part = Part(piece.make(setup), name=piece.name)
        if piece.alone:
            for plate in Pack().apply([part], setup).value:
                yield piece, plate
        else:
            rest.append(part)
            copies[piece.name] = piece.copies
    for plate in Pack(copies=copies).apply(rest, setup).value:
        yield None, plate
