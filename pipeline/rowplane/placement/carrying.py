"""What it would take to carry modules that there is room for: the smallest change of the limits of rails, hooks and feet."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from rowplane.columns import change_in_words, change_of, farthest_mm, loosest_mm, rafter_section, rafters_of
from rowplane.config import HardwareConfig, ModuleConfig, RafterConfig
from rowplane.model import Array, Surface
from rowplane.placement.filling import Fill
from rowplane.placement.footing import Footing, Footings

Limits = Mapping[str, float]
"""Limits by their names in LIMIT_IN_WORDS; zones 1 where the data sheet's holding zones are kept, else 0."""
ORDERS = (("reach_mm", "overhang_mm", "spacing_mm", "zones", "feet"), ("feet", "zones", "overhang_mm", "spacing_mm", "reach_mm"))
"""Orders in which several relaxed limits are tightened again."""


def cures(
    filled: Fill,
    surface: Surface,
    rafters: Sequence[RafterConfig],
    module: ModuleConfig,
    hardware: HardwareConfig,
    footings_by: Callable[[ModuleConfig, HardwareConfig], Footings],
) -> tuple[str, ...]:
    """Changes by which rails could carry every module that fits, where the search found room for it; least first.

    `footings_by` gives the face's footings by module and hardware. Each of one limit alone, lengths to the millimetre; where none alone would do, several together, tightened in turn.
    Empty where not even the loosest limits that can be set would do.
    """

    def works(limits: Limits) -> bool:
        known = footings_by(*_settings(limits, module, hardware))
        return all(any(_carries(known[lie][-1], groups) for lie, groups in part) for part in filled.uncarried)

    asked = {
        "reach_mm": hardware.hook_reach_mm,
        "spacing_mm": hardware.max_foot_spacing_mm,
        "overhang_mm": hardware.max_row_overhang_mm,
        "feet": module.feet_per_module,
        "zones": 1,
    }
    top = _loosest(asked, surface, rafters)
    found = [
        _tightened({**asked, name: top[name]}, asked, name, works)
        for name in asked
        if top[name] != asked[name] and works({**asked, name: top[name]})
    ]
    if not found and works(top):
        for order in ORDERS:
            cured: Limits = top
            for name in order:
                cured = _tightened(cured, asked, name, works)
            found.append(cured)
        found = [min(found, key=lambda f: change_of(f, asked))]
    return tuple(change_in_words(f, asked) for f in sorted(found, key=lambda f: change_of(f, asked)))


def _settings(limits: Limits, module: ModuleConfig, hardware: HardwareConfig) -> tuple[ModuleConfig, HardwareConfig]:
    whole = {} if limits["zones"] else {"zone_long_mm": (0.0, module.height_mm), "zone_short_mm": (0.0, module.width_mm)}
    return module.model_copy(update={"feet_per_module": limits["feet"], **whole}), hardware.model_copy(
        update={
            "hook_reach_mm": limits["reach_mm"],
            "max_foot_spacing_mm": limits["spacing_mm"],
            "max_row_overhang_mm": limits["overhang_mm"],
        }
    )


def _carries(footing: Footing, groups: Sequence[tuple[Array, Array]]) -> bool:
    return all(bool(footing.held(corners, moves).any()) for corners, moves in groups)


def _loosest(asked: Limits, surface: Surface, rafters: Sequence[RafterConfig]) -> dict[str, float]:
    left, _, right, _ = surface.face.outline.bounds
    reach = farthest_mm(rafters_of(surface.face, rafter_section(surface.face, rafters)), (left, right))
    return {**loosest_mm(asked, right - left, reach), "feet": min(asked["feet"], 2), "zones": 0}


def _tightened(loose: Limits, asked: Limits, name: str, works: Callable[[Limits], bool]) -> Limits:
    """`loose` with one limit as near to what was asked as works: feet one by one, lengths to the millimetre."""
    if works({**loose, name: asked[name]}):
        return {**loose, name: asked[name]}
    if not name.endswith("_mm"):
        fewer = ({**loose, name: n} for n in range(int(asked[name]) - 1, int(loose[name]), -1))
        return next((cured for cured in fewer if works(cured)), loose)
    low, high = math.floor(asked[name]), math.ceil(loose[name])
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if works({**loose, name: float(middle)}) else (middle, high)
    return {**loose, name: float(high)}
