"""Findings of rails, hooks and modules: what breaks a limit is said with the figure that would do, one that can be set."""

from __future__ import annotations

import re

import pytest

from rowplane.config import HardwareConfig, ModuleConfig, RafterConfig, SiteConfig, SupportsConfig
from rowplane.model import Finding
from rowplane.supports import place_supports
from test_5_supports.builders import RAFTERS, block, layout, pattern, plan_of, surface, surfaces


def test_rafters_that_no_pan_reaches() -> None:
    """The rest comes out, with the smallest cure: pans 150 mm beside the rafters' middles, arms reach 20."""
    tiles = pattern(cover=300.0, pan_phase=150.0, pan_width=60.0)
    plan = plan_of(block(1, 4), surface(tiles), hardware=HardwareConfig(hook_reach_mm=20))
    found = next(f for f in plan.findings if f.code == "supports-relaxed")
    assert found.severity == "person"
    assert "140 instead of 20 mm beside the rafter's middle" in found.text
    assert plan.hooks
    assert all("beyond the hook's reach" in h.note for h in plan.hooks)


def test_no_rafter_anywhere_near() -> None:
    """Rafters given for another part of the face only: said, and planned with the reach it would take, or without."""
    plan = plan_of(block(1, 3, u0=8000.0), rafters=(RafterConfig(positions_mm=(500.0, 1100.0)),))
    assert {f.code for f in plan.findings} & {"no-supports", "supports-relaxed"}


def test_contradictory_span_limits() -> None:
    """Courses further apart than hooks may be: the smallest span that works, said once, severity person."""
    plan = plan_of(block(1, 3), hardware=HardwareConfig(max_hook_span_mm=300))
    (relaxed,) = [f for f in plan.findings if f.code == "supports-relaxed"]
    assert relaxed.severity == "person"
    assert f"all {len(plan.rails)} rails under array A1" in relaxed.text
    assert "hooks 335 instead of 300 mm apart" in relaxed.text
    assert all("span or overhang beyond its limit" in h.note for h in plan.hooks)


def test_stock_too_short_for_any_splice() -> None:
    """Rails of 1787 mm from stock of 700: spliced all the same, said once, with the stock that would need no splice."""
    plan = plan_of(block(1, 3), hardware=HardwareConfig(stock_length_mm=(700.0,)))
    (short,) = [f for f in plan.findings if f.code == "splice-place"]
    assert "it would take stock of 1,787 instead of 700 mm" in short.text
    assert all(max(r.cuts_mm) <= 700 and len(r.splices_mm) == 2 for r in plan.rails)
    enough = plan_of(block(1, 3), hardware=HardwareConfig(stock_length_mm=(1787.0,)))
    assert not [f for f in enough.findings if f.code == "splice-place"]


def test_stock_that_lets_splices_keep_clear() -> None:
    """Four rows on stock of 1500 mm: the cure is shorter than the rail, enough, and a millimetre less is not."""
    array = block(4, 3, along_v=1134.0)

    def forced(stock_mm: float) -> list[str]:
        plan = plan_of(array, hardware=HardwareConfig(stock_length_mm=(stock_mm,)))
        return [f.text for f in plan.findings if f.code == "splice-place"]

    (told,) = forced(900.0)
    need = int(told.rsplit("stock of ", 1)[1].split(" ")[0].replace(",", ""))
    assert 900 < need < 4 * 1146
    assert not forced(float(need))
    assert forced(need - 1.0)


@pytest.mark.parametrize(
    ("hardware", "rule"),
    [
        ({"screw_thread_mm": 50}, {}),
        pytest.param({"screw_thread_mm": 40}, {"timber_rule": "nds_2018"}, marks=pytest.mark.long),
        ({"hook_capacity_up_N": 500}, {}),
        pytest.param({"hook_capacity_down_N": 600}, {}, marks=pytest.mark.long),
        pytest.param({"hook_capacity_slope_N": 60}, {}, marks=pytest.mark.long),
        ({"hook_stiffness_N_mm": 150}, {}),
    ],
)
def test_what_an_overloaded_hook_would_take_is_enough_and_the_least(hardware: dict[str, float], rule: dict[str, str]) -> None:
    """The figures that the finding names are set, and every hook passes; a little less of any, and one does not."""
    site = SiteConfig(pressure_up_Pa=3500, pressure_down_Pa=1500, pressure_downslope_Pa=200, **rule)
    settings = {
        "mm of thread": ("screw_thread_mm", 1.0), "N of uplift": ("hook_capacity_up_N", 1.0),
        "N towards the roof": ("hook_capacity_down_N", 1.0), "N down the slope": ("hook_capacity_slope_N", 1.0),
        "mm between arm and tile": ("arm_clear_mm", 0.1),
    }  # fmt: skip

    def told(given: dict[str, float]) -> list[str]:
        plan = plan_of(block(2, 4), site=site, hardware=HardwareConfig(**given))
        return [f.text for f in plan.findings if f.code == "hook-overloaded"]

    (said,) = told(hardware)
    cured = dict(hardware)
    named = {}
    for words, (setting, step) in settings.items():
        found = re.search(rf"([\d,.]+) instead of [\d,.]+ {words}", said)
        if found:
            named[setting] = step
            cured[setting] = float(found[1].replace(",", ""))
    assert named
    assert not told(cured)
    for setting, step in named.items():
        assert told({**cured, setting: cured[setting] - step})


def test_a_rail_that_sags_more_than_its_data_sheet_allows() -> None:
    """Sag by span against the limit; the stiffness named is enough, and hardly more than that."""
    site = SiteConfig(pressure_down_Pa=1500)

    def told(**given: float) -> list[Finding]:
        plan = plan_of(block(2, 4), site=site, hardware=HardwareConfig(rail_span_over_sag=500, **given))
        return [f for f in plan.findings if f.code == "rail-overloaded"]

    (said,) = told()
    assert said.value is not None
    assert said.value < 500 == said.limit
    need = float(said.text.split("A rail of ")[1].split(" ")[0].replace(",", ""))
    assert need == pytest.approx(6900 * 500 / said.value, rel=1e-3)
    assert not told(rail_EI_Nm2=need)
    assert told(rail_EI_Nm2=0.999 * need)
    assert "hooks give too" in told(hook_stiffness_N_mm=300)[0].text


@pytest.mark.parametrize(
    ("tiles", "rafters", "words"),
    [
        (pattern(), (RafterConfig(positions_mm=(9000.0, 9600.0)),), "its next rafter lies 4,974 mm beside it, and arms can be set to 500 mm at most"),
        (pattern(), (RafterConfig(positions_mm=(1500.0,)),), "need more rails, or rails elsewhere, than its rafters or pans let stand within any limits that can be set (1,"),
        (pattern(gauge=1900.0), RAFTERS, "1,787 mm, meets fewer than two courses, 1,900 mm apart"),
        (pattern(skew=0.5, pan_width=42.0), RAFTERS, "no pan runs straight up under a whole row"),
    ],
)
def test_why_no_rail_can_stand(tiles, rafters, words: str) -> None:
    """Where no change of a limit is a cure, the reason is said, and the array gets no rails."""
    plan = plan_of(block(1, 3), surface(tiles), rafters)
    found = next(f for f in plan.findings if f.code == "no-supports")
    assert words in found.text
    assert (plan.rails, plan.hooks, plan.feet) == ((), (), ())


@pytest.mark.parametrize(
    ("hardware", "module", "rafters", "words"),
    [
        ({}, {"feet_per_module": 12}, RAFTERS, "4 instead of 12 feet at some modules"),
        ({}, {"zone_short_mm": (300, 301)}, RAFTERS, "feet outside the module's holding zones (2"),
        ({"arm_width_mm": 170}, {}, RAFTERS, "an arm 150 instead of 170 mm wide would do"),
        ({}, {}, (RafterConfig(spacing_mm=600, first_mm=300, width_mm=20),), "rafters 24 instead of 20 mm wide would do"),
        ({"max_rail_overhang_mm": 0}, {}, RAFTERS, "an overhang of 352 instead of 0 mm"),
    ],
)
def test_what_breaks_a_limit_is_said_with_the_figure_that_would_do(hardware, module, rafters, words: str) -> None:
    plan = plan_of(block(1, 3), rafters=rafters, hardware=HardwareConfig(**hardware), module=ModuleConfig(**module))
    assert any(words in f.text for f in plan.findings), [f.text for f in plan.findings]


def test_overload_is_said() -> None:
    site = SiteConfig(pressure_up_Pa=4000, pressure_down_Pa=4000)
    plan = plan_of(block(2, 4), site=site, hardware=HardwareConfig(hook_capacity_up_N=800, rail_moment_Nm=50))
    assert {"hook-overloaded", "rail-overloaded"} <= {f.code for f in plan.findings}
    assert max(plan.hooks, key=lambda h: h.use_percent).governs == "data sheet, uplift"


@pytest.mark.parametrize(
    ("site", "rule"),
    [
        (SiteConfig(pressure_up_Pa=1700), "pressures given with the lead"),
        (SiteConfig(pressure_down_Pa=1700), "pressures given with the lead"),
        (SiteConfig(wind_rule="asce_7_16", wind_speed_m_s=80, terrain="D", height_m=9, least_width_m=10), "wind by ASCE 7-16"),
        (SiteConfig(snow_rule="en_1991_1_3", ground_snow_Pa=2500), "snow by EN 1991-1-3"),
    ],
)
def test_a_module_that_takes_more_than_its_data_sheet_allows(site: SiteConfig, rule: str) -> None:
    """Portrait modules may take 1600 Pa at their short edges, landscape ones 2400 at their long ones."""
    where = surface(pattern(), pitch=18.0)
    upright = plan_of(block(2, 4), where, site=site)
    found = next(f for f in upright.findings if f.code == "module-overloaded")
    assert found.severity == "person"
    assert found.limit == 1600
    assert found.value is not None
    assert found.value > 1600
    assert rule in found.text
    assert "short edges" in found.text
    strong = plan_of(block(2, 4), where, site=site, module=ModuleConfig(max_pressure_short_Pa=found.value))
    assert "module-overloaded" not in {f.code for f in strong.findings}
    lying = block(2, 3, along_u=1722.0, along_v=1134.0, orientation="landscape")
    sturdy = plan_of(lying, where, site=site, module=ModuleConfig(max_pressure_long_Pa=20_000, max_pressure_short_Pa=1))
    assert "module-overloaded" not in {f.code for f in sturdy.findings}


@pytest.mark.parametrize(
    ("module", "orientation", "words"),
    [
        ({}, "best", "; landscape it may take 2,400 Pa."),
        ({}, "portrait", "; no other way to hold it is allowed that much."),
        ({"max_pressure_long_Pa": 1650}, "best", "; no other way to hold it is allowed that much."),
        ({"held_long": False}, "best", "; no other way to hold it is allowed that much."),
    ],
)
def test_another_way_to_lie_is_offered_where_it_carries_and_may_be_laid(module, orientation: str, words: str) -> None:
    """Portrait modules pressed by some 1900 Pa may take 1600; 1650 would be more, and not enough."""
    plan = place_supports(
        layout(block(2, 4)), surfaces(surface(pattern())), SupportsConfig(), RAFTERS, ModuleConfig(**module), HardwareConfig(),
        SiteConfig(pressure_down_Pa=1700), orientation,
    )  # fmt: skip
    told = next(f for f in plan.findings if f.code == "module-overloaded")
    assert told.text.endswith(words)


SETTINGS = {
    r"rails at ([\d,]+) instead": "max_foot_spacing_mm",
    r"row ends ([\d,]+) instead": "max_row_overhang_mm",
    r"arms ([\d,]+) instead": "hook_reach_mm",
    r"hooks ([\d,]+) instead": "max_hook_span_mm",
    r"an overhang of ([\d,]+) instead": "max_rail_overhang_mm",
    r"([\d,.]+) instead of [\d,.]+ mm between arm and tile": "arm_clear_mm",
    r"([\d,.]+) instead of [\d,.]+ mm of thread": "screw_thread_mm",
    r"A rail of ([\d,]+) instead": "rail_EI_Nm2",
}
"""Where the hardware's data sheet holds the figure that a cure names."""


def cures_within_bounds(findings: tuple[Finding, ...]) -> set[str]:
    """Settings that the findings name a cure for, each figure read against the setting's own bounds."""
    named = set()
    for text in (f.text for f in findings):
        for words, setting in SETTINGS.items():
            for figure in re.findall(words, text):
                (most,) = [rule.le for rule in HardwareConfig.model_fields[setting].metadata if hasattr(rule, "le")]
                assert float(figure.replace(",", "")) <= most, text
                named.add(setting)
    return named


FAR = (1000.0, 3480.0)
"""Rafters of which the second lies 600 mm beside two modules that need a rail each: an arm of 630 mm cannot be set."""


@pytest.mark.parametrize(
    ("array", "rafters", "hardware", "settings"),
    [
        (block(1, 2), FAR, {}, set()),
        (block(1, 2), (1000.0, 3280.0), {}, {"hook_reach_mm"}),
        (block(1, 3), (600.0, 3000.0), {}, {"max_foot_spacing_mm", "max_row_overhang_mm"}),
        (block(1, 3), (1500.0, 3200.0), {"max_hook_span_mm": 300, "max_rail_overhang_mm": 0},
         {"max_row_overhang_mm", "hook_reach_mm", "max_hook_span_mm", "max_rail_overhang_mm"}),
        (block(1, 2, along_u=3000.0, along_v=1134.0, orientation="landscape"), (2000.0, 5000.0), {}, set()),
    ],
)  # fmt: skip
def test_no_cure_of_rails_is_beyond_what_can_be_set(array, rafters, hardware, settings) -> None:
    """Where no limit that can be set is a cure, nothing is drawn, and the reason is said."""
    known = (RafterConfig(positions_mm=rafters),)
    plan = plan_of(array, surface(pattern()), known, hardware=HardwareConfig(**hardware))
    assert cures_within_bounds(plan.findings) >= settings
    assert bool(plan.rails) == ("no-supports" not in {f.code for f in plan.findings})


def test_rails_that_only_arms_beyond_any_setting_would_reach_are_not_drawn() -> None:
    plan = plan_of(block(1, 2), surface(None), (RafterConfig(positions_mm=FAR),))
    (told,) = [f for f in plan.findings if f.code in ("supports-relaxed", "no-supports")]
    assert told.code == "no-supports"
    assert "within any limits that can be set" in told.text
    assert not plan.rails


@pytest.mark.parametrize(
    ("hardware", "down_Pa", "words"),
    [
        ({"hook_stiffness_N_mm": 10}, 1500.0, "an arm that bends less (50 mm between arm and tile would not do)"),
        ({"hook_stiffness_N_mm": 150}, 1500.0, "mm between arm and tile"),
        ({"screw_thread_mm": 50, "screws_per_hook": 1}, 15_000.0, "more or thicker screws"),
        ({"rail_span_over_sag": 5000}, 19_000.0, "No stiffer rail would do: even one of 1,000,000 N·m² sags more."),
    ],
)
def test_no_cure_of_hooks_and_rails_under_load_is_beyond_what_can_be_set(hardware, down_Pa: float, words: str) -> None:
    plan = plan_of(block(2, 4), hardware=HardwareConfig(**hardware), site=SiteConfig(pressure_down_Pa=down_Pa))
    assert any(words in f.text for f in plan.findings), [f.text for f in plan.findings]
    cures_within_bounds(plan.findings)


def test_odd_feet_are_said_as_they_were_asked() -> None:
    """Five feet want three on each edge: four would do, of the five that the data sheet asks for."""
    lying = block(1, 2, along_u=1722.0, along_v=1134.0, orientation="landscape")
    known = (RafterConfig(positions_mm=(1000.0, 2400.0, 3800.0)),)
    plan = plan_of(lying, surface(None), known, module=ModuleConfig(feet_per_module=5))
    assert any("4 instead of 5 feet at some modules" in f.text for f in plan.findings)
