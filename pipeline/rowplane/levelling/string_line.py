"""The string between the outer feet of a run: its sag, how long it may be, and what a rule should read below it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rowplane.model import Array, LevelLimits, RecheckBasis, StringRun

GRAVITY = 9.80665
"""Standard acceleration of gravity, m/s² (CGPM 1901)."""


def catenary_sag_mm(x_mm: Array | float, span_mm: float, mass_g_m: float, pull_N: float, rise_mm: float = 0.0) -> Array:
    """Vertical distance of a hanging string below its chord at `x_mm`, mm; `pull_N` is the horizontal tension.

    Catenary y = a cosh((x − x₀)/a), a = H/w, between ends `span_mm` apart level and `rise_mm` apart in height; for level ends
    the sag at mid-span is a (cosh(L/2a) − 1). Differences of cosh are written as products of sinh, which keep their digits
    when the string is nearly straight. A span of 0 sags nothing.
    """
    x = np.asarray(x_mm, dtype=float)
    if span_mm <= 0:
        return np.zeros_like(x)
    a = pull_N / (mass_g_m * 1e-3 * GRAVITY) * 1e3
    if rise_mm == 0:
        return np.asarray(2 * a * np.sinh(x / (2 * a)) * np.sinh((span_mm - x) / (2 * a)))
    lowest = span_mm / 2 - a * np.arcsinh(rise_mm / (2 * a * np.sinh(span_mm / (2 * a))))
    above = 2 * a * np.sinh(x / (2 * a)) * np.sinh((x - 2 * lowest) / (2 * a))
    return np.asarray(rise_mm * x / span_mm - above)


def longest_string_mm(limits: LevelLimits) -> float:
    """Longest string whose sag is known to `string_error_mm`: the pull is known to a share, and sag goes with 1/pull.

    From sag = a (cosh(L/2a) − 1) solved for L; infinite where the pull is known exactly.
    """
    if limits.string_pull_share == 0:
        return float("inf")
    a = limits.string_pull_N / (limits.string_mass_g_m * 1e-3 * GRAVITY) * 1e3
    sag = limits.string_error_mm / limits.string_pull_share
    # arccosh(1 + s) = 2 arcsinh(sqrt(s / 2)), which keeps its digits for small s.
    return float(2 * a * 2 * np.arcsinh(np.sqrt(sag / (2 * a))))


@dataclass(frozen=True)
class Strung:
    """One run of feet with its string: indices of its feet along u, where it is supported, and the sag at every foot.

    `sag_mm` is along w: a string hangs plumb, so a rule held square to the roof sees cos(pitch) of its sag. NaN for a laser.
    """

    line: int
    run: int
    feet: NDArray[np.int64]
    supports: NDArray[np.int64]
    sag_mm: Array
    mid_sag_mm: float
    length_mm: float
    advice: Literal["string", "mid support", "laser"]


def strings_of(basis: RecheckBasis) -> tuple[Strung, ...]:
    """The string of every run of two feet or more, in the order of lines and runs."""
    keys = sorted(set(zip(basis.foot_lines.tolist(), basis.foot_runs.tolist(), strict=True)))
    found = []
    for line, run in keys:
        feet = np.flatnonzero((basis.foot_lines == line) & (basis.foot_runs == run))
        feet = feet[np.argsort(basis.foot_u_mm[feet], kind="stable")]
        if len(feet) >= 2:
            found.append(_strung(basis, line, run, feet))
    return tuple(found)


def _strung(basis: RecheckBasis, line: int, run: int, feet: NDArray[np.int64]) -> Strung:
    limits, u = basis.limits, basis.foot_u_mm[feet]
    length, longest = float(u[-1] - u[0]), longest_string_mm(basis.limits)
    mid_sag = float(catenary_sag_mm(length / 2, length, limits.string_mass_g_m, limits.string_pull_N))
    inner = np.arange(1, len(feet) - 1)
    middle = inner[np.argmin(np.abs(u[inner] - (u[0] + u[-1]) / 2))] if len(inner) else 0
    longer_half = max(u[middle] - u[0], u[-1] - u[middle])
    if length <= longest:
        advice, supports = "string", np.array([0, len(feet) - 1])
    elif len(inner) and longer_half <= longest:
        advice, supports = "mid support", np.array([0, middle, len(feet) - 1])
    else:
        return Strung(line, run, feet, feet[:0], np.full(len(feet), np.nan), mid_sag, length, "laser")
    sag = np.zeros(len(feet))
    for left, right in pairwise(supports):
        part, span = slice(left, right + 1), float(u[right] - u[left])
        rise = span * float(basis.up[0])  # the eave, hence u, need not be dead level
        sag[part] = catenary_sag_mm(u[part] - u[left], span, limits.string_mass_g_m, limits.string_pull_N, rise)
    return Strung(line, run, feet, feet[supports], sag * basis.up[2], mid_sag, length, advice)  # type: ignore[arg-type]


def string_gaps(basis: RecheckBasis, strung: tuple[Strung, ...], stand_mm: Array) -> Array:
    """From rail top up to the string at every foot `(f,)`: lift and packers less sag; NaN without a string."""
    gaps = np.full(len(basis.foot_ids), np.nan)
    for string in strung:
        gaps[string.feet] = stand_mm[string.feet] - string.sag_mm
    return gaps


def string_runs(basis: RecheckBasis, strung: tuple[Strung, ...]) -> tuple[StringRun, ...]:
    """The strings as the sheets print them."""
    longest = longest_string_mm(basis.limits)
    return tuple(
        StringRun(
            basis.array, s.line, s.run, tuple(basis.foot_ids[i] for i in s.feet), s.length_mm, s.mid_sag_mm, longest, s.advice
        )
        for s in strung
    )
