"""Ids of published check rows in a text: W-01, B-01 to B-04."""

from __future__ import annotations

import re

ROW = re.compile(r"\b([ABLMNRSWFGHTPD])-(\d\d)(?: to \1-(\d\d))?")


def rows_of(text: str) -> set[str]:
    """All ids named, ranges written out."""
    found = set()
    for letter, first, last in ROW.findall(text):
        found |= {f"{letter}-{k:02d}" for k in range(int(first), int(last or first) + 1)}
    return found
