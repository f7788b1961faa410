"""Placement: where modules may lie on each face, and the most of them that an aligned grid can hold there.

usable.py     outline minus setbacks, access paths and obstacles with their clearance
erosion.py    where the corner of one module may stand, and how that reads along any line across the slope
packing.py    levels at which the best set of grid cells may change, and how many cells each offset holds
search.py     the best of all grid offsets, with proof
footing.py    whether rails could carry rows of modules, by rafters and pans
carrying.py   what it would take to carry what fits but is not carried
ways.py       the ways a module may lie, and which its data sheet allows
filling.py    one face filled: orientation, expansion gaps, separate parts
sun.py        faces in order of sun
rules.py      rules that depend on the layout: ridge setback by share, clear ways, hips between filled faces
trimming.py   modules taken away again: a greatest count, levelling's wishes
agreed.py     an agreed layout, kept and checked
reasons.py    why a face stays empty, and the smallest cure
arrays.py     modules that touch become arrays with rows, columns, lines, runs and seams
place.py      the stage
"""

from __future__ import annotations

from rowplane.placement.place import place_modules

__all__ = ["place_modules"]
