"""A true roof drawn from what the survey leaves open, a crew that measures on it, and what its seats come to."""

from __future__ import annotations

import numpy as np

from rowplane.levelling.sigma import off_plane, root_of
from rowplane.levelling.string_line import strings_of
from rowplane.model import Array, FieldReading, FieldReadings, Levelling, RecheckBasis


class Roof:
    """True hook seats: the basis's mean and a draw of its covariance (or `seats_mm` given). Rail tops follow by influence."""

    def __init__(self, basis: RecheckBasis, seed: int, seats_mm: Array | None = None) -> None:
        rng = np.random.default_rng(seed)
        drawn = basis.mean_mm + root_of(basis.covariance_mm2) @ rng.standard_normal(len(basis.hook_ids))
        self.basis = basis
        self.seats = drawn if seats_mm is None else seats_mm
        self.rail = basis.influence @ self.seats


def seats_off(roof: Roof, levels: Levelling) -> Array:
    """Every module seat's distance from the seats' best-fit plane, feet set as the table says."""
    stand = np.array([f.lift_mm + f.packer_mm for f in levels.feet])
    return off_plane(roof.basis) @ (roof.rail + stand)


def seats_rms(roof: Roof, levels: Levelling) -> float:
    return float(np.sqrt(np.mean(seats_off(roof, levels) ** 2)))


def read_heights(roof: Roof, feet: tuple[str, ...], seed: int = 0, level_mm: float = 4321.0, sd: float = 1.0) -> FieldReadings:
    """Levelled rail tops over a level nobody knows; `sd` is the reading's error square to the roof, marks are exact."""
    rng, basis = np.random.default_rng(seed + 1000), roof.basis
    lines = []
    for foot in feet:
        i = basis.foot_ids.index(foot)
        place = basis.up @ [basis.foot_u_mm[i], basis.foot_v_mm[i], roof.rail[i]]
        lines.append(FieldReading(foot, "height", float(place + level_mm + sd * basis.up[2] * rng.standard_normal())))
    return FieldReadings("readings.csv", tuple(lines))


def read_gaps(roof: Roof, levels: Levelling, seed: int = 0, sd: float = 1.0) -> FieldReadings:
    """Gaps to the string of every run, its outer feet set as the table says."""
    rng, basis = np.random.default_rng(seed + 2000), roof.basis
    stand = np.array([f.lift_mm + f.packer_mm for f in levels.feet])
    lines = []
    for string in strings_of(basis):
        u, top = basis.foot_u_mm[string.supports], (roof.rail + stand)[string.supports]
        for i, sag in zip(string.feet, string.sag_mm, strict=True):
            if i not in string.supports:
                gap = np.interp(basis.foot_u_mm[i], u, top) - sag - roof.rail[i] + sd * rng.standard_normal()
                lines.append(FieldReading(basis.foot_ids[i], "gap", float(gap)))
    return FieldReadings("readings.csv", tuple(lines))
