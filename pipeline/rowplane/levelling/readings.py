"""Readings judged before they count: what they are about, their unit, sign and level, doubles, and what fits nothing."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rowplane.errors import RowplaneError
from rowplane.findings import finding
from rowplane.levelling.condition import (
    FEWEST_TO_TELL,
    Erred,
    Evidence,
    evidence_of,
    likely_erred,
    misfit,
    plausible,
    roughly_erred,
    smoothly_erred,
    standardised,
    standing,
    widened,
)
from rowplane.levelling.observe import string_of
from rowplane.levelling.taken import Taken, place_of, rail_of, resolve, row_of, taken_of
from rowplane.model import Array, FieldReading, FieldReadings, Finding, RecheckBasis

OUTLIER = 4.0
"""Standardised residual beyond which a reading is left out (data snooping, Baarda 1968): one in 16 000 by chance."""

DOUBLE = 3.0
"""Two readings of one thing disagree beyond this many standard deviations of their difference."""

ANY_LEVEL = float(np.log(2000.0 / np.sqrt(2 * np.pi)))
"""What a second level costs in powers of e: it may stand anywhere over 2 m (assumed)."""

SURE = 3.0
"""A file is refused where two levels are twenty times likelier (in powers of e) than one: of 122 honest files of ten heights on
roofs whose survey errs by 8 mm and does not say so, one passed for two levels without this."""

MOST_MOVED_MM = 1000.0
"""A hook or rail that moved further asks for a new layout, not for a recheck."""

FACTORS = {"inches": 25.4, "metres": 1000.0, "centimetres": 10.0, "feet": 304.8}
"""Units a value may have been written in by mistake, mm each."""

TARGETS = {"gap": "a foot", "height": "a foot, hook or rail", "set": "a foot", "moved": "a hook or rail"}


def judge(bases: tuple[RecheckBasis, ...], readings: FieldReadings) -> tuple[tuple[RecheckBasis, ...], tuple[Finding, ...]]:
    """The bases with the readings taken in that count, and what was left out and why.

    Raises RowplaneError, the bases untouched, for an unknown id or kind, a value that is missing or absurd,
    a wrong unit, a wrong sign, doubles that disagree, and heights on two levels.
    """
    for n, reading in enumerate(readings.readings):
        _known(bases, reading, f"{readings.source}, reading {n + 1}")
    findings: list[Finding] = []
    done = []
    for basis in bases:
        mine = tuple(r for r in readings.readings if _in(basis, r.id))
        after, found = _take(basis, mine, readings.source) if mine else (basis, [])
        done.append(after)
        findings += found
    return tuple(done), tuple(findings)


def _in(basis: RecheckBasis, target: str) -> bool:
    return target in basis.foot_ids or target in basis.hook_ids or target in basis.hook_rails


def _known(bases: tuple[RecheckBasis, ...], reading: FieldReading, subject: str) -> None:
    """Raise unless the id is there and carries this kind of reading."""
    kinds = {"gap": (0,), "height": (0, 1, 2), "set": (0,), "moved": (1, 2)}
    if reading.kind not in kinds:
        raise RowplaneError(subject, f"kind {reading.kind!r}", ", ".join(kinds), "See the readings sheet for what each means.")
    groups = [[i for b in bases for i in ids(b)] for ids in (_feet, _hooks, _rails)]
    allowed = [i for g in kinds[reading.kind] for i in groups[g]]
    if reading.id in allowed:
        return
    near = difflib.get_close_matches(reading.id, allowed, n=1, cutoff=0.0)
    hint = f"Did you mean {near[0]}?" if near else "This result has none."
    raise RowplaneError(subject, f"id {reading.id!r}", f"{TARGETS[reading.kind]} of this result", hint)


def _feet(basis: RecheckBasis) -> tuple[str, ...]:
    return basis.foot_ids


def _hooks(basis: RecheckBasis) -> tuple[str, ...]:
    return basis.hook_ids


def _rails(basis: RecheckBasis) -> tuple[str, ...]:
    return tuple(dict.fromkeys(basis.hook_rails))


def _take(basis: RecheckBasis, mine: tuple[FieldReading, ...], source: str) -> tuple[RecheckBasis, list[Finding]]:
    findings: list[Finding] = []
    kept = taken_of(basis)
    fresh = []
    for reading in dict.fromkeys(mine):
        if any(t.same_as(reading) for t in kept):
            findings.append(_unused(reading, "it had been taken in before"))
        elif reading.kind == "gap" and _rests(basis, reading, source):
            findings.append(_unused(reading, "the string rests on this foot"))
        else:
            _whole(standing(basis), reading, source)
            fresh.append(reading)
    if not fresh:
        return basis, findings
    basis, void = _void(basis, fresh)
    findings += void
    # A file that repeats heights of an earlier one was levelled on with the same datum.
    again = [t.datum for t in taken_of(basis) if t.kind == "height" and any(t.same_as(r) for r in mine)]
    datum = again[0] if again else basis.revision + 1
    first = [r for r in fresh if r.kind == "moved"]
    basis = _with(basis, tuple(resolve(standing(basis), r, datum) for r in first))
    now = standing(basis)
    new = tuple(resolve(now, r, datum) for r in fresh if r.kind != "moved")
    _judge_units(now, new, source)
    _judge_doubles(now, new, source)
    new, outliers = _without_outliers(now, taken_of(basis), new, source)
    return _with(basis, new), findings + outliers


def _with(basis: RecheckBasis, new: tuple[Taken, ...]) -> RecheckBasis:
    return replace(basis, taken=(*basis.taken, *(t.text() for t in new)))


def _unused(reading: FieldReading, why: str) -> Finding:
    value = None if np.isnan(reading.value_mm) else reading.value_mm
    text = f"The {reading.kind} reading at {reading.id} was not counted: {why}."
    return finding("reading-unused", f"reading {reading.id}", text, value, None, "mm")


def _rests(basis: RecheckBasis, reading: FieldReading, source: str) -> bool:
    foot = basis.foot_ids.index(reading.id)
    try:
        return bool(foot in string_of(basis, foot).supports)
    except KeyError:
        raise RowplaneError(
            f"{source}, gap at {reading.id}", "a gap to a string", "heights, where no string is advised over the run",
            "Level the rail tops of this run and give them as kind height.",
        ) from None  # fmt: skip


def _whole(basis: RecheckBasis, reading: FieldReading, source: str) -> None:
    """Raise where a value that the kind needs is missing, not finite, or beyond what the roof allows."""
    subject, limits = f"{source}, {reading.kind} at {reading.id}", basis.limits
    value, u, v = reading.value_mm, reading.u_mm, reading.v_mm
    if any(np.isinf(x) for x in (value, u, v)):
        raise RowplaneError(subject, "an infinite number", "millimetres", "Correct the line.")
    if reading.kind in ("gap", "height") and np.isnan(value):
        raise RowplaneError(subject, "no value", "a number in mm", "Give value_mm, or leave the line out.")
    if reading.kind == "height" and reading.id not in basis.foot_ids + basis.hook_ids and np.isnan(v):
        raise RowplaneError(subject, "a rail without a place", "v_mm, where the staff stood", "Give v_mm from the datum.")
    if reading.kind == "set" and not np.isnan(value) and not limits.lift_min_mm - 1 <= value <= limits.lift_max_mm + 1:
        likely = _meant(value, lambda x: limits.lift_min_mm <= x <= limits.lift_max_mm)
        raise RowplaneError(
            subject, f"a lift of {value:g} mm", f"{limits.lift_min_mm:g} to {limits.lift_max_mm:g} mm",
            f"It reads like {likely}: correct the line." if likely else "Measure from rail top to module seat.",
        )  # fmt: skip
    if reading.kind == "moved":
        _moved_whole(basis, reading, subject)


def _moved_whole(basis: RecheckBasis, reading: FieldReading, subject: str) -> None:
    if np.isnan(reading.u_mm) and np.isnan(reading.v_mm):
        raise RowplaneError(subject, "no place", "u_mm or v_mm, where it is now", "Give them from the datum.")
    if reading.id in basis.hook_rails and not np.isnan(reading.v_mm):
        raise RowplaneError(
            subject, "v_mm for a whole rail", "u_mm only", "Give moved hooks one by one for a move up the slope."
        )
    start = place_of(basis, reading.id, float("nan"), float("nan"))
    way = [to - at for to, at in zip((reading.u_mm, reading.v_mm), start, strict=True) if not np.isnan(to)]
    far = max(way, key=abs)
    if abs(far) <= MOST_MOVED_MM:
        return
    likely = _unit_of(reading.u_mm, lambda x: abs(x - start[0]) <= MOST_MOVED_MM) if not np.isnan(reading.u_mm) else ""
    raise RowplaneError(
        subject, f"a move of {far:.0f} mm", f"at most {MOST_MOVED_MM:.0f} mm",
        f"u_mm reads like {likely}: give mm." if likely else "Run the job again with the true rafter positions.",
    )  # fmt: skip


def _meant(value: float, fits: Callable[[float], bool]) -> str:
    """What a single value was written as by mistake: another unit, too large by a unit's factor, or the wrong sign; or ''."""
    if unit := _unit_of(value, fits):
        return unit
    if factor := next((factor for factor in FACTORS.values() if fits(value / factor)), 0.0):
        return f"{factor:g} times as much"
    return "the wrong sign" if fits(-value) else ""


def _unit_of(value: float, fits: Callable[[float], bool]) -> str:
    return next((unit for unit, factor in FACTORS.items() if fits(value * factor)), "")


def _void(basis: RecheckBasis, fresh: list[FieldReading]) -> tuple[RecheckBasis, list[Finding]]:
    """Readings taken before their rail, or one that carries their string, moved say nothing any more."""
    rails = {rail_of(basis, r.id) for r in fresh if r.kind == "moved"}
    kept, findings = [], []
    for taken in taken_of(basis):
        on = {rail_of(basis, taken.id)} if taken.kind in ("gap", "height") else set()
        if taken.kind == "gap":
            on |= {basis.foot_rails[s] for s in string_of(basis, basis.foot_ids.index(taken.id)).supports}
        if on & rails:
            text = f"The {taken.kind} reading at {taken.id} was dropped: {' and '.join(sorted(on & rails))} moved since."
            findings.append(finding("reading-unused", f"reading {taken.id}", text, taken.value_mm, None, "mm"))
        else:
            kept.append(taken.text())
    return replace(basis, taken=tuple(kept)), findings


def _judge_units(basis: RecheckBasis, new: tuple[Taken, ...], source: str) -> None:
    gaps = tuple(t for t in new if t.kind == "gap")
    if gaps:
        rows = [row_of(basis, t) for t in gaps]
        # What a rule should have read, and how surely: the reading less what it is off the survey.
        read = np.array([t.value_mm for t in gaps])
        expected = read - np.array([t.level_mm for t in gaps]) + np.array([row for row, _ in rows]) @ basis.mean_mm
        sd = np.sqrt([row @ basis.covariance_mm2 @ row + variance for row, variance in rows])
        _judge_factor(
            read, expected, np.maximum(sd, 3.0), f"{source}, gaps of array {basis.array}", "rail top up to the string"
        )
    heights = tuple(t for t in new if t.kind == "height")
    if len(heights) >= 2:
        _judge_heights(basis, heights, source)


def _judge_heights(basis: RecheckBasis, heights: tuple[Taken, ...], source: str) -> None:
    """Heights share an unknown level, so their unit shows in differences only; on one line of feet there are none."""
    places = np.array([place_of(basis, t.id, t.u_mm, t.v_mm) for t in heights])
    rows = [row_of(basis, t) for t in heights]
    over = np.array([row for row, _ in rows]) @ basis.mean_mm
    expected = places @ basis.up[:2] + over * basis.up[2]
    read = np.array([t.value_mm for t in heights])
    sd = np.sqrt([row @ basis.covariance_mm2 @ row + variance for row, variance in rows]) * basis.up[2]
    read, expected = read - np.median(read), expected - np.median(expected)
    if np.ptp(expected) > 10 * float(np.median(sd)):
        _judge_factor(
            read, expected, np.maximum(2 * sd, 3.0), f"{source}, heights of array {basis.array}", "upwards from one level"
        )


def _judge_factor(read: Array, expected: Array, sd: Array, subject: str, meant: str) -> None:
    """Raise where the readings as a whole fit only when taken in another unit, or with the other sign."""

    def fits(value: Array) -> bool:
        # Two thirds, not half: of three heights one is the level itself, and two of one line tell of no unit.
        return float(np.quantile(np.abs(value - expected) / sd, 2 / 3, method="higher")) <= OUTLIER

    if fits(read):
        return
    for unit, factor in FACTORS.items():
        if fits(read * factor):
            raise RowplaneError(
                subject, f"values that fit as {unit} (factor {factor:g})", "millimetres", "Give value_mm in mm."
            )
        if fits(read / factor):
            raise RowplaneError(
                subject, f"values {factor:g} times too great", "millimetres", f"Divide by {factor:g} and give them again."
            )
    if fits(-read):
        raise RowplaneError(subject, "values with the wrong sign", meant, "Turn the sign round and give them again.")


def _judge_doubles(basis: RecheckBasis, new: tuple[Taken, ...], source: str) -> None:
    """Raise where one file says two things of one place; a later file may say it anew."""
    seen: dict[tuple[str, str, str, str], Taken] = {}
    for taken in new:
        first = seen.setdefault((taken.kind, taken.id, str(taken.u_mm), str(taken.v_mm)), taken)
        _agree(basis, first, taken, source)


def _agree(basis: RecheckBasis, first: Taken, second: Taken, source: str) -> None:
    sd = basis.limits.setting_sd_mm if first.kind == "set" else basis.limits.reading_sd_mm
    allowed = DOUBLE * np.sqrt(2.0) * sd
    if abs(first.level_mm - second.level_mm) > allowed:
        raise RowplaneError(
            f"{source}, {first.kind} at {first.id}", f"{first.value_mm:g} and {second.value_mm:g} mm",
            f"doubles within {allowed:.1f} mm", "Measure it again and leave the wrong line out.",
        )  # fmt: skip


def _without_outliers(
    basis: RecheckBasis, kept: tuple[Taken, ...], new: tuple[Taken, ...], source: str
) -> tuple[tuple[Taken, ...], list[Finding]]:
    """Leave out new readings that stand off all that is known without them, unless a smooth survey error tells more likely."""
    old, told = (tuple(t for t in some if t.kind in ("gap", "height")) for some in (kept, new))
    if not told:
        return new, []
    _judge_level(basis, old + told, source)
    good, findings = _left_out(basis, old, told, roughly_erred)
    if findings and len(old + told) >= FEWEST_TO_TELL:
        other, fewer = _left_out(basis, old, told, smoothly_erred)
        sets = ((good, len(findings)), (other, len(fewer)))
        first, second = (plausible(basis, evidence_of(basis, old + some), slips) for some, slips in sets)
        good, findings = (other, fewer) if second > first else (good, findings)
    if len(findings) > max(1, len(told) // 3):
        names = ", ".join(f.subject.removeprefix("reading ") for f in findings)
        raise RowplaneError(
            source, f"{len(findings)} of {len(told)} readings off what survey and the others say ({names})", "a third at most",
            "Check that the file belongs to this roof, its unit, and that ids were not swapped.",
        )  # fmt: skip
    return tuple(t for t in new if t in good or t.kind not in ("gap", "height")), findings


def _left_out(
    basis: RecheckBasis, old: tuple[Taken, ...], told: tuple[Taken, ...], erred: Callable[[RecheckBasis, Evidence], Erred]
) -> tuple[tuple[Taken, ...], list[Finding]]:
    """New readings but for those beyond OUTLIER, left out one by one, the worst first; the survey errs as `erred` has it."""
    findings: list[Finding] = []
    while told:
        every = old + told
        evidence = evidence_of(basis, every)
        size, miss = standardised(*misfit(widened(basis, erred(basis, evidence)), evidence))
        worst = len(old) + int(np.argmax(size[len(old) :]))
        if size[worst] <= OUTLIER:
            break
        out = every[worst]
        told = tuple(t for t in told if t is not out)
        findings.append(_outlier(out, float(miss[worst])))
    return told, findings


def _outlier(out: Taken, miss: float) -> Finding:
    expected = out.value_mm - miss
    likely = _unit_of(out.value_mm, lambda x: abs(x - expected) <= 0.15 * abs(expected)) if out.kind == "gap" else ""
    words = f"; it reads like {likely}" if likely else ""
    text = f"The {out.kind} at {out.id} reads {out.value_mm:g} mm where {expected:.1f} mm was to be expected{words}: left out."
    return finding("reading-outlier", f"reading {out.id}", text, out.value_mm, expected, "mm")


def _judge_level(basis: RecheckBasis, every: tuple[Taken, ...], source: str) -> None:
    """Raise where all heights fit once some of the last file's have a level of their own, and nothing else tells as well.

    Those from some line of the file on, or, where two set-ups were mixed, those that stand highest over the survey.
    """
    heights = np.flatnonzero([t.kind == "height" and t.datum == every[-1].datum for t in every])
    if (n := len(heights)) < FEWEST_TO_TELL:
        return
    evidence = evidence_of(basis, every)
    residual, weight = misfit(basis, evidence)
    one, best, least = plausible(basis, evidence, 0), None, ANY_LEVEL + SURE
    for order, cost in ((heights, np.log(n)), (heights[np.argsort(residual[heights], kind="stable")], n * np.log(2.0))):
        sizes = [_jump_size(_from(order[k:], len(every)), residual, weight) for k in range(2, n - 1)]
        others = order[2 + int(np.argmax(sizes)) :]
        freed = replace(evidence, datums=np.column_stack([evidence.datums, _from(others, len(every))]))
        gain = plausible(basis, freed, 0) - one - cost
        if gain > least and _all_fit(basis, freed):
            best, least = (freed, others), gain
    if best is None:
        return
    wide, jump = widened(basis, likely_erred(basis, best[0])), best[0].datums[:, -1]
    residual, weight = misfit(wide, evidence)
    step = float(jump @ weight @ residual) / float(jump @ weight @ jump)
    if abs(step) > 5 * basis.limits.reading_sd_mm:
        names = ", ".join(every[i].id for i in sorted(best[1])[:3])
        raise RowplaneError(
            f"{source}, heights of array {basis.array}",
            f"two levels: {len(best[1])} of {n} ({names} …) stand {step * basis.up[2]:+.1f} mm", "one level per file",
            "Give the heights of each set-up of the level in a file of its own.",
        )  # fmt: skip


def _jump_size(jump: Array, residual: Array, weight: Array) -> float:
    own = float(jump @ weight @ jump)
    return float(jump @ weight @ residual) ** 2 / own if own > 1e-12 else 0.0


def _all_fit(basis: RecheckBasis, evidence: Evidence) -> bool:
    size, _ = standardised(*misfit(widened(basis, likely_erred(basis, evidence)), evidence))
    return float(size.max()) <= OUTLIER


def _from(some: NDArray[np.int64], n: int) -> Array:
    """1 at `some` of `n`, 0 elsewhere."""
    jump: Array = np.zeros(n)
    jump[some] = 1.0
    return jump
