"""Text that came from outside, made fit for a sheet; numbers, rounded once."""

from __future__ import annotations

import math
import re
import unicodedata

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""First characters that make a spreadsheet run a cell as a formula (OWASP, 'CSV Injection')."""

# Overrides of the writing direction could make a sheet read other than it is; plain right-to-left letters are kept.
_DIRECTION_OVERRIDES = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def plain(text: object, longest: int = 300) -> str:
    """One line of printable text: control characters, lone surrogates and direction overrides out, cut at `longest`."""
    kept = "".join(" " if c.isspace() else c for c in str(text) if _printable(c) or c.isspace())
    line = " ".join(kept.split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


def breakable(text: str) -> str:
    """The same with places to break a line in what has no space for very long, so that it stays on its paper."""
    return re.sub(r"\S{25,}", lambda run: re.sub(r"(.{10})", "\\1\u200b", run.group()), text)


def harmless(text: str) -> str:
    """The same text with an apostrophe before it where a spreadsheet would take it for a formula."""
    return f"'{text}" if text.lstrip().startswith(FORMULA_STARTS) else text


def rounded(value: float, decimals: int) -> float | int | None:
    """`value` at `decimals`; None for NaN and infinities; never minus zero."""
    if not math.isfinite(value):
        return None
    return round(value) if decimals == 0 else round(float(value), decimals) + 0.0


def figure(value: float | int | None, decimals: int, empty: str = "") -> str:
    """A rounded number with all of its decimals, as tables and sheets print it."""
    return empty if value is None or not math.isfinite(value) else f"{value + 0.0:.{decimals}f}"


def _printable(char: str) -> bool:
    return char not in _DIRECTION_OVERRIDES and unicodedata.category(char) not in ("Cc", "Cs", "Co", "Cn")
