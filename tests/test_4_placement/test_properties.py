"""What must hold for any face: modules inside, none overlapping, arrays whole, lines where modules touch."""

from __future__ import annotations

import time
from itertools import combinations

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon, box

from open_data import needs_open_data
from rowplane.config import HardwareConfig, ModuleConfig, PlacementConfig, SetbackConfig, SiteConfig
from rowplane.model import Face, Layout, Obstacle
from rowplane.placement import place_modules
from rowplane.placement.arrays import groups_of
from test_4_placement.builders import face, surfaces
from test_4_placement.real_roofs import real_faces

KINDS = st.sampled_from(["eave", "ridge", "hip", "valley", "verge", "step"])


@st.composite
def any_face(draw: st.DrawFn) -> Face:
    """A star-shaped face of 3 to 9 corners (concave ones too) with up to three obstacles."""
    n = draw(st.integers(3, 9))
    reach = draw(st.lists(st.floats(1500, 7000), min_size=n, max_size=n))
    turn = [2 * np.pi * (k + draw(st.floats(-0.4, 0.4))) / n for k in range(n)]
    ring = [(float(r * np.cos(t)), float(0.7 * r * np.sin(t))) for r, t in zip(reach, turn, strict=True)]
    kinds = draw(st.lists(KINDS, min_size=n, max_size=n))
    obstacles = []
    for _ in range(draw(st.integers(0, 3))):
        u, v = draw(st.floats(-3000, 3000)), draw(st.floats(-2000, 2000))
        w, h = draw(st.floats(100, 1500)), draw(st.floats(100, 1500))
        obstacles.append(Obstacle(box(u, v, u + w, v + h), draw(st.floats(0, 1500)), "obstacle"))
    return face(ring, kinds, obstacles=obstacles)


def holds(one: Face, placement: PlacementConfig, layout: Layout) -> None:
    usable = dict(layout.usable)[one.id]
    assert usable.difference(one.outline).area < 1e-3
    slack = usable.buffer(1e-5)
    modules = [m for a in layout.arrays for m in a.modules]
    for module in modules:
        assert slack.covers(box(*module.rect_mm)), module
    for a, b in combinations([m.rect_mm for m in modules], 2):
        apart = max(b[0] - a[2], a[0] - b[2], b[1] - a[3], a[1] - b[3])
        assert apart >= placement.gap_mm - 1e-6
    for edge in one.edges:
        distance = getattr(placement.setback_mm, edge.kind)
        side = Polygon([edge.start_uv, edge.end_uv, edge.end_uv])
        for module in modules:
            assert box(*module.rect_mm).distance(side) >= distance - 1e-5
    for obstacle in one.obstacles:
        for module in modules:
            assert box(*module.rect_mm).distance(obstacle.outline) >= placement.setback_mm.obstacle - 1e-5
    ids = [m.id for m in modules]
    assert len(ids) == len(set(ids))
    for array in layout.arrays:
        assert placement.min_modules <= len(array.modules) <= array.bound
        rects = np.array([m.rect_mm for m in array.modules])
        wide = placement.gap_mm + placement.expansion_allow_mm
        assert groups_of(rects, placement.gap_mm, wide).max() == 0
        assert sorted({m.row for m in array.modules}) == list(range(1, len(array.lines)))
        for line in array.lines:
            assert all(a[1] < b[0] for a, b in zip(line.runs[:-1], line.runs[1:], strict=True))
            for seam in line.seams_mm:
                assert any(start < seam < end for start, end in line.runs)


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(
    any_face(), st.sampled_from(["portrait", "landscape", "best"]), st.sampled_from(["aligned", "shifted"]), st.integers(1, 4)
)
def test_any_face(one: Face, orientation: str, rows: str, least: int) -> None:
    setback = SetbackConfig(eave=250, ridge=457.2, hip=100, valley=400, verge=0, step=300, obstacle=150)
    placement = PlacementConfig(orientation=orientation, rows=rows, min_modules=least, setback_mm=setback)
    layout = place_modules(surfaces(one), placement, (), ModuleConfig(), HardwareConfig(), SiteConfig())
    holds(one, placement, layout)
    if not layout.arrays:
        assert any(f.code == "no-layout" and len(f.text) > 40 for f in layout.findings)


def test_shifted_rows_are_a_group_where_they_touch() -> None:
    """By their numbers on the grid one module of eleven stood alone under eight others, and two more were dropped."""
    ring = [
        (4816.0, 0.0), (3546.02, 2082.825), (1019.488, 4047.264), (-3482.0, 4221.701), (-5558.282, 1416.134),
        (-4860.09, -1238.25), (-864.5, -1048.151), (273.322, -1085.061), (2278.982, -1338.605),
    ]  # fmt: skip
    one = face(ring, ["eave"] * 9, obstacles=[Obstacle(box(0, 0, 335, 747), 833.0, "obstacle")])
    setback = SetbackConfig(eave=250, ridge=457.2, hip=100, valley=400, verge=0, step=300, obstacle=150)
    placement = PlacementConfig(orientation="landscape", rows="shifted", min_modules=4, setback_mm=setback)
    layout = place_modules(surfaces(one), placement, (), ModuleConfig(), HardwareConfig(), SiteConfig())
    holds(one, placement, layout)
    assert [len(a.modules) for a in layout.arrays] == [11]


def test_a_larger_setback_never_holds_more() -> None:
    one = face([(0, 0), (9000, 300), (8000, 6500), (4000, 5000), (500, 6000)], ["eave", "verge", "ridge", "valley", "hip"])
    counts = []
    for distance in (0, 100, 200, 400, 800):
        setback = SetbackConfig(**dict.fromkeys(("eave", "ridge", "hip", "valley", "verge", "step"), distance))
        layout = place_modules(
            surfaces(one), PlacementConfig(setback_mm=setback), (), ModuleConfig(), HardwareConfig(), SiteConfig()
        )
        counts.append(sum(len(a.modules) for a in layout.arrays))
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_a_concave_corner_keeps_its_distance_all_round() -> None:
    """An L-shaped face: no module within 500 mm of the inner corner, and none lost farther away than 2 % more."""
    ring = [(0, 0), (10_000, 0), (10_000, 3000), (5000, 3000), (5000, 8000), (0, 8000)]
    one = face(ring, ["eave", "verge", "ridge", "valley", "ridge", "verge"])
    setback = SetbackConfig(eave=0, ridge=500, hip=0, valley=500, verge=0, step=0)
    layout = place_modules(surfaces(one), PlacementConfig(setback_mm=setback), (), ModuleConfig(), HardwareConfig(), SiteConfig())
    usable = dict(layout.usable)["A"]
    corner = box(5000, 3000, 5000, 3000).centroid
    assert 500 - 1e-6 <= usable.distance(corner) <= 500 * 1.02
    assert isinstance(usable, Polygon | MultiPolygon)
    assert usable.contains(box(4000, 2000, 4400, 2400)), "the inside behind the corner stays whole"


@needs_open_data
def test_real_faces_each_under_a_second_and_within_both_bounds() -> None:
    """Every face of the file (3DBAG, CC BY 4.0): result or reason, count within the grid's and the area's bound, under 1 s."""
    filled = 0
    for one in real_faces():
        start = time.process_time()
        layout = place_modules(surfaces(one), PlacementConfig(), (), ModuleConfig(), HardwareConfig(), SiteConfig())
        assert time.process_time() - start < 1.0, one.id
        holds(one, PlacementConfig(), layout)
        filled += bool(layout.arrays)
        if not layout.arrays:
            assert any(f.code == "no-layout" for f in layout.findings)
    assert filled > 100
