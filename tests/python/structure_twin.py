"""What holds a part, recomputed with nothing of vatwright's but layers' masks and the list of bars.

Stages, loads and frame are written anew from docs/mechanics/structure.md with numpy and scipy:
regions by ``scipy.ndimage``, pieces by a union of regions over the layers, bars as Euler–Bernoulli
beams, necks as cones of many even slices, the piece as a rigid body, a sparse LU for every stage.
The setup must take peel from area alone (``separation_speed_exponent`` 0) and return so slowly that
nothing is pressed; what is left out besides is suction.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse  # type: ignore[import-untyped]
from scipy.sparse.linalg import splu  # type: ignore[import-untyped]

import vatwright as vw

Floats = npt.NDArray[np.float64]

SLICES = 40
ATMOSPHERE_MPA = 0.101325
CONTACT_LAYERS = 4


@dataclass
class Case:
    """A piece in one layer that hangs on tips."""

    layer: int
    tips: tuple[int, ...]
    landings: tuple[int, ...]
    pull_n: float
    at: Floats
    half_mm: Floats
    area_mm2: float


@dataclass
class Worst:
    """The hardest stresses over all layers and load cases, MPa, and where."""

    neck_mpa: float = 0.0
    bar_mpa: float = 0.0
    lost_mpa: float = 0.0
    few: int = 0
    layer: dict[str, int] = field(default_factory=dict)

    def keep(self, name: str, value: float, layer: int) -> None:
        if value > getattr(self, name):
            setattr(self, name, value)
            self.layer[name] = layer


def peel_n(area_mm2: float, machine: vw.Machine) -> float:
    reference = machine.separation_area_mm2
    stress = machine.separation_kpa * 1e-3
    stress *= (area_mm2 / reference) ** (machine.separation_area_exponent - 1.0)
    return float(min(stress, ATMOSPHERE_MPA) * area_mm2)


def cases(part: vw.Part, setup: vw.Setup, pitch_mm: float) -> list[Case]:
    """Every piece of the body in every layer that hangs on tips."""
    layers = part.layers(setup, pitch_mm=pitch_mm, roles=["body", "lattice"])
    grid, supports = layers.grid, part.supports
    assert supports is not None
    parent: list[int] = []
    grounded: list[bool] = []
    holds: list[tuple[set[int], set[int]]] = []

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    def touched(tips: list[vw.Tip], below: bool) -> dict[int, list[int]]:
        """By layer, the tips that may touch the part there."""
        out: dict[int, list[int]] = {}
        for i, tip in enumerate(tips):
            k = int(tip.contact[2] / grid.layer_mm + 1e-9)
            reach = range(k, k - CONTACT_LAYERS - 1, -1) if below else range(k, k + CONTACT_LAYERS)
            for layer in reach:
                out.setdefault(layer, []).append(i)
        return out

    at_tip, at_landing = touched(supports.tips, False), touched(supports.landings, True)
    placed: tuple[set[int], set[int]] = (set(), set())
    found: list[Case] = []
    before: npt.NDArray[np.int64] | None = None
    for k in range(grid.layers):
        mask = layers.mask(k)
        labels, n = ndimage.label(mask > 0, np.ones((3, 3)))
        first = len(parent)
        parent.extend(range(first, first + n))
        grounded.extend([k == 0] * n)
        holds.extend((set(), set()) for _ in range(n))
        ids = np.where(labels > 0, labels.astype(np.int64) + (first - 1), -1)
        for which, (by_layer, tips) in enumerate(
            [(at_tip, supports.tips), (at_landing, supports.landings)]
        ):
            for i in by_layer.get(k, []):
                if i in placed[which]:
                    continue
                region = _nearest(ids, tips[i], grid)
                if region is not None:
                    holds[region][which].add(i)
                    placed[which].add(i)
        if before is not None:
            both = (ids >= 0) & (before >= 0)
            for a, b in np.unique(np.stack([ids[both], before[both]], axis=1), axis=0):
                low, high = root(int(b)), root(int(a))
                if low != high:
                    parent[high] = low
                    grounded[low] |= grounded[high]
                    holds[low][0].update(holds[high][0])
                    holds[low][1].update(holds[high][1])
        before = ids
        pieces: dict[int, list[int]] = {}
        for i in range(n):
            pieces.setdefault(root(first + i), []).append(i + 1)
        for piece, regions in pieces.items():
            if grounded[piece] or not holds[piece][0]:
                continue
            pixels = [_pixels(labels == label, mask) for label in regions]
            found.append(_case(k, pixels, holds[piece], grid, setup))
    return found


def _pixels(region: npt.NDArray[np.bool_], mask: npt.NDArray[np.uint8]) -> tuple[Any, Any, Floats]:
    """Rows and columns of a region, and how much of each pixel is solid."""
    r, c = np.nonzero(region)
    return r, c, mask[r, c] / 255.0


def _nearest(ids: npt.NDArray[np.int64], tip: vw.Tip, grid: vw.Grid) -> int | None:
    radius = max(tip.diameter_mm / 2, grid.pitch_mm)
    x, y = tip.contact[0] - grid.x0_mm, tip.contact[1] - grid.y0_mm
    reach = int(radius / grid.pitch_mm) + 2
    row, column = int(y / grid.pitch_mm), int(x / grid.pitch_mm)
    rows = slice(max(row - reach, 0), row + reach + 1)
    columns = slice(max(column - reach, 0), column + reach + 1)
    near = ids[rows, columns]
    r, c = np.nonzero(near >= 0)
    if not len(r):
        return None
    middle = (np.stack([c + columns.start, r + rows.start]) + 0.5) * grid.pitch_mm
    away = np.maximum(np.abs(middle.T - [x, y]) - grid.pitch_mm / 2, 0.0)
    distance = np.hypot(*away.T)
    best = int(np.argmin(distance))
    return int(near[r[best], c[best]]) if distance[best] <= radius else None


def _case(
    layer: int,
    pixels: list[tuple[Any, Any, Floats]],
    held: tuple[set[int], set[int]],
    grid: vw.Grid,
    setup: vw.Setup,
) -> Case:
    pulls, places, cells = [], [], []
    for r, c, covered in pixels:
        weight = covered * grid.pitch_mm**2
        corner = np.array([[grid.x0_mm], [grid.y0_mm]])
        xy = corner + (np.stack([c, r]) + 0.5) * grid.pitch_mm
        pulls.append(peel_n(float(weight.sum()), setup.machine))
        places.append((xy * weight).sum(axis=1) / weight.sum())
        cells.append((xy, weight))
    pull = float(np.sum(pulls))
    at = np.average(places, axis=0, weights=pulls)
    xy = np.concatenate([c[0] for c in cells], axis=1)
    weight = np.concatenate([c[1] for c in cells])
    area = float(weight.sum())
    middle = (xy * weight).sum(axis=1) / area
    moments = ((xy.T - middle) ** 2 * weight[:, None]).sum(axis=0)
    half = np.sqrt(moments / area)
    tips, landings = (tuple(sorted(h)) for h in held)
    return Case(layer, tips, landings, pull, at, half, area)


class Frame:
    """Supports with one piece as a rigid body on some of their tips."""

    def __init__(
        self, part: vw.Part, setup: vw.Setup, tips: tuple[int, ...], landings: tuple[int, ...]
    ) -> None:
        s = part.supports
        assert s is not None
        self.supports, self.modulus = s, setup.resin.green_modulus_mpa
        self.shear = self.modulus / (2 * (1 + setup.resin.poisson))
        widest = np.zeros(len(s.nodes))
        for (a, b), d in zip(s.members, s.diameters_mm, strict=True):
            widest[a], widest[b] = max(widest[a], d), max(widest[b], d)
        self.points: list[Floats] = [np.asarray(p) for p in s.nodes]
        self.middle = np.mean([s.tips[t].contact for t in tips], axis=0)
        self.body = self._point(self.middle)
        landed = {landing.node for landing in s.landings}
        self.held = {int(f) for f in s.feet if f not in landed}
        self.tied: dict[int, Floats] = {}
        self.stiffness: list[tuple[int, int, Floats]] = []
        self.members = [
            self._bar(int(a), int(b), [d, d])
            for (a, b), d in zip(s.members, s.diameters_mm, strict=True)
        ]
        self.necks = [self._neck(s.tips[t], widest, True) for t in tips]
        for i, landing in enumerate(s.landings):
            self.necks.append(self._neck(landing, widest, i in landings))
        self.lu = self._factor(None)

    def _point(self, at: Any) -> int:
        self.points.append(np.asarray(at, float))
        return len(self.points) - 1

    def _neck(self, tip: vw.Tip, widest: Floats, own: bool) -> tuple[int, Floats, Floats]:
        contact = self._point(tip.contact)
        d = tip.diameter_mm
        wide = float(np.clip(widest[tip.node], d, 1.5 * d))
        if own:
            self.tied[contact] = self.points[contact] - self.points[self.body]
        else:
            self.held.add(contact)
        return self._bar(tip.node, contact, list(np.linspace(wide, d, SLICES + 1)))

    def _bar(self, a: int, b: int, d: list[float]) -> tuple[int, Floats, Floats]:
        """A bar of even slices, its inner nodes condensed; its index, axes and end diameters."""
        axis = self.points[b] - self.points[a]
        length = float(np.linalg.norm(axis))
        x = axis / length
        aside = np.array([0.0, 1.0, 0.0]) if abs(x[2]) > 0.9 else np.array([0.0, 0.0, 1.0])
        z = np.cross(x, aside)
        z /= np.linalg.norm(z)
        axes = np.stack([x, np.cross(z, x), z])
        diameters = [(p + q) / 2 for p, q in itertools.pairwise(d)]
        n = len(diameters)
        k = np.zeros((6 * (n + 1),) * 2)
        for i, slice_mm in enumerate(diameters):
            k[6 * i : 6 * i + 12, 6 * i : 6 * i + 12] += self._even(slice_mm, length / n)
        ends = np.r_[0:6, 6 * n : 6 * n + 6]
        inner = np.arange(6, 6 * n)
        if len(inner):
            k = k[np.ix_(ends, ends)] - k[np.ix_(ends, inner)] @ np.linalg.solve(
                k[np.ix_(inner, inner)], k[np.ix_(inner, ends)]
            )
        turn = np.kron(np.eye(4), axes)
        self.stiffness.append((a, b, turn.T @ k @ turn))
        return len(self.stiffness) - 1, axes, np.array([d[0], d[-1]])

    def _even(self, d: float, length: float) -> Floats:
        area, i = np.pi * d**2 / 4, np.pi * d**4 / 64
        e = self.modulus
        k = np.zeros((12, 12))
        for p, value in [(0, e * area / length), (3, self.shear * 2 * i / length)]:
            k[np.ix_([p, p + 6], [p, p + 6])] += value * np.array([[1, -1], [-1, 1]])
        bending = e * i / length**3
        for w, turn, sign in [(1, 5, 1.0), (2, 4, -1.0)]:
            at = [w, turn, w + 6, turn + 6]
            s = sign * length
            k[np.ix_(at, at)] += bending * np.array(
                [
                    [12, 6 * s, -12, 6 * s],
                    [6 * s, 4 * length**2, -6 * s, 2 * length**2],
                    [-12, -6 * s, 12, -6 * s],
                    [6 * s, 2 * length**2, -6 * s, 4 * length**2],
                ]
            )
        return k

    def _lever(self, node: int) -> tuple[int, Floats]:
        """The node whose motions stand for this one's, and how they do."""
        if node not in self.tied:
            return node, np.eye(6)
        x, y, z = self.tied[node]
        lever = np.eye(6)
        lever[:3, 3:] = [[0, z, -y], [-z, 0, x], [y, -x, 0]]
        return self.body, lever

    def _factor(self, without: int | None) -> Any:
        n = 6 * len(self.points)
        rows, columns, values = [], [], []
        for i, (a, b, k) in enumerate(self.stiffness):
            if i == without:
                continue
            (na, la), (nb, lb) = self._lever(a), self._lever(b)
            lever = np.zeros((12, 12))
            lever[:6, :6], lever[6:, 6:] = la, lb
            block = lever.T @ k @ lever
            at = np.r_[6 * na : 6 * na + 6, 6 * nb : 6 * nb + 6]
            r, c = np.meshgrid(at, at, indexing="ij")
            rows.append(r.ravel())
            columns.append(c.ravel())
            values.append(block.ravel())
        matrix = sparse.coo_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), (n, n)
        ).tocsc()
        fixed = np.zeros(n, bool)
        for node in [*self.held, *self.tied]:
            fixed[6 * node : 6 * node + 6] = True
        self.free = np.nonzero(~fixed)[0]
        return splu(matrix[self.free][:, self.free])

    def answers(self, lu: Any) -> list[tuple[Floats, Floats, Floats]]:
        """For every bar: axial force and bending moments at its ends for unit forces and moments on
        the body, and its end diameters."""
        n = 6 * len(self.points)
        loads = np.zeros((n, 6))
        loads[6 * self.body : 6 * self.body + 6] = np.eye(6)
        motions = np.zeros((n, 6))
        motions[self.free] = lu.solve(loads[self.free])
        out = []
        for (a, b, k), (_, axes, ends) in zip(
            self.stiffness, [*self.members, *self.necks], strict=True
        ):
            (na, la), (nb, lb) = self._lever(a), self._lever(b)
            u = np.concatenate(
                [la @ motions[6 * na : 6 * na + 6], lb @ motions[6 * nb : 6 * nb + 6]]
            )
            force = np.kron(np.eye(4), axes) @ (k @ u)
            out.append((force[6], force[[4, 5, 10, 11]], ends))
        return out

    def stresses(self, answers: list[tuple[Floats, Floats, Floats]], loads: Floats) -> Floats:
        """Greatest |N|/A + M·r/I of each bar at its ends under each load, MPa."""
        out = []
        for axial, bending, ends in answers:
            n, m = np.abs(axial @ loads), bending @ loads
            at = [
                n * 4 / (np.pi * d**2) + np.hypot(*m[2 * e : 2 * e + 2]) * 32 / (np.pi * d**3)
                for e, d in enumerate(ends)
            ]
            out.append(np.maximum(*at))
        return np.array(out)

    def wrench(self, place: Floats, force: Floats) -> Floats:
        return np.concatenate([force, np.cross(place - self.middle, force)])


def worst(part: vw.Part, setup: vw.Setup, *, pitch_mm: float, lost: bool = True) -> Worst:
    """The hardest work of necks and bars in any layer, and of those left when any one tip fails."""
    out = Worst()
    share = setup.machine.side_share
    by_stage: dict[tuple[Any, Any], list[Case]] = {}
    for case in cases(part, setup, pitch_mm):
        by_stage.setdefault((case.tips, case.landings), []).append(case)
    assert part.supports is not None
    for (tips, landings), of_stage in by_stage.items():
        frame = Frame(part, setup, tips, landings)
        loads, pulls, layers, large = [], [], [], []
        lowest = min(part.supports.tips[t].contact[2] for t in tips)
        for case in of_stage:
            z = (case.layer + 1) * setup.exposure.layer_mm
            at = np.array([*case.at, z])
            up = np.array([0.0, 0.0, case.pull_n])
            pulls.append(frame.wrench(at, up))
            large.append(case.area_mm2 > 5.0 or z - lowest > 3.0)
            loads.append(pulls[-1])
            for x, y in [(1, 0), (-1, 0), (0, 1), (0, -1)]:
                off = np.array([x, y, 0.0]) * [*case.half_mm, 0.0]
                loads.append(frame.wrench(at + off, up / 2))
                aside = np.array([x, y, 0.0]) * share * case.pull_n
                loads.append(frame.wrench(at, up + aside))
            layers += [case.layer] * 9
        stress = frame.stresses(frame.answers(frame.lu), np.array(loads).T)
        members = len(frame.members)
        for name, of in [("bar_mpa", stress[:members]), ("neck_mpa", stress[members:])]:
            if of.size:
                bar, load = np.unravel_index(int(of.argmax()), of.shape)
                out.keep(name, float(of[bar, load]), layers[int(load)])
        if not lost or not any(large):
            continue
        if len(tips) < 3:
            out.few += 1
            continue
        only = np.array([p for p, big in zip(pulls, large, strict=True) if big]).T
        for gone in range(len(tips)):
            index = frame.necks[gone][0]
            try:
                lu = frame._factor(index)
            except RuntimeError:  # singular: nothing is left that holds
                out.few += 1
                continue
            left = frame.stresses(frame.answers(lu), only)
            left[members + gone] = 0.0
            out.keep("lost_mpa", float(left.max()), of_stage[0].layer)
    return out
