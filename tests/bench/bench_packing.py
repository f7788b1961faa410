"""Table of how many modules the real roof faces hold: `python tests/bench/bench_packing.py` from the project's top folder.

Faces: 3DBAG, CC BY 4.0. Setback 300 mm all round, the invented module of the defaults, both orientations tried. With
`--rafters 600 750` instead: what is laid where rafters lie so far apart (invented, as the tiles are), and whether rails carry it.
With `--large`: seconds of placement and supports on twelve faces of 40 to 60 modules. With `--growth`: what packing costs as the
area grows.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from shapely.affinity import translate
from shapely.geometry import Polygon, box

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "pipeline")]

from rowplane.config import (  # noqa: E402
    HardwareConfig,
    ModuleConfig,
    PlacementConfig,
    RafterConfig,
    SiteConfig,
    SupportsConfig,
)
from rowplane.frames import pitch_deg  # noqa: E402
from rowplane.model import Edge, Face, Obstacle, Surfaces  # noqa: E402
from rowplane.placement import place_modules  # noqa: E402
from rowplane.placement.erosion import corner_area, sections  # noqa: E402
from rowplane.placement.packing import Grid, critical_levels  # noqa: E402
from rowplane.placement.search import best_packing  # noqa: E402
from rowplane.supports import place_supports  # noqa: E402
from test_4_placement.builders import face as outlined  # noqa: E402
from test_4_placement.builders import rectangle, surfaces  # noqa: E402
from test_4_placement.real_roofs import FILE, real_faces  # noqa: E402
from test_5_supports.builders import pattern, surface  # noqa: E402


def main() -> None:
    """Print one row per face and the sum."""
    if not FILE.is_file():
        sys.exit(f"{FILE} is not here")
    module, sums = ModuleConfig(), [0.0, 0.0, 0.0, 0.0]
    print("face  area_m2  pitch  usable_m2  modules  bound  area_bound  share_%  arrays  orientation  seconds")
    for face in real_faces():
        start = time.process_time()
        layout = place_modules(surfaces(face), PlacementConfig(), (), module, HardwareConfig(), SiteConfig())
        seconds = time.process_time() - start
        count = sum(len(a.modules) for a in layout.arrays)
        bound = sum(a.bound for a in layout.arrays)
        said = next((f.text for f in layout.findings if f.code == "layout-count"), "at most 0.")
        area_bound = int(said.rsplit("at most ", 1)[1].rstrip("."))
        share = 100 * count * module.width_mm * module.height_mm / face.outline.area
        ways = "+".join(sorted({a.orientation for a in layout.arrays})) or "-"
        usable = layout.usable[0][1].area / 1e6
        print(
            f"{face.id:4}  {face.area_m2:7.1f}  {pitch_deg(face.frame):5.1f}  {usable:9.1f}  {count:7d}  {bound:5d}  {area_bound:10d}  "
            f"{share:7.1f}  {len(layout.arrays):6d}  {ways:11}  {seconds:7.3f}"
        )
        sums = [sums[0] + face.area_m2, sums[1] + count, sums[2] + area_bound, max(sums[3], seconds)]
    print(f"sum of area {sums[0]:.0f} m2, modules {sums[1]:.0f}, area bound {sums[2]:.0f}, slowest face {sums[3]:.3f} s")


def from_datum(face: Face) -> Face:
    """The face with u = 0 and v = 0 at its left and lowest point, so that courses and rafters count from there."""
    u0, v0, _, _ = face.outline.bounds
    edges = tuple(
        Edge(e.kind, (e.start_uv[0] - u0, e.start_uv[1] - v0), (e.end_uv[0] - u0, e.end_uv[1] - v0), e.neighbour)
        for e in face.edges
    )
    return replace(face, outline=translate(face.outline, -u0, -v0), edges=edges)


def carried(rafter_mm: float) -> None:
    """Print one line: all faces on tiles 255 mm wide, rafters `rafter_mm` apart from the face's left end on."""
    module, hardware, site = ModuleConfig(), HardwareConfig(), SiteConfig()
    room = laid = arrays = relaxed = 0
    slowest = 0.0
    rafters = (RafterConfig(spacing_mm=rafter_mm, first_mm=100),)
    for face in map(from_datum, real_faces()):
        where = Surfaces((replace(surface(pattern(cover=255.0, pan_width=108.0)), face=face),))
        start = time.process_time()
        layout = place_modules(where, PlacementConfig(), rafters, module, hardware, site)
        plan = place_supports(layout, where, SupportsConfig(), rafters, module, hardware, site)
        slowest = max(slowest, time.process_time() - start)
        count = sum(len(a.modules) for a in layout.arrays)
        told = [f.limit for f in layout.findings if f.code == "modules-not-carried"]
        room, laid = room + int(told[0] or 0 if told else count), laid + count
        arrays += len(layout.arrays)
        relaxed += len({f.subject for f in plan.findings if f.code == "supports-relaxed"})
    print(
        f"rafters {rafter_mm:g} mm apart: room for {room} modules, {laid} laid in {arrays} arrays, {relaxed} with a relaxed limit, "
        f"slowest face {slowest:.2f} s"
    )


def large_faces() -> dict[str, Face]:
    """A gable of 14.5 × 9.6 m with a chimney, the same with two more obstacles, and a hip of 20 m."""
    chimney = Obstacle(box(6000, 4000, 6900, 4700), 900.0, "obstacle")
    three = [chimney, Obstacle(box(2500, 6500, 3300, 7600), 100.0, "obstacle"), Obstacle(box(10_500, 2500, 10_700, 2700), 400.0, "obstacle")]
    hip = [(0.0, 0.0), (20_000.0, 0.0), (13_000.0, 9000.0), (7000.0, 9000.0)]
    return {
        "chimney": rectangle(14_500, 9600, obstacles=[chimney]),
        "three obstacles": rectangle(14_500, 9600, obstacles=three),
        "hip": outlined(hip, ["eave", "hip", "ridge", "hip"]),
    }


def large() -> None:
    """Print seconds of processor for every face and rafter spacing; the first case is run once before, for the libraries."""
    module, hardware, site = ModuleConfig(), HardwareConfig(), SiteConfig()

    def run(face: Face, rafter_mm: float) -> str:
        where = Surfaces((replace(surface(pattern(cover=255.0, pan_width=108.0)), face=face),))
        rafters = (RafterConfig(spacing_mm=rafter_mm, first_mm=100),) if rafter_mm else ()
        start = time.process_time()
        layout = place_modules(where, PlacementConfig(), rafters, module, hardware, site)
        placed = time.process_time()
        plan = place_supports(layout, where, SupportsConfig(), rafters, module, hardware, site)
        done = time.process_time()
        relaxed = "yes" if any(f.code == "supports-relaxed" for f in plan.findings) else "no"
        count = sum(len(a.modules) for a in layout.arrays)
        return f"{count:7d}  {len(plan.rails):5d}  {len(plan.hooks):5d}  {placed - start:9.2f}  {done - placed:8.2f}  {done - start:8.2f}  {relaxed}"

    run(large_faces()["chimney"], 600)
    print("face             rafters_mm  modules  rails  hooks  placement  supports  together  relaxed")
    for name, face in large_faces().items():
        for rafter_mm in (600.0, 750.0, 900.0, 0.0):
            print(f"{name:15}  {rafter_mm or 'unknown':>10}  {run(face, rafter_mm)}", flush=True)


def growth() -> None:
    """Print seconds of packing, best of three, against area × offsets, for a face between two valleys with a chimney."""
    print("area_m2  modules  offsets  seconds  per area × offsets (first = 1)")
    first = 0.0
    for scale in (1.0, 2**0.5, 2.0, 8**0.5, 4.0):
        ring = [(4000 * scale, 0.0), (8000 * scale, 0.0), (12_000 * scale, 6000 * scale), (0.0, 6000 * scale)]
        usable = Polygon(ring).difference(box(5000 * scale, 2000, 5000 * scale + 900, 2700))
        grid = Grid(1734.0, np.zeros(1), 1146.0, np.zeros(1))
        seconds = []
        for _ in range(3):
            start = time.process_time()
            parts = sections(corner_area(usable, 1722.0, 1134.0))
            packed = best_packing(parts, grid, 2, 6000 * scale, 1722.0)
            seconds.append(time.process_time() - start)
        offsets = len(critical_levels(parts, grid))
        cost = min(seconds) / (usable.area * offsets)
        first = first or cost
        print(f"{usable.area / 1e6:7.0f}  {packed.count:7d}  {offsets:7d}  {min(seconds):7.3f}  {cost / first:.2f}", flush=True)


if __name__ == "__main__":
    if sys.argv[1:] == ["--large"]:
        large()
    elif sys.argv[1:] == ["--growth"]:
        growth()
    elif sys.argv[1:2] == ["--rafters"]:
        for spacing in sys.argv[2:]:
            carried(float(spacing))
    else:
        main()
