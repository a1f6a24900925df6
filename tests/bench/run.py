"""Times vatwright against general-purpose libraries, in one run, on one generated mesh.

`make bench` runs it. Every job is a process of its own, so that its peak memory is its own, and
one thread works unless the row says otherwise. What counts are the ratios; seconds depend on the
machine. A peer that is not installed is named and left out.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

PITCH = 0.05
Job = Callable[[Path], dict[str, Any]]
JOBS: dict[str, Job] = {}


def job(function: Job) -> Job:
    JOBS[function.__name__] = function
    return function


BASE: list[float] = []


def resident_mb() -> float:
    """What this process holds now: libraries and the mesh, before the work itself."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


def timed(work: Callable[[], Any], repeat: int = 3) -> tuple[float, Any]:
    best, result = float("inf"), None
    BASE.append(resident_mb())
    for _ in range(repeat):
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    return best, result


def arrays(path: Path) -> tuple[Any, Any]:
    import numpy as np

    data = np.load(path.with_suffix(".npz"))
    return data["vertices"], data["triangles"]


def planes(vertices: Any) -> Any:
    import numpy as np

    count = int(np.ceil(vertices[:, 2].max() / PITCH - 0.5))
    return (np.arange(count) + 0.5) * PITCH


# --- layers with areas ---


@job
def layers_vatwright(path: Path) -> dict[str, Any]:
    import vatwright as vw

    part = vw.Part(vw.Solid(vw.Mesh(*arrays(path))))
    seconds, volume = timed(
        lambda: part.layers(layer_mm=PITCH, pitch_mm=PITCH, threads=1).volume_mm3
    )
    return {"seconds": seconds, "volume": volume}


@job
def layers_manifold3d(path: Path) -> dict[str, Any]:
    import manifold3d
    import numpy as np

    v, t = arrays(path)
    body = manifold3d.Manifold(manifold3d.Mesh(v.astype(np.float32), t.astype(np.uint32)))
    seconds, areas = timed(lambda: [body.slice(float(z)).area() for z in planes(v)], 1)
    return {"seconds": seconds, "volume": sum(areas) * PITCH}


@job
def layers_trimesh(path: Path) -> dict[str, Any]:
    import trimesh

    v, t = arrays(path)
    body = trimesh.Trimesh(v, t, process=False)
    heights = planes(v)

    def work() -> float:
        sections = body.section_multiplane([0, 0, 0], [0, 0, 1], heights)
        return float(sum(s.area for s in sections if s is not None))

    seconds, area = timed(work, 1)
    return {"seconds": seconds, "volume": area * PITCH}


# --- mesh -> masks of all layers -> 3D components of solid and void ---


@job
def chain_vatwright(path: Path) -> dict[str, Any]:
    import vatwright as vw

    part = vw.Part(vw.Solid(vw.Mesh(*arrays(path))))

    def work() -> Any:
        layers = part.layers(layer_mm=PITCH, pitch_mm=PITCH, threads=1)
        return layers, layers.survey(threads=1)

    seconds, (layers, survey) = timed(work)
    return {"seconds": seconds, "pixels": layers.volume_mm3, "components": len(survey.components)}


@job
def chain_glued(path: Path) -> dict[str, Any]:
    import cc3d
    import cv2
    import manifold3d
    import numpy as np

    v, t = arrays(path)
    body = manifold3d.Manifold(manifold3d.Mesh(v.astype(np.float32), t.astype(np.uint32)))
    cv2.setNumThreads(1)

    def work() -> tuple[int, int, int]:
        low = np.floor(v.min(0) / PITCH) - 1
        size = (np.floor(v.max(0) / PITCH) + 2 - low).astype(int)
        heights = planes(v)
        mask = np.zeros((len(heights), size[1], size[0]), np.uint8)
        for k, z in enumerate(heights):
            rings = [
                np.round((ring / PITCH - low[:2] - 0.5) * 16).astype(np.int32)
                for ring in body.slice(float(z)).to_polygons()
            ]
            if rings:
                cv2.fillPoly(mask[k], rings, 1, shift=4)
        solid = int(cc3d.connected_components(mask, connectivity=6).max())
        void = int(cc3d.connected_components(1 - mask, connectivity=6).max())
        return int(mask.sum()), solid, void

    seconds, (pixels, solid, _) = timed(work, 1)
    return {"seconds": seconds, "pixels": pixels * PITCH**3, "components": solid}


# --- loading a binary STL with welding ---


@job
def load_vatwright(path: Path) -> dict[str, Any]:
    import vatwright as vw

    seconds, mesh = timed(lambda: vw.Mesh.load(path))
    return {"seconds": seconds, "vertices": len(mesh.vertices)}


@job
def load_vtk(path: Path) -> dict[str, Any]:
    from vtkmodules.vtkIOGeometry import vtkSTLReader

    def work() -> int:
        reader = vtkSTLReader()
        reader.SetFileName(str(path))
        reader.Update()
        return int(reader.GetOutput().GetNumberOfPoints())

    seconds, vertices = timed(work)
    return {"seconds": seconds, "vertices": vertices}


# --- mass properties ---


@job
def mass_vatwright(path: Path) -> dict[str, Any]:
    import vatwright as vw

    mesh = vw.Mesh(*arrays(path))
    seconds, measures = timed(mesh.measure, 7)
    return {"seconds": seconds, "volume": measures.volume_mm3}


@job
def mass_libigl(path: Path) -> dict[str, Any]:
    import igl
    import numpy as np

    v, t = arrays(path)
    t = t.astype(np.int64)
    seconds, result = timed(lambda: igl.moments(v, t), 7)
    return {"seconds": seconds, "volume": float(result[0])}


# --- diagnose and repair of a damaged copy ---


def damaged(path: Path) -> tuple[Any, Any]:
    """The mesh with facets flipped, doubled, made zero-area, and small holes."""
    import numpy as np

    v, t = arrays(path)
    rng = np.random.default_rng(7)
    pick = rng.choice(len(t), 400, replace=False)
    t = t.copy()
    t[pick[:100]] = t[pick[:100]][:, ::-1]
    doubled = t[pick[100:200]]
    flat = np.stack([t[pick[200:300], 0], t[pick[200:300], 1], t[pick[200:300], 1]], 1)
    keep = np.ones(len(t), bool)
    keep[pick[300:]] = False
    return v, np.concatenate([t[keep], doubled, flat])


@job
def repair_vatwright(path: Path) -> dict[str, Any]:
    import vatwright as vw

    mesh = vw.Mesh(*damaged(path))
    seconds, done = timed(lambda: (vw.diagnose(mesh), vw.repair(mesh))[1])
    return {"seconds": seconds, "volume": done.value.volume_mm3, "closed": True}


@job
def repair_pymeshlab(path: Path) -> dict[str, Any]:
    import pymeshlab

    v, t = damaged(path)

    def work() -> Any:
        ms = pymeshlab.MeshSet()
        ms.add_mesh(pymeshlab.Mesh(v, t))
        ms.meshing_remove_duplicate_faces()
        ms.meshing_remove_null_faces()
        ms.meshing_repair_non_manifold_edges()
        ms.meshing_close_holes(maxholesize=30)
        ms.meshing_re_orient_faces_coherently()
        return ms

    seconds, ms = timed(work, 1)
    volume = ms.get_geometric_measures().get("mesh_volume", float("nan"))
    closed = ms.get_topological_measures()["boundary_edges"] == 0
    return {"seconds": seconds, "volume": abs(volume), "closed": closed}


# --- a thousand build directions; two threads ---


@job
def orient_vatwright(path: Path) -> dict[str, Any]:
    """All terms of every direction by the layers, and the best ones again at fine pitch."""
    import vatwright as vw

    part = vw.Part(vw.Solid(vw.Mesh(*arrays(path))))
    orient = vw.Orient(directions=1000, refine=1)
    seconds, (coarse, _) = timed(lambda: orient.search(part, threads=2), 1)
    return {"seconds": seconds, "height": min(c.terms.height_mm for c in coarse)}


@job
def orient_numpy(path: Path) -> dict[str, Any]:
    """Height and area of facets below 45° only, which knows of no layer."""
    import numpy as np

    v, t = arrays(path)
    corners = v[t]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    areas = np.linalg.norm(normals, axis=1)
    i = np.arange(1000)
    z, turn = 1 - (2 * i + 1) / 1000, np.pi * (3 - np.sqrt(5)) * i
    r = np.sqrt(1 - z * z)
    ups = np.stack([r * np.cos(turn), r * np.sin(turn), z], 1)

    def work() -> list[tuple[float, float]]:
        out = []
        for up in ups:
            heights, down = v @ up, normals @ -up
            overhang = down[down > np.sqrt(0.5) * areas].sum()
            out.append((float(np.ptp(heights)), float(overhang)))
        return out

    seconds, found = timed(work, 1)
    return {"seconds": seconds, "height": min(height for height, _ in found)}


# --- a cavity 2 mm below a sphere of 327 000 facets, found on cells of 0.25 mm ---


def ball() -> Any:
    import vatwright as vw

    return vw.shapes.sphere(15.0, 327_680)


@job
def hollow_vatwright(_: Path) -> dict[str, Any]:
    import numpy as np

    import vatwright as vw

    # Not thinned out, since the peer does not either.
    part, hollow = vw.Part(ball()), vw.Hollow(wall_mm=2.0, cell_mm=0.25, tolerance_mm=0.0)
    seconds, done = timed(lambda: hollow.apply(part, threads=1))
    volume = -done.value.cavities[0].measure().volume_mm3
    off = volume / (4 / 3 * np.pi * 13**3) - 1
    if abs(off) > 3e-4:
        raise ValueError(f"the cavity's volume is off by {off:.1e}")
    return {"seconds": seconds, "volume": volume}


def offset(sign: str) -> dict[str, Any]:
    import igl
    import numpy as np

    mesh = ball().mesh
    v, t = mesh.vertices, mesh.triangles.astype(np.int64)
    kind = getattr(igl.SignedDistanceType, f"SIGNED_DISTANCE_TYPE_{sign}")
    seconds, found = timed(lambda: igl.offset_surface(v, t, -2.0, 120, kind), 1)
    return {"seconds": seconds, "volume": abs(float(igl.moments(found[0], found[1])[0]))}


@job
def hollow_libigl(_: Path) -> dict[str, Any]:
    """With the sign that, like ours, holds for shells that overlap."""
    return offset("WINDING_NUMBER")


@job
def hollow_libigl_pseudonormal(_: Path) -> dict[str, Any]:
    """With the cheapest sign, right for one clean shell only."""
    return offset("PSEUDONORMAL")


# --- a bore through the figure, from arrays to arrays; two threads, since the peer cannot be held
# to one. Ours hands only what the drill can reach to an engine of the peer's kind. ---


@job
def bore_vatwright(path: Path) -> dict[str, Any]:
    import vatwright as vw

    v, t = arrays(path)
    drill = vw.shapes.cylinder(1.0, 60.0, 32)

    def work() -> Any:
        cut = vw.Solid(vw.Mesh(v, t)).minus(drill)
        return cut, cut.mesh.vertices, cut.mesh.triangles

    seconds, (cut, _, _) = timed(work)
    return {"seconds": seconds, "volume": cut.volume_mm3}


@job
def bore_manifold3d(path: Path) -> dict[str, Any]:
    import manifold3d
    import numpy as np

    v, t = arrays(path)
    drill = manifold3d.Manifold.cylinder(60.0, 1.0, 1.0, 32)

    def work() -> Any:
        mesh = manifold3d.Mesh64(v, t.astype(np.uint64))
        cut = manifold3d.Manifold(mesh) - drill
        found = cut.to_mesh64()
        return cut, found.vert_properties, found.tri_verts

    seconds, (cut, _, _) = timed(work)
    return {"seconds": seconds, "volume": cut.volume()}


# --- supports with every proof, and how their cost grows ---


def supports_of(body: Any) -> dict[str, Any]:
    import vatwright as vw

    setup = vw.Setup.load("desk-50um")
    part = vw.Raft().apply(vw.Part(body), setup).value
    seconds, done = timed(lambda: vw.Support().apply(part, setup, threads=2))
    layers = round(done.value.bounds[1][2] / PITCH)
    return {"seconds": seconds, "layers": layers, "tips": done.report.numbers["tips"]}


@job
def support_vatwright(path: Path) -> dict[str, Any]:
    import vatwright as vw

    return supports_of(vw.Solid(vw.Mesh(*arrays(path))))


@job
def support_by_layers(_path: Path) -> dict[str, Any]:
    """Towers on the same foot, so that only the layers grow."""
    import vatwright as vw

    low, high = (supports_of(vw.shapes.cuboid(20.0, 20.0, h)) for h in (30.0, 120.0))
    return {**high, "growth": high["seconds"] / low["seconds"] / (high["layers"] / low["layers"])}


@job
def support_by_tips(_path: Path) -> dict[str, Any]:
    """Plates of one thickness; n·log n is what the time is held against."""
    import math

    import vatwright as vw

    few, many = (supports_of(vw.shapes.cuboid(a, a, 3.0)) for a in (20.0, 80.0))
    order = [n["tips"] * math.log(n["tips"]) for n in (few, many)]
    return {**many, "growth": many["seconds"] / few["seconds"] / (order[1] / order[0])}


# title, our job, what is asked: seconds at most, growth over what is asked at most
ALONE = [
    ("supports, all proofs", "support_vatwright", 5.0, 0.0),
    ("supports, 4 × the height", "support_by_layers", 5.0, 1.2),
    ("supports, 16 × the area", "support_by_tips", 5.0, 1.2),
]


# --- 60 mixed outlines onto plates of 130 x 80 mm, 1 mm apart, turned by steps of 45 degrees ---

PLATE_MM = (130.0, 80.0)


@job
def pack_vatwright(path: Path) -> dict[str, Any]:
    import mapbox_earcut
    import numpy as np
    from outlines import outlines

    import vatwright as vw

    def prism(ring: Any, i: int) -> Any:
        flat = np.array(ring)
        n = len(flat)
        cap = mapbox_earcut.triangulate_float64(flat, np.array([n], np.uint32)).reshape(-1, 3)
        a, b, c = flat[cap[:, 0]], flat[cap[:, 1]], flat[cap[:, 2]]
        turn = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
        cap[turn < 0] = cap[turn < 0][:, ::-1]
        k = np.arange(n)
        j = (k + 1) % n
        sides = np.concatenate([np.stack([k, j, n + j], 1), np.stack([k, n + j, n + k], 1)])
        v = np.concatenate([np.c_[flat, np.zeros(n)], np.c_[flat, np.full(n, 5.0)]])
        t = np.concatenate([cap[:, ::-1], n + cap, sides]).astype(np.uint32)
        return vw.Part(vw.Solid(vw.Mesh(v, t, name=f"outline {i}")))

    parts = [prism(ring, i) for i, ring in enumerate(outlines())]
    setup = vw.Setup.load("desk-50um")
    width, depth = PLATE_MM
    setup = setup.replace(machine=setup.machine.replace(width_mm=width, depth_mm=depth))
    # As little search as does it; the peer is driven in the same spirit.
    pack = vw.Pack(gap_mm=1.0, margin_mm=0.0, rounds=500)
    seconds, done = timed(lambda: pack.apply(parts, setup, threads=1), 1)
    assert sum(len(plate.placed) for plate in done.value) == len(parts)
    return {"seconds": seconds, "plates": len(done.value)}


@job
def pack_spyrrow(path: Path) -> dict[str, Any]:
    """A strip solver, driven by hand: outlines are dealt by area onto as many plates as three
    quarters of their area need; each is a strip, given twice the time until none is too long."""
    import math

    import spyrrow
    from outlines import area_mm2, outlines

    rings = outlines()
    width, depth = PLATE_MM
    plates = math.ceil(sum(map(area_mm2, rings)) / (0.75 * width * depth))
    deals: list[list[int]] = [[] for _ in range(plates)]
    for i in sorted(range(len(rings)), key=lambda i: -area_mm2(rings[i])):
        min(deals, key=lambda d: sum(area_mm2(rings[k]) for k in d)).append(i)
    turns = [45.0 * k for k in range(8)]

    def length(deal: list[int], seconds: int) -> float:
        items = [spyrrow.Item(str(i), rings[i], 1, turns) for i in deal]
        config = spyrrow.StripPackingConfig(
            min_items_separation=1.0, total_computation_time=seconds, num_workers=1, seed=1
        )
        return float(spyrrow.StripPackingInstance("plate", depth, items).solve(config).width)

    def work() -> int:
        seconds, left = 1, deals
        while left:
            left = [deal for deal in left if length(deal, seconds) > width]
            seconds *= 2
        return plates

    seconds, found = timed(work, 1)
    return {"seconds": seconds, "plates": found}


# title, our job, peer's job, asked ratio of seconds, asked ratio of memory, what must agree
ROWS = [
    ("layers with areas", "layers_vatwright", "layers_manifold3d", 2.5, 0, "volume"),
    ("layers with areas", "layers_vatwright", "layers_trimesh", 100, 0, "volume"),
    ("masks and 3D components", "chain_vatwright", "chain_glued", 20, 20, "pixels"),
    ("load binary STL, welded", "load_vatwright", "load_vtk", 1, 0, "vertices"),
    ("mass properties", "mass_vatwright", "mass_libigl", 1, 0, "volume"),
    ("1000 directions, all terms", "orient_vatwright", "orient_numpy", 0, 0, "height"),
    ("hollow a sphere", "hollow_vatwright", "hollow_libigl", 4, 0, "volume"),
    ("hollow a sphere", "hollow_vatwright", "hollow_libigl_pseudonormal", 4, 0, "volume"),
    ("bore from arrays", "bore_vatwright", "bore_manifold3d", 1, 0, "volume"),
    ("diagnose and repair", "repair_vatwright", "repair_pymeshlab", 1, 0, "volume"),
    ("60 outlines on plates", "pack_vatwright", "pack_spyrrow", 5, 0, "plates"),
]


def run(name: str, path: Path) -> dict[str, Any]:
    """Runs one job in a process of its own."""
    threads = "2" if name.startswith(("orient", "bore", "support")) else "1"
    pools = [f"{pool}_NUM_THREADS" for pool in ("OMP", "OPENBLAS", "RAYON", "IGL")]
    done = subprocess.run(
        [sys.executable, __file__, "--job", name, "--mesh", str(path)],
        env={**os.environ, **dict.fromkeys(pools, threads)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        last = done.stderr.strip().splitlines()
        return {"error": last[-1] if last else f"exit {done.returncode}"}
    return dict(json.loads(done.stdout.splitlines()[-1]))


def machine() -> dict[str, Any]:
    """What the numbers of a run depend on."""
    import vatwright as vw

    info = Path("/proc/cpuinfo")
    lines = info.read_text().splitlines() if info.exists() else []
    models = {line.split(":")[1].strip() for line in lines if line.startswith("model name")}
    return {
        "date": time.strftime("%Y-%m-%d"),
        "version": vw.__version__,
        "processor": ", ".join(sorted(models)) or platform.machine(),
        "cores": os.cpu_count(),
        "load": os.getloadavg()[0],
    }


def alone(path: Path, rows: dict[str, Any]) -> int:
    """The rows without a peer; how many of them are slower than what was asked."""
    failed = 0
    for title, ours, most_s, most in ALONE:
        a = run(ours, path)
        if "error" in a:
            print(f"{title:26} left out: {a['error']}")
            failed += 1
            continue
        growth = a.get("growth", 0.0)
        good = a["seconds"] <= most_s and growth <= most
        failed += not good
        rows[title] = {"ours_s": a["seconds"], "ratio": most_s / a["seconds"]}
        told = f"{a['layers']} layers, {a['tips']:.0f} tips, {a['seconds']:.2f} s of {most_s}"
        told += f", growth {growth:.2f} of what is asked" if most else ""
        print(f"{title:26} {told}{'' if good else '  below what was asked'}")
    return failed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--job", choices=sorted(JOBS), help=argparse.SUPPRESS)
    parser.add_argument("--mesh", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--triangles", type=int, default=500_000)
    parser.add_argument("--keep", type=Path, help="write what was measured here, as JSON")
    parser.add_argument("--against", type=Path, help="show the ratios of such a file beside")
    args = parser.parse_args()
    if args.job:
        found = JOBS[args.job](args.mesh)
        # What the imports and the mesh itself take is not the job's doing.
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        found["memory_mb"] = max(peak - BASE[0], 1.0)
        print(json.dumps(found))
        return 0

    import numpy as np

    import vatwright as vw

    failed = 0
    earlier = json.loads(args.against.read_text())["rows"] if args.against else {}
    kept: dict[str, Any] = {"machine": machine(), "rows": {}}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "figure.stl"
        body = vw.shapes.figure(1, 60.0, args.triangles).mesh
        body.save(path)
        np.savez(path.with_suffix(".npz"), vertices=body.vertices, triangles=body.triangles)
        print(f"figure of {len(body.triangles)} triangles, 60 mm, {PITCH} mm layers and pixels")
        results: dict[str, dict[str, Any]] = {}
        head = ("job", "peer", "ours s", "peer s", "ratio", "asked", "memory", "agreement")
        print("{:26} {:18} {:>8} {:>8} {:>8} {:>6} {:>9} {:>10}".format(*head))
        for title, ours, peer, asked, memory, key in ROWS:
            for name in (ours, peer):
                if name not in results:
                    results[name] = run(name, path)
            a, b = results[ours], results[peer]
            other = peer.split("_", 1)[1]
            if "error" in a or "error" in b:
                print(f"{title:26} {other:18} left out: {a.get('error') or b.get('error')}")
                failed += "error" in a
                continue
            ratio, mem = b["seconds"] / a["seconds"], b["memory_mb"] / a["memory_mb"]
            good = ratio >= asked and mem >= memory
            failed += not good
            row = f"{title}, {other}"
            kept["rows"][row] = {"ours_s": a["seconds"], "peer_s": b["seconds"], "ratio": ratio}
            was = f"  was {earlier[row]['ratio']:.1f}" if row in earlier else ""
            print(
                f"{title:26} {other:18} {a['seconds']:8.3f} {b['seconds']:8.3f} {ratio:8.1f} "
                f"{asked:6} {mem:8.1f}x {abs(a[key] / b[key] - 1):10.1e}"
                f"{was}{'' if good else '  below what was asked'}"
            )
        failed += alone(path, kept["rows"])
    if args.keep:
        args.keep.parent.mkdir(parents=True, exist_ok=True)
        args.keep.write_text(json.dumps(kept, indent=1))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
