"""What readings say of the survey itself: as it says, more on the whole, or smoothly over metres; and what a slip is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal

from rowplane.levelling import level_feet
from rowplane.levelling.condition import AS_SAID, Erred, alike, conditioned, evidence_of, likely_erred, plausible, widened
from rowplane.levelling.measure import chosen, height_points
from rowplane.levelling.readings import judge
from rowplane.levelling.sigma import off_plane, root_of
from rowplane.levelling.taken import resolve
from rowplane.model import Array, FieldReadings, RecheckBasis
from test_6_levelling.builders import Field, case, sag
from test_6_levelling.roof import Roof, read_gaps, read_heights

ORDINARY = Field(sag(25), sd=1.5, length=3000.0)


@cache
def surveyed(hook_sd_mm: float = 0.5, length_mm: float = 3000.0) -> RecheckBasis:
    """36 feet under three rows, on a survey that says it errs by 1.5 mm."""
    made = case(replace(ORDINARY, length=length_mm), rows=3, columns=8)
    made = replace(made, hardware=made.hardware.model_copy(update={"hook_seat_sd_mm": hook_sd_mm}))
    return level_feet(*made.args()).posteriors[0]


def erring(basis: RecheckBasis, seed: int, way: Erred) -> Roof:
    """A roof off the survey as `way` has it."""
    wide = widened(basis, way)
    drawn = root_of(wide.covariance_mm2) @ np.random.default_rng(seed).standard_normal(len(basis.hook_ids))
    return Roof(basis, seed, basis.mean_mm + drawn)


@cache
def ten_of(hook_sd_mm: float = 0.5) -> tuple[str, ...]:
    """The ten feet to measure first."""
    basis = surveyed(hook_sd_mm)
    picks, _ = chosen(basis, height_points(basis), 10, 0.0)
    return tuple(basis.foot_ids[i] for i, _ in picks)


def told(basis: RecheckBasis, lines: FieldReadings) -> Erred:
    return likely_erred(basis, evidence_of(basis, tuple(resolve(basis, line, 1) for line in lines.readings)))


@pytest.mark.parametrize(
    ("way", "least"), [(AS_SAID, 15), (Erred(1.0, 8.0, 3000.0), 13), (Erred(5.0), 13)], ids=["as said", "smoothly", "much more"]
)
def test_readings_tell_how_the_survey_errs(way: Erred, least: int) -> None:
    basis = surveyed(length_mm=600.0)  # what it says of itself is rough, so that more of it is not smooth
    found = [told(basis, read_heights(erring(basis, seed, way), basis.foot_ids[::2], seed)) for seed in range(16)]
    kinds = [(f.times > 1, f.smooth_mm > 0) for f in found]
    assert kinds.count((way.times > 1, way.smooth_mm > 0)) >= least
    sizes = [f.smooth_mm for f in found if f.smooth_mm > 0 and way.smooth_mm > 0]
    assert not sizes or 4 <= np.median(sizes) <= 12


def test_three_readings_tell_nothing_of_the_survey() -> None:
    basis = surveyed()
    roof = erring(basis, 1, Erred(1.0, 16.0, 3000.0))
    assert told(basis, read_heights(roof, (basis.foot_ids[0], basis.foot_ids[17], basis.foot_ids[35]))) == AS_SAID


def test_restricted_likelihood_is_the_level_integrated_out() -> None:
    basis = surveyed()
    lines = read_heights(erring(basis, 2, Erred(1.0, 6.0, 2000.0)), basis.foot_ids[::5])
    evidence = evidence_of(basis, tuple(resolve(basis, line, 1) for line in lines.readings))

    def by_quadrature(way: Erred) -> float:
        spread = evidence.rows @ widened(basis, way).covariance_mm2 @ evidence.rows.T + np.diag(evidence.variance)
        normal = multivariate_normal(evidence.rows @ basis.mean_mm, spread)
        middle = float(np.mean(evidence.levels - evidence.rows @ basis.mean_mm))
        whole, _ = quad(lambda x: np.exp(normal.logpdf(evidence.levels - middle - x) + 25), -40, 40, limit=200)
        return float(np.log(whole))

    way = likely_erred(basis, evidence)
    assert way != AS_SAID
    # Both leave 2π of the level out: what is plausible differs from the integral by one constant, and by what a way costs.
    constant = 0.5 * np.log(2 * np.pi) + 25
    assert plausible(basis, evidence, 0) == pytest.approx(by_quadrature(way) - constant - 1, abs=1e-4)
    assert by_quadrature(way) > by_quadrature(AS_SAID) + 2
    assert plausible(basis, evidence, 0) - plausible(basis, evidence, 2) == pytest.approx(2 * np.log(50 * 200))


def left_out(basis: RecheckBasis, lines: FieldReadings) -> list[str]:
    _, findings = judge((basis,), lines)
    return [f.subject.removeprefix("reading ") for f in findings if f.code == "reading-outlier"]


def test_a_bubble_the_survey_does_not_say_is_no_slip() -> None:
    basis = surveyed()
    ways = [erring(basis, seed, Erred(1.0, 8.0, 2500.0)) for seed in range(12)]
    good = [left_out(basis, read_heights(roof, ten_of(), seed)) for seed, roof in enumerate(ways)]
    assert sum(map(len, good)) <= 1


@pytest.mark.parametrize("seed", range(3))
def test_a_survey_that_errs_much_more_than_it_says_makes_no_slips(seed: int) -> None:
    basis = surveyed(length_mm=600.0)
    lines = read_heights(erring(basis, seed, Erred(6.0)), basis.foot_ids, seed)
    assert left_out(basis, lines) == []
    # A slip stands out even so.
    worst = replace(lines.readings[11], value_mm=lines.readings[11].value_mm + 90)
    assert left_out(basis, replace(lines, readings=(*lines.readings[:11], worst, *lines.readings[12:]))) == [worst.id]


@pytest.mark.parametrize("place", range(0, 10, 3))
def test_a_slip_among_ten_readings_is_no_bubble(place: int) -> None:
    basis = surveyed()
    lines = list(read_heights(erring(basis, place, AS_SAID), ten_of(), place).readings)
    lines[place] = replace(lines[place], value_mm=lines[place].value_mm - 25)
    assert left_out(basis, FieldReadings("readings.csv", tuple(lines))) == [lines[place].id]


def ten_read(seed: int, feet: tuple[str, ...] | None = None) -> float:
    """What ten readings leave of the RMS where the survey errs by 8 mm over 2 to 4 m and says 1.5: chosen, or at `feet`."""
    basis, length = surveyed(0.0), float(np.random.default_rng(seed).uniform(2000, 4000))
    roof = erring(basis, seed, Erred(1.0, np.sqrt(64 - 1.5**2), length))
    (judged,), _ = judge((basis,), read_heights(roof, feet or ten_of(0.0), seed))
    return rms(roof, conditioned(judged).mean_mm) / rms(roof, basis.mean_mm)


def rms(roof: Roof, seats_mm: Array) -> float:
    """Of the seats off their plane, feet set for hooks at `seats_mm`."""
    return float(np.sqrt(np.mean((off_plane(roof.basis) @ (roof.basis.influence @ (roof.seats - seats_mm))) ** 2)))


@pytest.mark.parametrize("scenes", [5, pytest.param(12, marks=pytest.mark.long)])
def test_ten_readings_halve_an_error_the_survey_does_not_say(scenes: int) -> None:
    feet, rng, seeds = surveyed(0.0).foot_ids, np.random.default_rng(1), range(scenes)
    chosen_ten = np.array([ten_read(seed) for seed in seeds])
    random_ten = np.array([[ten_read(s, tuple(rng.choice(feet, 10, replace=False).tolist())) for _ in range(2)] for s in seeds])
    assert np.median(chosen_ten) <= 0.5
    assert np.sqrt(np.mean(chosen_ten**2)) <= 0.85 * np.sqrt(np.mean(random_ten**2))


def test_ten_points_are_spread_over_the_array() -> None:
    basis = surveyed()
    place = np.array([(basis.foot_u_mm[i], basis.foot_v_mm[i]) for i in map(basis.foot_ids.index, ten_of())])
    apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1)) + 1e9 * np.eye(10)
    assert np.median(apart.min(axis=1)) > 1500  # feet are 1.1 m apart along a line: not side by side


def test_gaps_alone_tell_of_a_smooth_error_too() -> None:
    made = case(ORDINARY, rows=2, columns=8)
    levels = level_feet(*made.args())
    roof = erring(levels.posteriors[0], 3, Erred(1.0, 16.0, 2000.0))
    basis = levels.posteriors[0]
    assert told(basis, read_gaps(roof, levels)).smooth_mm > 0


def test_correlation_of_a_smooth_error() -> None:
    at = np.array([[0.0, 0.0], [3000.0, 0.0], [0.0, 6000.0]])
    assert alike(at, at, 3000.0) == pytest.approx(np.exp(-0.5 * np.array([[0, 1, 4], [1, 0, 5], [4, 5, 0]])))
