"""Units of the outside world, turned into millimetres on the way in and back on the way out."""

from __future__ import annotations

from fractions import Fraction

MM_PER_UNIT: dict[str, float] = {
    "m": 1000.0,
    "mm": 1.0,
    "cm": 10.0,
    "ft": 304.8,
    "us-ft": 1_200_000 / 3937,
    "in": 25.4,
}
"""Exact definitions: international foot 0.3048 m, US survey foot 1200/3937 m (NIST SP 811, appendix B.6)."""


def sixteenths(value_mm: float) -> str:
    """A length in inches to the nearest sixteenth, the way a tape is read: `34 5/16`. Half a sixteenth rounds up."""
    count = int(abs(value_mm) / 25.4 * 16 + 0.5)
    whole, part = divmod(count, 16)
    sign = "-" if value_mm < 0 and count else ""
    if part == 0:
        return f"{sign}{whole}"
    fraction = Fraction(part, 16)
    head = f"{whole} " if whole else ""
    return f"{sign}{head}{fraction.numerator}/{fraction.denominator}"
