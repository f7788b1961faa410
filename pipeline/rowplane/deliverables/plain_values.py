"""Model values as plain JSON values: dataclasses, arrays and polygons without losing a digit; NaN becomes null."""

from __future__ import annotations

import dataclasses
import math
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry


def to_plain(value: Any, leave_out: frozenset[str] = frozenset()) -> Any:
    """`value` as dicts, lists, strings, numbers, booleans and null; fields named in `leave_out` are not written.

    Polygons become GeoJSON-like geometries in u, v. Raises TypeError for what has no plain form.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [f.name for f in dataclasses.fields(value) if f.name not in leave_out]
        return {name: to_plain(getattr(value, name), leave_out) for name in names}
    if isinstance(value, BaseGeometry):
        return to_plain(mapping(value)) if not value.is_empty else None
    if isinstance(value, np.ndarray):
        return to_plain(value.tolist())
    if isinstance(value, dict):
        return {str(k): to_plain(v, leave_out) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(v, leave_out) for v in value]
    return _scalar(value)


def _scalar(value: Any) -> Any:
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Path):
        # Where a file lies differs between machines and is nobody's business.
        return value.name
    raise TypeError(f"no plain form for {type(value).__name__}")
