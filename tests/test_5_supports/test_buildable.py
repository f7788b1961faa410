"""Placement lays rows where rails can stand: its quick answer against the integer program that chooses the rails."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from shapely.geometry import box

from rowplane.columns import Rafter
from rowplane.config import HardwareConfig, ModuleConfig, PlacementConfig, RafterConfig, SiteConfig, SupportsConfig
from rowplane.model import Layout, ModuleArray, Obstacle, Surface
from rowplane.placement import place_modules
from rowplane.placement.footing import footings
from rowplane.placement.ways import lies
from rowplane.supports import place_supports
from rowplane.supports.choose import choose_rails
from rowplane.supports.grid import grid_of
from rowplane.supports.rails import Ground, _columns, _hooks_needed, _options, asked_limits
from test_4_placement.builders import face
from test_5_supports.builders import array_of, pattern, surface, surfaces

HARDWARE, SITE, GAP = HardwareConfig(), SiteConfig(), 12.0


def ragged_rows(rng: np.random.Generator, along_u: float) -> list[list[float]]:
    """One to three rows of up to five modules on one grid, each beginning and ending where it likes."""
    left, count = float(rng.integers(500, 2000)), int(rng.integers(2, 6))
    rows = []
    for _ in range(int(rng.integers(1, 4))):
        begin, end = int(rng.integers(0, 2)), count - int(rng.integers(0, 2))
        rows.append([left + k * (along_u + GAP) for k in range(begin, max(end, begin + 1))])
    return rows


def said_and_so(seed: int) -> tuple[bool, bool]:
    """What the footing says of random rows on random rafters and tiles, and whether rails within all limits exist."""
    rng = np.random.default_rng(seed)
    upright = bool(rng.integers(2))
    orientation, along_u, along_v = ("portrait", 1134.0, 1722.0) if upright else ("landscape", 1722.0, 1134.0)
    module = ModuleConfig()
    if rng.integers(3) == 0:
        module = ModuleConfig(zone_long_mm=(0, 700), zone_short_mm=(0, 480))
    spacing = float(rng.choice([600, 650, 700, 750, 800, 900]))
    first = float(rng.uniform(0, spacing))
    middles = tuple(first + k * spacing + float(rng.uniform(-20, 20)) for k in range(int(11_000 / spacing)))
    cover = float(rng.uniform(200, 300))
    tiles = pattern(cover=cover, pan_phase=float(rng.uniform(0, 300)), pan_width=0.42 * cover)
    where = surface(tiles)
    array = array_of(ragged_rows(rng, along_u), along_u=along_u, along_v=along_v, orientation=orientation, v0=300.0)
    rafters = tuple(Rafter(str(k), u, 45.0, 15.0) for k, u in enumerate(middles, 1))
    ground = Ground(grid_of(array, module, HARDWARE), tiles, rafters, HARDWARE, SupportsConfig())
    limits = asked_limits(ground, module.feet_per_module)
    columns = _columns(ground, limits.reach_mm)
    sets = (choose_rails(ground.grid, columns, _options(ground, columns, True, merged, partial(_hooks_needed, ground)), limits, "any") for merged in (True, False))
    known = (RafterConfig(positions_mm=middles),)
    footing = footings(where, known, tuple(lies(module).values()), GAP, module, HARDWARE)[array.orientation][-1]
    return bool(footing.held(corners(array), np.zeros(1))[0]), any(s is not None for s in sets)


def corners(array: ModuleArray) -> np.ndarray:
    return np.array([m.rect_mm[:2] for m in array.modules])


def test_footing_says_what_the_choice_of_rails_finds() -> None:
    answers = [said_and_so(seed) for seed in range(20)]
    assert {so for _, so in answers} == {True, False}
    assert [said for said, _ in answers] == [so for _, so in answers]


@pytest.mark.long
def test_footing_on_three_hundred_more() -> None:
    """Both answers are many. A few may differ: rafters are handed out from the left, not tried in every way, and candidates
    for rails stand some 30 mm apart; but what is said to be carried is."""
    answers = [said_and_so(seed) for seed in range(20, 320)]
    assert min(sum(so for _, so in answers), sum(not so for _, so in answers)) > 60
    assert sum(said and not so for said, so in answers) == 0
    assert sum(said != so for said, so in answers) <= 2


@pytest.mark.parametrize("seed", [60, 113, 168, 214])
def test_zones_that_do_not_meet_leave_gaps_between_feet(seed: int) -> None:
    """The middle of a module that no foot may hold counts as a stretch without a place."""
    assert said_and_so(seed) == (False, False)


def test_a_foot_that_only_touches_a_module_holds_nothing() -> None:
    """The middle one of three rails ends exactly at the second module's left edge: a millimetre farther and it holds both."""
    array = array_of([[400.0, 2134.0]], along_u=1722, along_v=1134, orientation="landscape")
    module, hardware = ModuleConfig(), HardwareConfig(hook_reach_mm=0, max_foot_spacing_mm=1500)

    def held(middle_mm: float) -> bool:
        known = (RafterConfig(positions_mm=(700.0, middle_mm, 3500.0), tolerance_mm=0),)
        ways = tuple(lies(module).values())
        footing = footings(surface(None), known, ways, GAP, module, hardware)["landscape"][-1]
        return bool(footing.held(corners(array), np.zeros(1))[0])

    assert not held(2104.0)
    assert held(2105.0)


def laid(
    width: float, rafter_mm: float, first_mm: float, depth: float = 5000.0, flue: bool = True,
    hardware: HardwareConfig = HARDWARE, module: ModuleConfig | None = None, **more: object,
) -> tuple[Surface, Layout, list[str]]:  # fmt: skip
    """A gable face, filled and carried; and the codes of what was found about its rails."""
    things = [Obstacle(box(0.4 * width, 2200, 0.4 * width + 500, 2700), 600.0, "obstacle")] if flue else []
    ring = [(0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)]
    gable = face(ring, ["eave", "verge", "ridge", "verge"], obstacles=things)
    where = replace(surface(pattern(cover=255.0, pan_width=108.0)), face=gable)
    rafters = (RafterConfig(spacing_mm=rafter_mm, first_mm=first_mm, tolerance_mm=15),)
    module = module or ModuleConfig()
    layout = place_modules(surfaces(where), PlacementConfig(**more), rafters, module, hardware, SITE)
    plan = place_supports(layout, surfaces(where), SupportsConfig(), rafters, module, hardware, SITE)
    return where, layout, [f.code for f in plan.findings]


def unbound(where: Surface, **more: object) -> Layout:
    """The same face, rafters not known."""
    return place_modules(surfaces(where), PlacementConfig(**more), (), ModuleConfig(), HARDWARE, SITE)


def total(layout: Layout) -> int:
    return sum(len(a.modules) for a in layout.arrays)


@pytest.mark.parametrize("rafter_mm", [600.0, 700.0, 750.0, 800.0, 900.0])
def test_what_placement_lays_can_be_carried(rafter_mm: float) -> None:
    """Ordinary rafter spacings, any first rafter: modules are laid, and no limit needs to be relaxed for them."""
    for first_mm in (40.0, 260.0, 480.0):
        _, layout, codes = laid(11_000.0, rafter_mm, first_mm)
        assert sum(len(a.modules) for a in layout.arrays) >= 9
        assert "supports-relaxed" not in codes, first_mm


def test_equal_counts_are_decided_for_what_can_be_carried() -> None:
    """Landscape on rafters 700 mm apart: as many modules as without rafters, moved along the eave until both ends are held."""
    moved = 0
    for first_mm in (100.0, 275.0, 450.0, 625.0):
        where, known, codes = laid(8400.0, 700.0, first_mm, flue=False, orientation="landscape")
        free = unbound(where, orientation="landscape")
        assert total(known) == total(free) == 12
        assert "supports-relaxed" not in codes
        moved += known.arrays[0].modules[0].rect_mm != free.arrays[0].modules[0].rect_mm
    assert moved


def test_modules_that_cannot_be_carried_are_left_out_and_counted() -> None:
    """Portrait modules 1146 mm apart want four feet; rafters 900 mm apart give each too few: fewer, or lying ones, are laid."""
    where, layout, codes = laid(11_000.0, 900.0, 260.0)
    count, room = total(layout), total(unbound(where))
    assert count < room
    told = next(f for f in layout.findings if f.code == "modules-not-carried")
    assert (told.value, told.limit, told.severity) == (count, room, "caution")
    assert f"room for {room} modules" in told.text
    assert "supports-relaxed" not in codes


@pytest.mark.parametrize(
    ("rafter_mm", "words", "setting", "need_mm"),
    [
        (650.0, "arms 141 instead of 120 mm beside the rafter's middle", "hook_reach_mm", 141),
        pytest.param(650.0, "row ends 512 instead of 450 mm past the outer foot", "max_row_overhang_mm", 512, marks=pytest.mark.long),
        pytest.param(900.0, "row ends 821 instead of 450 mm past the outer foot", "max_row_overhang_mm", 821, marks=pytest.mark.long),
    ],
)
def test_the_cure_of_what_is_not_carried_is_enough_and_the_smallest(rafter_mm: float, words: str, setting: str, need_mm: int) -> None:
    """What the finding names is set, and all modules are laid and carried; a millimetre less, and they are not."""
    _, layout, _ = laid(11_000.0, rafter_mm, 40.0, depth=4000.0)
    told = next(f for f in layout.findings if f.code == "modules-not-carried")
    assert words in told.text
    _, cured, codes = laid(11_000.0, rafter_mm, 40.0, depth=4000.0, hardware=HardwareConfig(**{setting: need_mm}))
    assert total(cured) == told.limit
    assert "supports-relaxed" not in codes
    _, short, _ = laid(11_000.0, rafter_mm, 40.0, depth=4000.0, hardware=HardwareConfig(**{setting: need_mm - 1}))
    assert total(short) < total(cured)


@pytest.mark.long
def test_several_limits_together_where_none_alone_is_a_cure() -> None:
    """Both changes that the finding names are set, and all modules are laid and carried; with one of them alone they are not."""
    place = {"width": 12_500.0, "rafter_mm": 800.0, "first_mm": 70.0, "depth": 6200.0}
    _, layout, _ = laid(**place)
    told = next(f for f in layout.findings if f.code == "modules-not-carried")
    assert "row ends 546 instead of 450 mm past the outer foot and 2 instead of 4 feet at some modules to carry all" in told.text
    far, few = HardwareConfig(max_row_overhang_mm=546), ModuleConfig(feet_per_module=2)
    _, cured, codes = laid(**place, hardware=far, module=few)
    assert total(cured) == told.limit
    assert "supports-relaxed" not in codes
    assert all(total(laid(**place, **one)[1]) < total(cured) for one in ({"hardware": far}, {"module": few}))


def test_where_rails_can_carry_almost_nothing_all_that_fits_is_laid_and_the_cure_is_said() -> None:
    """Rafters 1800 mm apart under a foot spacing of 1300: no row is carried, so the smallest relaxation is drawn instead."""
    where, layout, codes = laid(6200.0, 1800.0, 260.0, depth=2000.0, flue=False)
    assert total(layout) == total(unbound(where))
    assert "modules-not-carried" not in [f.code for f in layout.findings]
    assert "supports-relaxed" in codes


@pytest.mark.parametrize("last_mm", [4500.0, 5100.0, 5700.0])
def test_no_cure_of_what_is_not_carried_is_beyond_what_can_be_set(last_mm: float) -> None:
    """Rafters under a part of the face only: arms to the rest of it would be longer than any hook of a lead may reach."""
    ring = [(0.0, 0.0), (8000.0, 0.0), (8000.0, 4000.0), (0.0, 4000.0)]
    where = replace(surface(pattern(cover=255.0, pan_width=108.0)), face=face(ring, ["eave", "verge", "ridge", "verge"]))
    known = (RafterConfig(positions_mm=tuple(np.arange(300.0, last_mm + 1.0, 600.0))),)
    layout = place_modules(surfaces(where), PlacementConfig(), known, ModuleConfig(), HARDWARE, SITE)
    told = next(f for f in layout.findings if f.code == "modules-not-carried")
    bounds = {"arms": "hook_reach_mm", "rails at": "max_foot_spacing_mm", "row ends": "max_row_overhang_mm"}
    cures = re.findall(rf"({'|'.join(bounds)}) ([\d,]+) instead", told.text)
    assert bool(cures) != ("No change of one or several of these limits would carry all." in told.text)
    for words, figure in cures:
        (most,) = [rule.le for rule in HardwareConfig.model_fields[bounds[words]].metadata if hasattr(rule, "le")]
        assert float(figure.replace(",", "")) <= most


def test_odd_feet_that_are_asked_are_said_as_asked_where_they_are_not_carried() -> None:
    """Five feet want three on each edge; of the five asked, four would do."""
    _, layout, _ = laid(9000.0, 800.0, 40.0, depth=4000.0, flue=False, module=ModuleConfig(feet_per_module=5))
    told = next(f for f in layout.findings if f.code == "modules-not-carried")
    assert "4 instead of 5 feet at some modules" in told.text
