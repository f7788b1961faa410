"""What the phone page may reckon the survey to err by, after a recheck: as long as the command line does, and no longer."""

from __future__ import annotations

from typing import Any

import pytest

from browser.lead import levelled_result
from rowplane.deliverables.crew_data import crew_data
from rowplane.deliverables.sheets import build_sheets
from rowplane.levelling import moved_supports, recheck_feet
from rowplane.model import FieldReading, FieldReadings, RoofResult


@pytest.fixture(scope="module")
def result() -> RoofResult:
    return levelled_result()


def rechecked(result: RoofResult, *lines: FieldReading) -> RoofResult:
    levels = recheck_feet(result.levels, FieldReadings("readings.csv", lines))
    return result.next_revision(levels, moved_supports(result.plan, levels))


def array_of(result: RoofResult) -> dict[str, Any]:
    return crew_data(result, build_sheets(result))["arrays"]["A1"]


def survey_of(result: RoofResult) -> dict[str, Any]:
    return {name: array_of(result)[name] for name in ("scatter", "hooks", "influence")}


def test_a_set_foot_tells_nothing_of_the_survey(result: RoofResult) -> None:
    before = survey_of(result)
    assert all(before.values())
    assert survey_of(rechecked(result, FieldReading("A1-0-1", "set"))) == before


def test_a_moved_hook_is_where_it_now_is(result: RoofResult) -> None:
    (basis,) = (b for b in result.levels.posteriors if b.array == "A1")
    u, v = float(basis.hook_u_mm[0]) + 40, float(basis.hook_v_mm[0]) + 150
    before = survey_of(result)
    after = survey_of(rechecked(result, FieldReading(basis.hook_ids[0], "moved", u_mm=u, v_mm=v)))
    assert after["hooks"] == [(pytest.approx(u), pytest.approx(v)), *before["hooks"][1:]]
    on = [i for i, rail in enumerate(basis.foot_rails) if rail == basis.hook_rails[0]]
    changed = [i for i, pair in enumerate(zip(before["influence"], after["influence"], strict=True)) if pair[0] != pair[1]]
    assert changed
    assert set(changed) <= set(on)
    assert after["scatter"] != before["scatter"]


def test_heights_tell_of_the_survey(result: RoofResult) -> None:
    told = survey_of(rechecked(result, FieldReading("A1-0-1", "height", 100.0), FieldReading("A1-1-2", "height", 101.0)))
    assert not any(told.values())
