"""Placement: where modules may lie on each face, and the most of them that an aligned grid can hold there.

usable.py     outline minus setbacks, access paths and obstacles with their clearance
erosion.py    where the corner of one module may stand, and how that reads along any line across the slope
packing.py    the best of all grid offsets, with proof
arrays.py     modules that touch become arrays with rows, columns, lines, runs and seams
place.py      the stage: faces in order of sun, codes' rules, limits, wishes, an agreed layout
"""

from __future__ import annotations

from rowplane.placement.place import place_modules

__all__ = ["place_modules"]
