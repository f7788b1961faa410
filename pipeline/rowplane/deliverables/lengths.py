"""How lengths, turns and places between tiles are said on a sheet: whole and tenth millimetres, or inches with sixteenths."""

from __future__ import annotations

import math

from rowplane.deliverables.safe import figure
from rowplane.deliverables.words import say as words
from rowplane.model import TilePattern
from rowplane.units import sixteenths

QUARTERS = ("", "¼", "½", "¾")
MIDDLE_MM = 2.0
"""Nearer than this to the middle of a pan is in the middle: nobody notches finer."""


class Lengths:
    """Says a length on paper in the units asked for."""

    def __init__(self, units: str) -> None:
        self.inches = units == "in"
        self.unit = words(units)

    def __call__(self, value_mm: float | None, decimals: int = 1) -> str:
        """A length as printed; empty where it is not known."""
        if value_mm is None or not math.isfinite(value_mm):
            return ""
        return sixteenths(value_mm) if self.inches else figure(value_mm, decimals)

    def run(self, value_mm: float) -> str:
        """A running dimension, to the whole millimetre: no tape on a roof reads finer."""
        return self(value_mm, 0)

    def with_unit(self, value_mm: float, decimals: int = 1) -> str:
        """The same with its unit behind it."""
        return f"{self(value_mm, decimals)} {self.unit}"


def turns_text(turns: float) -> str:
    """Turns in quarters: 12¾. What is no quarter keeps two decimals, so that nothing is rounded away unseen."""
    quarters = turns * 4
    if not math.isfinite(turns) or abs(quarters - round(quarters)) > 1e-6:
        return figure(turns, 2)
    whole, part = divmod(round(quarters), 4)
    return f"{whole or ('' if part else 0)}{QUARTERS[part]}"


def in_courses(pattern: TilePattern | None, u: float, v: float, say: Lengths) -> str:
    """v counted in courses: how far above the nose of which course; empty without a tile pattern."""
    if pattern is None:
        return ""
    course = math.floor((v - pattern.nose_phase_mm - pattern.tilt * u) / pattern.gauge_mm) + 1
    over = v - float(pattern.nose_mm(course, u))
    # The gauge may drift up the slope; one step settles the count.
    course += 1 if over >= pattern.gauge_mm else -1 if over < 0 else 0
    over = v - float(pattern.nose_mm(course, u))
    return words("course_n", n=course) if abs(over) < MIDDLE_MM else words("course_up", n=course, by=say.run(over))


def in_pans(pattern: TilePattern | None, u: float, v: float, say: Lengths) -> str:
    """u counted in pans: how far beside the middle of which pan; empty where no pans are known."""
    if pattern is None or not pattern.has_pans:
        return ""
    pan = round((u - pattern.pan_phase_mm - pattern.skew * v) / pattern.cover_width_mm) + 1
    beside = u - float(pattern.pan_mm(pan, v))
    if abs(beside) < MIDDLE_MM:
        return words("pan_n", n=pan)
    return words("pan_right" if beside > 0 else "pan_left", n=pan, by=say.run(abs(beside)))


def notch(pattern: TilePattern | None, pan: int, u: float, v: float, say: Lengths) -> str:
    """Where the covering tile is notched, from the middle of its pan; empty without a tile pattern."""
    if pattern is None or not pan:
        return ""
    beside = u - float(pattern.pan_mm(pan, v))
    if abs(beside) < MIDDLE_MM:
        return words("notch_middle")
    return words("notch_right" if beside > 0 else "notch_left", by=say.run(abs(beside)))
