"""An earlier result read back from its folder: all but the points and the substrate's field, which nobody needs any more."""

from __future__ import annotations

import dataclasses
import json
import math
import tokenize
import types
import typing
import zipfile
import zlib
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray
from shapely.errors import ShapelyError
from shapely.geometry import Polygon, shape
from shapely.geometry.base import BaseGeometry

from rowplane.config import Config, Lead
from rowplane.errors import RowplaneError
from rowplane.ingest.crs import names_a_file
from rowplane.model import (
    Array,
    Finding,
    Layout,
    Levelling,
    Part,
    RecheckBasis,
    Roof,
    RoofResult,
    ScanQuality,
    StageCost,
    SupportPlan,
    Surface,
    Surfaces,
    Survey,
)

MOST_UNPACKED = 500_000_000
MOST_BYTES = 200_000_000
UNREADABLE = (
    OSError, KeyError, ValueError, TypeError, AttributeError, IndexError, OverflowError, EOFError, SyntaxError,
    RuntimeError,  # what is nested too deep, packed in an unknown way or encrypted
    tokenize.TokenError, zipfile.BadZipFile, zlib.error, ShapelyError,
)  # fmt: skip


@dataclasses.dataclass(frozen=True)
class NoField:
    """Stands where the substrate's field was: a folder keeps what hangs on it, not the field itself."""

    def mean_mm(self, uv_mm: Array) -> Array:
        """Raises: not kept."""
        raise NotImplementedError("a result's folder keeps no height field")

    def covariance_mm2(self, uv_mm: Array, other_uv_mm: Array | None = None) -> Array:
        """Raises: not kept."""
        raise NotImplementedError("a result's folder keeps no height field")


def read_earlier_result(folder: Path) -> RoofResult:
    """The result of a folder as `rowplane run` or `rowplane recheck` wrote it: result.json, posterior.npz, record.json.

    Complete but for the scan's points, labels and classes and the substrate's height field; findings of the stages before
    levelling stand in its `lead`. Raises RowplaneError where one of the files is missing or is not what those commands write.
    """
    try:
        values, record = (_json(folder / name) for name in ("result.json", "record.json"))
        arrays = _arrays(folder / "posterior.npz")
        result = _result(values, record, arrays)
        return replace(result, levels=replace(result.levels, posteriors=_bases(arrays, result.plan)))
    except UNREADABLE as error:
        found = f"no result that can be rechecked ({type(error).__name__})"
        hint = "Give the folder that `rowplane run` named."
        raise RowplaneError(str(folder), found, "the folder of a rowplane result", hint) from None


def _bases(named: dict[str, NDArray[Any]], plan: SupportPlan) -> tuple[RecheckBasis, ...]:
    """What each array's levelling rests on; ValueError where it is not about the feet and hooks of `plan`."""
    parts = [
        {key.partition(".")[2]: value for key, value in named.items() if key.startswith(f"{k}.")}
        for k in range(len(named["arrays"]))
    ]
    bases = tuple(RecheckBasis.of_arrays(part) for part in parts)
    hooks, feet = {h.id for h in plan.hooks}, {f.id for f in plan.feet}
    for basis in bases:
        f, h = len(basis.foot_ids), len(basis.hook_ids)
        shapes = (basis.mean_mm.shape, basis.covariance_mm2.shape, basis.influence.shape, basis.lift_mm.shape)
        if shapes != ((h,), (h, h), (f, h), (f,)) or not (feet >= set(basis.foot_ids) and hooks >= set(basis.hook_ids)):
            raise ValueError(f"array {basis.array} is of another result")
    return bases


def _json(path: Path) -> dict[str, Any]:
    if path.is_symlink() or not path.is_file():
        raise ValueError("a link, pipe or device may have no end")
    if path.stat().st_size > MOST_BYTES:
        raise RowplaneError(str(path), f"{path.stat().st_size} bytes", f"at most {MOST_BYTES} bytes", "Run the lead again.")
    values = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(values, dict):
        raise TypeError("not an object")
    return values


def _arrays(path: Path) -> dict[str, NDArray[Any]]:
    with zipfile.ZipFile(path) as packed:
        if sum(item.file_size for item in packed.infolist()) > MOST_UNPACKED:
            raise RowplaneError(str(path), "more than it can hold", f"at most {MOST_UNPACKED} bytes", "Run the lead again.")
    with np.load(path, allow_pickle=False) as arrays:
        return {name: arrays[name] for name in arrays.files}


def _result(values: dict[str, Any], record: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> RoofResult:
    survey = of_plain(Survey, values["survey"], points_mm=np.zeros((0, 3)), classes=None, findings=())
    if survey.frame.crs_wkt and names_a_file(survey.frame.crs_wkt):
        raise ValueError("a coordinate system that no scan had")
    roof = of_plain(Roof, values["roof"], labels=np.zeros(0, dtype=np.int16), findings=())
    surfaces = [_surface(surface, arrays) for surface in values["surfaces"]]
    levels = of_plain(Levelling, values["levels"], posteriors=())
    every = of_plain(tuple[Finding, ...], values["findings"])
    lead = Lead(
        name=str(values["lead"]),
        scan=tuple(Path(source.name) for source in survey.sources),
        survey_date=None if values["survey_date"] == "not given" else date.fromisoformat(values["survey_date"]),
        folder=Path(),
        config=Config.model_validate(_given(values["config"], Config().model_dump(mode="json"))),
        origins={row["setting"]: str(row["origin"]) for row in record["settings"] if row["origin"] != "default"},
        findings=tuple(found for found in every if found not in levels.findings),
    )
    costs = tuple(StageCost(c["stage"], c["seconds"], of_plain(float, c["peak_mb"])) for c in record["cost"])
    return RoofResult(
        lead, survey, of_plain(ScanQuality, values["quality"], findings=()), roof, Surfaces(tuple(surfaces)),
        of_plain(Layout, values["layout"], findings=()), of_plain(SupportPlan, values["plan"], findings=()), levels,
        of_plain(tuple[Part, ...], values["parts"]), costs, str(values["revision"]),
    )  # fmt: skip


def _given(values: dict[str, Any], defaults: dict[str, Any]) -> dict[str, Any]:
    """What is not the default, digit for digit: validation would turn the defaults' whole numbers into floats."""
    given = {}
    for key, value in values.items():
        if isinstance(value, dict) and isinstance(defaults.get(key), dict):
            given[key] = _given(value, defaults[key])
        elif key not in defaults or json.dumps(value) != json.dumps(defaults[key]):
            given[key] = value
    return given


def _surface(values: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> Surface:
    face = values["face"]["id"]
    maps = {name: arrays[f"map.{face}.{name}"] for name in ("own_mm", "sd_mm")}
    return of_plain(Surface, values, height=NoField(), findings=(), **maps)  # type: ignore[no-any-return]


def of_plain(kind: Any, value: Any, **given: Any) -> Any:
    """`value`, as json_result wrote it, back as `kind`: a dataclass of the model, tuple, array, polygon, number or text.

    null is NaN where a number is wanted and an empty polygon where one is. `given` are fields of a dataclass that are not in
    `value`. Raises KeyError, TypeError or ValueError where it does not fit.
    """
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = _hints(kind)
        named = {f.name: of_plain(hints[f.name], value[f.name]) for f in dataclasses.fields(kind) if f.name not in given}
        return kind(**named, **given)
    if get_origin(kind) in (typing.Union, types.UnionType):
        return None if value is None else of_plain(next(k for k in get_args(kind) if k is not type(None)), value)
    if get_origin(kind) is tuple:
        return _tuple(get_args(kind), value)
    if get_origin(kind) is np.ndarray:
        (scalar,) = get_args(get_args(kind)[1])
        return np.array(value, dtype=float if scalar is Any else scalar)
    if isinstance(kind, type) and issubclass(kind, BaseGeometry):
        return Polygon() if value is None else shape(value)
    return _single(kind, value)


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _single(kind: Any, value: Any) -> Any:
    if kind is float and value is None:
        return math.nan
    # A whole number may stand where a float is meant, and is then printed as one.
    if kind in (float, int, str, bool) and type(value) not in (kind, int if kind is float else kind):
        raise TypeError(f"{value!r} is no {kind.__name__}")
    return value


def _tuple(kinds: tuple[Any, ...], value: Any) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise TypeError(f"{value!r} is no list")
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        return tuple(of_plain(kinds[0], item) for item in value)
    return tuple(of_plain(kind, item) for kind, item in zip(kinds, value, strict=True))
