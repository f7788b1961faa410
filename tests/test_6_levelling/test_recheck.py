"""The loop with the roof: readings in, better numbers out, and nothing taken that cannot be right."""

from __future__ import annotations

import re
from dataclasses import asdict, replace

import numpy as np
import pytest

from rowplane.config import HardwareConfig, LevellingConfig
from rowplane.errors import RowplaneError
from rowplane.levelling import basis_of, level_feet, recheck_feet
from rowplane.model import FieldReading, FieldReadings, Levelling, RecheckBasis
from test_6_levelling.builders import Field, case, sag
from test_6_levelling.roof import Roof, read_gaps, read_heights, seats_rms

WAVY = Field(sag(20), sd=8.0, length=2000.0)


def levelled(**kind: object) -> Levelling:
    return level_feet(*case(WAVY, **kind).args())  # type: ignore[arg-type]


def readings(*lines: FieldReading) -> FieldReadings:
    return FieldReadings("readings.csv", lines)


def table(levels: Levelling) -> tuple[object, ...]:
    return levels.feet, levels.hooks, levels.planes, levels.strings, levels.measures


def test_no_readings_change_nothing() -> None:
    levels = levelled()
    assert recheck_feet(levels, readings()) is levels


def test_basis_survives_arrays_and_solves_the_same() -> None:
    levels = levelled()
    basis = RecheckBasis.of_arrays(levels.posteriors[0].as_arrays())
    np.testing.assert_equal(asdict(basis.limits), asdict(levels.posteriors[0].limits))
    back = replace(levels, posteriors=(basis,))
    says_nothing = FieldReading("A1-0-1", "gap", levels.feet[0].string_gap_mm)  # the string rests on this foot
    assert table(recheck_feet(back, readings(says_nothing))) == table(levels)
    lines = read_heights(Roof(basis, seed=3), basis.foot_ids)
    assert recheck_feet(back, lines).feet == recheck_feet(levels, lines).feet


def test_level_feet_rests_on_the_basis_it_gives_out() -> None:
    made = case(WAVY)
    (before,), (after,) = basis_of(*made.args()), level_feet(*made.args()).posteriors
    assert np.array_equal(before.mean_mm + after.hook_packer_mm, after.mean_mm)
    assert np.array_equal(before.covariance_mm2, after.covariance_mm2)


@pytest.mark.parametrize("seed", range(4))
def test_all_rail_tops_measured_leave_little(seed: int) -> None:
    levels = levelled(rows=3)
    basis = levels.posteriors[0]
    roof = Roof(basis, seed=seed)
    before = seats_rms(roof, levels)
    after = recheck_feet(levels, read_heights(roof, basis.foot_ids, seed=seed))
    assert seats_rms(roof, after) <= 1.2
    assert seats_rms(roof, after) < before
    assert all(f.trust == "ok" for f in after.feet)
    assert after.posteriors[0].revision == 1


def test_gaps_help_along_their_line() -> None:
    levels = levelled(rows=1, columns=8)
    roof = Roof(levels.posteriors[0], seed=5)
    after = recheck_feet(levels, read_gaps(roof, levels))
    assert seats_rms(roof, after) < 0.6 * seats_rms(roof, levels)


def test_a_gap_as_expected_confirms_the_table() -> None:
    levels = levelled(rows=1, columns=8)
    inner = [f for f in levels.feet if 0 < int(f.foot.split("-")[2]) - 1 < 5]
    plane = levels.planes[0]
    # The string runs between seats that were rounded, so what it shows at an inner foot differs from the plane by that.
    lines = tuple(FieldReading(f.foot, "gap", f.string_gap_mm) for f in inner)
    after = recheck_feet(levels, readings(*lines))
    assert after.planes[0].height_mm == pytest.approx(plane.height_mm, abs=1.0)
    assert max(abs(a.lift_mm - b.lift_mm) for a, b in zip(after.feet, levels.feet, strict=True)) <= 0.5
    assert max(f.sigma_mm for f in after.feet) < max(f.sigma_mm for f in levels.feet)


def test_only_changed_numbers_are_marked() -> None:
    levels = levelled(rows=3)
    roof = Roof(levels.posteriors[0], seed=1)
    after = recheck_feet(levels, read_heights(roof, levels.posteriors[0].foot_ids[:9]))
    for was, now in zip(levels.feet, after.feet, strict=True):
        changed = (was.lift_mm, was.packer_mm) != (now.lift_mm, now.packer_mm)
        assert now.note.startswith("changed: was") == changed
    assert any(f.note for f in after.feet)


def test_set_feet_stay_and_the_rest_join_their_plane() -> None:
    levels = levelled(rows=3)
    basis = levels.posteriors[0]
    roof = Roof(basis, seed=2)
    corners = [i for i, f in enumerate(basis.foot_ids) if basis.foot_lines[i] in (0, 3) and f.split("-")[2] in ("1", "6")]
    # Corners were set 2 mm higher than the table says; the rest must follow up.
    lines = tuple(FieldReading(basis.foot_ids[i], "set", float(basis.lift_mm[i]) + 2) for i in corners)
    after = recheck_feet(levels, readings(*lines))
    for i, (was, now) in enumerate(zip(levels.feet, after.feet, strict=True)):
        assert now.lift_mm - was.lift_mm == pytest.approx(2.0, abs=0.5)
        assert now.note.startswith("set at") == (i in corners)
    later = recheck_feet(after, read_heights(roof, basis.foot_ids))
    for i in corners:
        assert later.feet[i].lift_mm == after.feet[i].lift_mm
    assert later.posteriors[0].revision == 2


def test_readings_accumulate_whatever_the_files() -> None:
    levels = levelled(rows=3)
    roof = Roof(levels.posteriors[0], seed=4)
    ids = levels.posteriors[0].foot_ids
    every = read_heights(roof, ids).readings
    at_once = recheck_feet(levels, readings(*every))
    half = recheck_feet(levels, readings(*every[:10]))
    appended = recheck_feet(half, readings(*every))
    assert appended.feet[0].sigma_mm == pytest.approx(at_once.feet[0].sigma_mm, rel=1e-9)
    assert [f.lift_mm for f in appended.feet] == [f.lift_mm for f in at_once.feet]
    assert sum(f.code == "reading-unused" for f in appended.findings) == 10


def test_a_moved_rail_follows_the_slope() -> None:
    tilted = Field(lambda u, v: 0.02 * u, sd=1.0)
    levels = level_feet(*case(tilted, rows=1, columns=2, levelling=LevellingConfig(max_tilt_mm=60)).args())
    basis = levels.posteriors[0]
    to = float(basis.hook_u_mm[0]) + 100
    after = recheck_feet(levels, readings(FieldReading("A1-R1", "moved", u_mm=to)))
    rise = after.feet[0].rail_height_mm - levels.feet[0].rail_height_mm
    assert rise == pytest.approx(2.0, abs=1e-6)


def test_readings_from_before_a_move_are_dropped() -> None:
    levels = levelled()
    roof = Roof(levels.posteriors[0], seed=6)
    first = recheck_feet(levels, read_heights(roof, levels.posteriors[0].foot_ids))
    then = recheck_feet(first, readings(FieldReading("A1-R2", "moved", u_mm=1500.0)))
    dropped = [f.subject for f in then.findings if f.code == "reading-unused"]
    assert dropped == [f"reading A1-{line}-2" for line in range(3)]


def outliers(levels: Levelling) -> list[str]:
    return [f.subject for f in levels.findings if f.code == "reading-outlier"]


def test_an_outlier_is_named_and_left_out() -> None:
    levels = levelled(rows=3)
    roof = Roof(levels.posteriors[0], seed=7)
    good = read_heights(roof, levels.posteriors[0].foot_ids)
    bad = replace(
        good,
        readings=(*good.readings[:5], replace(good.readings[5], value_mm=good.readings[5].value_mm + 25), *good.readings[6:]),
    )
    after = recheck_feet(levels, bad)
    assert outliers(after) == [f"reading {good.readings[5].id}"]
    assert seats_rms(roof, after) <= 1.2


def test_a_single_gap_in_inches_is_named() -> None:
    levels = levelled(rows=1, columns=8)
    roof = Roof(levels.posteriors[0], seed=8)
    lines = read_gaps(roof, levels).readings
    lines = (replace(lines[0], value_mm=lines[0].value_mm / 25.4), *lines[1:])
    after = recheck_feet(levels, readings(*lines))
    (found,) = [f for f in after.findings if f.code == "reading-outlier"]
    assert lines[0].id in found.subject
    assert "inches" in found.text


def scaled(lines: FieldReadings, factor: float, add: float = 0.0) -> FieldReadings:
    return replace(lines, readings=tuple(replace(r, value_mm=r.value_mm * factor + add) for r in lines.readings))


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1 / 25.4, "inches"), (1 / 1000, "metres"), (25.4, "25.4 times"), (1000, "1000 times"), (-1, "wrong sign")],
)
@pytest.mark.parametrize("kind", ["gap", "height"])
def test_a_wrong_unit_or_sign_is_named(kind: str, factor: float, words: str) -> None:
    levels = levelled(rows=3, columns=8)
    roof = Roof(levels.posteriors[0], seed=9)
    lines = read_gaps(roof, levels) if kind == "gap" else read_heights(roof, levels.posteriors[0].foot_ids)
    with pytest.raises(RowplaneError, match=words) as caught:
        recheck_feet(levels, scaled(lines, factor))
    assert "readings.csv" in caught.value.subject


@pytest.mark.parametrize("step", [40.0, 15.0])
@pytest.mark.parametrize("second", [range(11, 24), range(22, 24), range(0, 24, 2)], ids=["rest", "last two", "mixed"])
def test_two_levels_in_one_file_are_named(second: range, step: float) -> None:
    # What readings themselves must tell a step by is how well the survey and its hooks are known.
    levels = level_feet(*case(Field(sag(20), sd=2.0, length=2000.0), rows=3, hardware=HardwareConfig(hook_seat_sd_mm=0.5)).args())
    roof = Roof(levels.posteriors[0], seed=10)
    lines = read_heights(roof, levels.posteriors[0].foot_ids).readings
    assert len(lines) == 24
    mixed = tuple(replace(r, value_mm=r.value_mm + (step if n in second else 0)) for n, r in enumerate(lines))
    with pytest.raises(RowplaneError, match="two levels") as caught:
        recheck_feet(levels, readings(*mixed))
    (told,) = re.findall(r"(\d+) of 24 .* stand ([+-][\d.]+) mm", caught.value.found)
    assert int(told[0]) == len(second)
    assert float(told[1]) == pytest.approx(step, abs=3)


def test_a_face_that_the_survey_tilts_and_bends_is_on_one_level() -> None:
    levels = level_feet(*case(Field(sag(20), sd=1.5, length=3000.0), rows=3, columns=8).args())
    basis = levels.posteriors[0]
    bent = 12 * np.tanh((basis.hook_u_mm - 4500) / 1500)  # rises by 24 mm from the left half to the right
    after = recheck_feet(levels, read_heights(Roof(basis, 1, basis.mean_mm + bent), basis.foot_ids))
    assert "survey-errs-more" in {f.code for f in after.findings}


def test_every_file_has_its_own_level() -> None:
    levels = levelled(rows=3)
    roof, ids = Roof(levels.posteriors[0], seed=4), levels.posteriors[0].foot_ids
    at_once = recheck_feet(levels, read_heights(roof, ids))
    for k, feet in enumerate((ids[:8], ids[8:16], ids[16:22], ids[22:23], ids[23:])):
        levels = recheck_feet(levels, read_heights(roof, feet, level_mm=1000.0 * k**2))
    assert not outliers(levels)
    # Four levels more to find cost some of what the readings tell.
    assert 0 < np.mean([f.sigma_mm for f in levels.feet]) / np.mean([f.sigma_mm for f in at_once.feet]) - 1 < 0.5
    assert [f.rail_height_mm for f in levels.feet] == pytest.approx([f.rail_height_mm for f in at_once.feet], abs=5)


def test_three_heights_in_inches_are_named() -> None:
    levels = levelled(rows=3)
    lines = read_heights(Roof(levels.posteriors[0], seed=3), ("A1-0-1", "A1-3-1", "A1-0-2"))
    with pytest.raises(RowplaneError, match="inches"):
        recheck_feet(levels, scaled(lines, 1 / 25.4))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (FieldReading("A1-0-99", "gap", 40.0), "Did you mean A1-0-"),
        (FieldReading("A1-R1", "gap", 40.0), "a foot of this result"),
        (FieldReading("A1-0-1", "moved", u_mm=100.0), "a hook or rail"),
        (FieldReading("A1-0-1", "sag", 40.0), "kind 'sag'"),  # type: ignore[arg-type]
        (FieldReading("A1-0-2", "gap"), "no value"),
        (FieldReading("A1-0-2", "height", float("inf")), "infinite"),
        (FieldReading("A1-R1", "height", 40.0), "v_mm, where the staff stood"),
        (FieldReading("A1-0-2", "set", 1.75), "reads like inches"),
        (FieldReading("A1-0-2", "set", 0.045), "reads like metres"),
        (FieldReading("A1-0-2", "set", -45.0), "reads like the wrong sign"),
        (FieldReading("A1-0-2", "set", 45 * 25.4), "reads like 25.4 times as much"),
        (FieldReading("A1-R1", "moved"), "no place"),
        (FieldReading("A1-R1", "moved", u_mm=9000.0), "a move of"),
        (FieldReading("A1-R1", "moved", v_mm=900.0), "v_mm for a whole rail"),
    ],
)
def test_lines_that_cannot_be_taken(line: FieldReading, words: str) -> None:
    levels = levelled()
    with pytest.raises(RowplaneError, match=words):
        recheck_feet(levels, readings(line))


def test_doubles_that_disagree() -> None:
    levels = levelled(rows=1, columns=8)
    gap = levels.feet[2].string_gap_mm
    twice = (FieldReading("A1-0-2", "gap", gap), FieldReading("A1-0-2", "gap", gap + 6))
    with pytest.raises(RowplaneError, match="doubles within"):
        recheck_feet(levels, readings(*twice))


def test_a_string_that_rests_on_the_foot_says_nothing() -> None:
    levels = levelled(rows=1, columns=8)
    after = recheck_feet(levels, readings(FieldReading("A1-0-1", "gap", levels.feet[0].string_gap_mm)))
    assert table(after) == table(levels)
    assert [f.code for f in after.findings if f.code == "reading-unused"] == ["reading-unused"]


def test_no_string_no_gap() -> None:
    far = case(Field(sag(10), sd=2.0), rows=1, columns=40)
    levels = level_feet(*far.args())
    assert all(s.advice == "laser" for s in levels.strings)
    with pytest.raises(RowplaneError, match="kind height"):
        recheck_feet(levels, readings(FieldReading("A1-0-5", "gap", 40.0)))


def test_a_file_for_another_roof_is_refused() -> None:
    levels = levelled(rows=3, hardware=HardwareConfig(hook_seat_sd_mm=0.5))
    roof = Roof(levels.posteriors[0], seed=11)
    lines = read_heights(roof, levels.posteriors[0].foot_ids).readings
    noise = np.random.default_rng(0).normal(0, 60, len(lines))
    wild = tuple(replace(r, value_mm=r.value_mm + float(e)) for r, e in zip(lines, noise, strict=True))
    with pytest.raises(RowplaneError, match="a third at most"):
        recheck_feet(levels, readings(*wild))
