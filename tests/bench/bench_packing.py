"""Table of how many modules the real roof faces hold: `python tests/bench/bench_packing.py` from the project's top folder.

Faces: 3DBAG, CC BY 4.0. Setback 300 mm all round, the invented module of the defaults, both orientations tried. With
`--rafters 600 750` instead: what is laid where rafters lie so far apart (invented, as the tiles are), and whether rails carry it.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

from shapely.affinity import translate

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
from rowplane.model import Edge, Face, Surfaces  # noqa: E402
from rowplane.placement import place_modules  # noqa: E402
from rowplane.supports import place_supports  # noqa: E402
from test_4_placement.builders import surfaces  # noqa: E402
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


if __name__ == "__main__":
    if sys.argv[1:2] == ["--rafters"]:
        for spacing in sys.argv[2:]:
            carried(float(spacing))
    else:
        main()
