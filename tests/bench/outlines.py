"""Sixty mixed outlines for the packing rows: what a workshop's small parts look like from above."""

from __future__ import annotations

import math
import random

Ring = list[tuple[float, float]]


def wavy(rng: random.Random) -> Ring:
    """A knob or gear."""
    waves, deep = rng.choice([5, 7, 9]), rng.uniform(0.15, 0.35)
    angles = [2 * math.pi * k / 72 for k in range(72)]
    radii = [1 - deep * (0.5 + 0.5 * math.cos(waves * a)) for a in angles]
    return [(r * math.cos(a), r * math.sin(a)) for r, a in zip(radii, angles, strict=True)]


def bracket(rng: random.Random) -> Ring:
    t, d = rng.uniform(0.25, 0.4), rng.uniform(0.6, 1.0)
    return [(0, 0), (1, 0), (1, t), (t, t), (t, d), (0, d)]


def yoke(rng: random.Random) -> Ring:
    t, d = rng.uniform(0.2, 0.3), rng.uniform(0.5, 0.9)
    return [(0, 0), (1, 0), (1, d), (1 - t, d), (1 - t, t), (t, t), (t, d), (0, d)]


def arrow(rng: random.Random) -> Ring:
    d, notch = rng.uniform(0.5, 0.9), rng.uniform(0.2, 0.35)
    return [(0, 0), (1, d / 2), (0, d), (notch, d / 2)]


def oval(rng: random.Random) -> Ring:
    d = rng.uniform(0.4, 0.9)
    angles = [2 * math.pi * k / 48 for k in range(48)]
    return [(math.cos(a), d * math.sin(a)) for a in angles]


def cross(rng: random.Random) -> Ring:
    t, d = rng.uniform(0.25, 0.4), rng.uniform(0.7, 1.0)
    a, b = (1 - t) / 2, (d - t) / 2
    left = [(a, d), (a, b + t), (0, b + t), (0, b), (a, b)]
    return [(a, 0), (a + t, 0), (a + t, b), (1, b), (1, b + t), (a + t, b + t), (a + t, d), *left]


def outlines(count: int = 60, seed: int = 1) -> list[Ring]:
    """Counter-clockwise rings, longest side 24 to 35 mm, shortest from 10 mm, centred."""
    rng = random.Random(seed)
    rings = []
    for i in range(count):
        size = rng.uniform(24, 35)
        ring = (wavy, bracket, yoke, arrow, oval, cross)[i % 6](rng)
        xs, ys = zip(*ring, strict=True)
        scale = size / max(max(xs) - min(xs), max(ys) - min(ys))
        cx, cy = (max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2
        rings.append([((x - cx) * scale, (y - cy) * scale) for x, y in ring])
    return rings


def area_mm2(ring: Ring) -> float:
    return (
        abs(sum(a[0] * b[1] - a[1] * b[0] for a, b in zip(ring, ring[1:] + ring[:1], strict=True)))
        / 2
    )
