"""The parts list equals what is drawn, plus the spares it names."""

from __future__ import annotations

import math

import pytest

from rowplane.config import HardwareConfig, ModuleConfig, RafterConfig, SiteConfig, SupportsConfig
from rowplane.model import FootSetting, HookSetting, Layout, Levelling, SupportPlan
from rowplane.supports import list_parts, place_supports
from rowplane.supports.parts import blocks_of, packer_stack
from test_5_supports.builders import array_of, block, layout, pattern, surface, surfaces

NOTHING = Levelling((), (), (), (), (), ())


def test_parts_are_what_is_drawn() -> None:
    array, hardware, module = block(2, 5), HardwareConfig(spare_percent=0), ModuleConfig()
    plan = place_supports(
        layout(array), surfaces(surface(pattern())), SupportsConfig(), (RafterConfig(spacing_mm=600, first_mm=300),), module,
        hardware, SiteConfig(),
    )  # fmt: skip
    packed = [HookSetting(h.id, 120.0, 8.0 if k < 3 else 0.0, 2.0, "ok") for k, h in enumerate(plan.hooks)]
    feet = [FootSetting(f.id, 1, 45, 0, 12.5, 5.0 if k == 0 else 0.0, 1, math.nan, "ok", "ok") for k, f in enumerate(plan.feet)]
    parts = list_parts(layout(array), plan, Levelling(tuple(feet), tuple(packed), (), (), (), ()), module, hardware)
    many = {(p.part, p.detail): p.quantity for p in parts}
    total = {name: sum(p.quantity for p in parts if p.part == name) for name in {p.part for p in parts}}
    assert total["module"] == 10
    assert total["tile hook"] == len(plan.hooks) == total["underlay seal"] == total["flashing"]
    assert total["lag screw"] == 2 * len(plan.hooks)
    assert sum(n for name, n in total.items() if name.startswith("foot, ")) == len(plan.feet)
    assert total["rail, stock length"] == len(plan.cutting)
    assert total["rail, cut"] == sum(len(r.cuts_mm) for r in plan.rails)
    assert total.get("rail splice", 0) == sum(len(r.splices_mm) for r in plan.rails)
    assert many["hook packer", "3 mm"] == many["hook packer", "5 mm"] == 3
    assert many["foot packer", "5 mm"] == 1
    assert total["cable clip"] == 20
    assert total["edge strip"] == pytest.approx((5 * 1134 + 4 * 12) / 1000, abs=0.006)
    assert total["equipment-grounding connection"] == 1
    assert total["junction box"] == 1
    joined = sum(f.kind.endswith("+joiner") for f in plan.feet)
    assert total.get("joiner", 0) == sum(len(line.seams_mm) for line in array.lines) - joined
    mass = sum(p.mass_kg for p in parts if not math.isnan(p.mass_kg))
    assert total["load on the roof"] == pytest.approx(mass / (10 * 1.134 * 1.722), abs=0.06)
    assert total["trips up the ladder"] == math.ceil(mass / hardware.trip_kg)


def test_spares_are_said() -> None:
    array, hardware = block(1, 3), HardwareConfig(spare_percent=10, spare_tile_percent=50)
    plan = place_supports(
        layout(array), surfaces(surface(pattern())), SupportsConfig(), (), ModuleConfig(), hardware, SiteConfig()
    )
    parts = {p.part: p for p in list_parts(layout(array), plan, NOTHING, ModuleConfig(), hardware)}
    hooks = len(plan.hooks)
    assert parts["tile hook"].quantity == hooks + math.ceil(hooks / 10)
    assert parts["tile hook"].note == f"{hooks} + {math.ceil(hooks / 10)} spare"
    assert parts["spare tile"].quantity == math.ceil(hooks / 2)


def test_stacks() -> None:
    assert packer_stack(8.0, (3, 5, 10)) == (5, 3)
    assert packer_stack(10.0, (3, 5, 10)) == (10,)
    assert packer_stack(0.0, (3, 5, 10)) == ()
    assert packer_stack(4.0, (3, 5, 10)) == (4.0,)


def test_continuous_blocks() -> None:
    apart = array_of([[600.0, 1746.0, 5000.0]])
    assert [len(b) for b in blocks_of(apart)] == [2, 1]
    over_corner = array_of([[600.0], [1746.0]])
    assert len(blocks_of(over_corner)) == 2


def test_nothing_to_build() -> None:
    empty = SupportPlan((), (), (), (), "not screened")
    assert list_parts(Layout((), ()), empty, NOTHING, ModuleConfig(), HardwareConfig()) == ()
