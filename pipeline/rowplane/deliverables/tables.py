"""The tables of the contract, built once: columns with unit and meaning, rows with numbers rounded once."""

from __future__ import annotations

import numpy as np

from rowplane.deliverables.content import Cell, Column, Table
from rowplane.deliverables.places import Places, rail_height_at
from rowplane.deliverables.safe import plain, rounded
from rowplane.deliverables.words import TITLES, WORDS, say
from rowplane.frames import azimuth_deg, pitch_deg
from rowplane.model import Face, FootSetting, Hook, HookSetting, Rail, RoofResult

XYZ_DECIMALS = {"m": 4, "mm": 1, "cm": 3, "ft": 5, "us-ft": 5, "in": 3}
"""Enough for a tenth of a millimetre in each unit."""


def build_tables(result: RoofResult, revision: str) -> dict[str, Table]:
    """All tables by name, in the order of the contract."""
    places = Places(result)
    built = (
        feet_table(result, places, revision),
        hooks_table(result, places),
        rails_table(result, places, revision),
        modules_table(result, places, revision),
        faces_table(result),
        parts_table(result, revision),
    )
    return {table.name: table for table in built}


def _text(name: str, meaning: str) -> Column:
    return Column(name, "", None, meaning)


def _count(name: str, meaning: str) -> Column:
    return Column(name, "", 0, meaning)


def _mm(name: str, meaning: str, decimals: int = 1) -> Column:
    return Column(name, "mm", decimals, meaning)


def _xyz(names: tuple[str, ...], unit: str, where: str) -> tuple[Column, ...]:
    return tuple(Column(n, unit, XYZ_DECIMALS.get(unit, 4), f"{n}, scan coordinates, {where}") for n in names)


def _table(name: str, columns: tuple[Column, ...], rows: list[tuple[object, ...]]) -> Table:
    return Table(name, TITLES[name], columns, tuple(_row(columns, row) for row in rows))


def _row(columns: tuple[Column, ...], values: tuple[object, ...]) -> tuple[Cell, ...]:
    return tuple(_cell(column, value) for column, value in zip(columns, values, strict=True))


def _cell(column: Column, value: object) -> Cell:
    if column.decimals is None:
        return plain(value)
    if not isinstance(value, int | float | np.number):
        return None
    return rounded(float(value), column.decimals)


def _notes(*notes: str) -> str:
    return "; ".join(dict.fromkeys(n for n in notes if n))


def _feet_columns(unit: str) -> tuple[Column, ...]:
    return (
        _text("foot", "id"),
        _text("face", "face it stands on"),
        _text("array", "array it carries"),
        _count("line", "0 is the front edge of row 1"),
        _text("rail", "rail it clamps in"),
        _text("kind", "front, seam or top; +joiner where it holds a seam"),
        _mm("u_mm", "along the eave from the datum"),
        _mm("v_mm", "up the slope from the datum"),
        *_xyz(("x", "y", "z"), unit, "at the unloaded rail top"),
        _mm("rail_height_mm", "unloaded rail top over the face plane", 2),
        _mm("load_sag_mm", "how far the rail sinks under the modules", 2),
        _mm("lift_mm", "rail top to seat by the thread alone", 3),
        _mm("adjustment_mm", "lift minus mid-travel lift, plus is up", 3),
        Column("turns", "turns", 2, "from fully down, in quarters"),
        _mm("packer_mm", "stock spacer under the foot, adds to the lift"),
        _mm("sigma_mm", "standard deviation of the seat from the array's best-fit plane", 2),
        _mm("string_gap_mm", "rail top up to the string; empty where no string is advised"),
        _text("reach", "ok, packer, out-of-reach"),
        _text("trust", "ok, measure"),
        _text("revision", "fingerprint of input, settings and version"),
        _text("note", ""),
    )


def feet_table(result: RoofResult, places: Places, revision: str) -> Table:
    """One row per foot that has a number; x, y, z at the unloaded rail top."""
    columns = _feet_columns(places.unit)
    rows: list[tuple[object, ...]] = []
    for foot, setting in places.set_feet():
        xyz = places.scan_xyz(foot.face, foot.u_mm, foot.v_mm, setting.rail_height_mm)
        rows.append(
            (
                foot.id,
                foot.face,
                foot.array,
                foot.line,
                foot.rail,
                foot.kind,
                foot.u_mm,
                foot.v_mm,
                *xyz,
                setting.rail_height_mm,
                foot.load_sag_mm,
                *_lift(setting),
                setting.packer_mm,
                setting.sigma_mm,
                setting.string_gap_mm,
                setting.reach,
                setting.trust,
                revision,
                _notes(foot.note, setting.note),
            )
        )
    return _table("feet", columns, rows)


def _lift(setting: FootSetting) -> tuple[float, float, float]:
    return setting.lift_mm, setting.adjustment_mm, setting.turns


def _hooks_columns(unit: str) -> tuple[Column, ...]:
    return (
        _text("hook", "id"),
        _text("face", "face it is screwed to"),
        _text("array", "array it carries"),
        _text("rail", "rail it carries"),
        _text("rafter", "rafter it is screwed to; empty: find it"),
        _count("course", "counted from the datum; empty without a tile pattern"),
        _count("pan", "counted from the datum; empty without a tile pattern"),
        _mm("u_mm", "along the eave from the datum"),
        _mm("v_mm", "up the slope from the datum"),
        *_xyz(("x", "y", "z"), unit, "at the seat"),
        _mm("span_mm", "longer of the two spans beside it"),
        _mm("seat_height_mm", "seat over the face plane, packers included", 2),
        _mm("packer_mm", "stock spacers under its plate or rail clamp"),
        Column("uplift_N", "N", 0, "away from the roof"),
        Column("down_N", "N", 0, "towards the roof"),
        Column("downslope_N", "N", 0, "towards the eave"),
        Column("use_percent", "%", 0, "of what governs it"),
        _text("governs", "what the use is of"),
        _text("trust", "ok, measure"),
        _text("note", ""),
    )


def hooks_table(result: RoofResult, places: Places) -> Table:
    """One row per hook; x, y, z at its seat, packers included."""
    columns = _hooks_columns(places.unit)
    rows: list[tuple[object, ...]] = []
    for hook in result.plan.hooks:
        rail, setting = places.rails.get(hook.rail), places.hook_settings.get(hook.id)
        face, array = (rail.face, rail.array) if rail else ("", "")
        seat = setting.seat_height_mm if setting else hook.seat_height_mm
        rows.append(
            (
                hook.id,
                face,
                array,
                hook.rail,
                hook.rafter,
                hook.course or None,
                hook.pan or None,
                hook.u_mm,
                hook.v_mm,
                *places.scan_xyz(face, hook.u_mm, hook.v_mm, seat),
                hook.span_mm,
                seat,
                setting.packer_mm if setting else 0.0,
                hook.uplift_N,
                hook.down_N,
                hook.downslope_N,
                hook.use_percent,
                hook.governs,
                setting.trust if setting else "measure",
                _hook_note(hook, setting),
            )
        )
    return _table("hooks", columns, rows)


def _hook_note(hook: Hook, setting: HookSetting | None) -> str:
    probe = say("find_within" if hook.find_rafter else "probe_within", mm=f"{hook.probe_mm:.0f}")
    told = hook.note if ("probe" in hook.note or "find rafter" in hook.note) else _notes(probe, hook.note)
    return _notes(told, "" if setting else WORDS["no_levelling"])


def rails_table(result: RoofResult, places: Places, revision: str) -> Table:
    """One row per rail; ends at the unloaded rail top, straight on beyond the outer hooks."""
    columns = (
        _text("rail", "id"),
        _text("face", "face it lies on"),
        _text("array", "array it carries"),
        _text("rafter", "rafter its hooks are screwed to"),
        _mm("u_mm", "along the eave from the datum"),
        _mm("v_start_mm", "lower end, up the slope from the datum"),
        _mm("v_end_mm", "upper end"),
        _mm("length_mm", "from end to end"),
        *_xyz(("x_start", "y_start", "z_start"), places.unit, "rail top at the lower end"),
        *_xyz(("x_end", "y_end", "z_end"), places.unit, "rail top at the upper end"),
        _count("hooks", "hooks under it"),
        _count("feet", "feet in it"),
        _text("cuts_mm", "lengths of its pieces from the front"),
        _text("splices_mm", "v of its splices"),
        _text("revision", "fingerprint of input, settings and version"),
        _text("note", ""),
    )
    rows: list[tuple[object, ...]] = []
    for rail in result.plan.rails:
        rows.append(
            (
                rail.id,
                rail.face,
                rail.array,
                rail.rafter,
                rail.u_mm,
                rail.v_start_mm,
                rail.v_end_mm,
                rail.v_end_mm - rail.v_start_mm,
                *_rail_end(places, rail, rail.v_start_mm),
                *_rail_end(places, rail, rail.v_end_mm),
                len(rail.hook_ids),
                len(rail.foot_ids),
                _lengths(rail.cuts_mm),
                _lengths(rail.splices_mm),
                revision,
                "" if rail.rafter else WORDS["find_rafter"],
            )
        )
    return _table("rails", columns, rows)


def _rail_end(places: Places, rail: Rail, v_mm: float) -> tuple[float, ...]:
    return places.scan_xyz(rail.face, rail.u_mm, v_mm, rail_height_at(places, rail, v_mm))


def _lengths(lengths: tuple[float, ...]) -> str:
    return ";".join(f"{x + 0.0:.1f}" for x in lengths)


def modules_table(result: RoofResult, places: Places, revision: str) -> Table:
    """One row per module; corners counter-clockwise from front left, x, y, z at its underside on the array plane."""
    corners = tuple(f"{axis}{k}" for k in (1, 2, 3, 4) for axis in ("x", "y", "z"))
    columns = (
        _text("module", "id"),
        _text("face", "face it lies on"),
        _text("array", "array it belongs to"),
        _count("row", "counted from the eave"),
        _count("column", "counted from the left"),
        _text("orientation", "portrait or landscape"),
        *(_mm(f"{axis}{k}_mm", f"corner {k}, {axis} from the datum") for k in (1, 2, 3, 4) for axis in ("u", "v")),
        *_xyz(corners, places.unit, "corner at the module's underside"),
        _text("revision", "fingerprint of input, settings and version"),
        _text("note", ""),
    )
    rows: list[tuple[object, ...]] = []
    for array in result.layout.arrays:
        note = "" if array.id in places.planes else WORDS["no_heights"]
        for module in array.modules:
            uv = module_corners(module.rect_mm)
            xyz = [c for u, v in uv for c in places.scan_xyz(array.face, u, v, places.plane_height(array.id, u, v))]
            rows.append(
                (
                    module.id,
                    array.face,
                    array.id,
                    module.row,
                    module.column,
                    array.orientation,
                    *(c for corner in uv for c in corner),
                    *xyz,
                    revision,
                    note,
                )
            )
    return _table("modules", columns, rows)


def module_corners(rect_mm: tuple[float, float, float, float]) -> tuple[tuple[float, float], ...]:
    """Corners of a module, counter-clockwise from front left, mm."""
    left, front, right, top = rect_mm
    return (left, front), (right, front), (right, top), (left, top)


def faces_table(result: RoofResult) -> Table:
    """One row per face of the chosen building, used or not."""
    columns = (
        _text("face", "id"),
        Column("pitch_deg", "°", 2, "slope from horizontal"),
        Column("azimuth_deg", "°", 2, "direction it looks to, clockwise from grid north"),
        Column("area_m2", "m²", 2, "on the slope, obstacles not taken off"),
        _mm("eave_mm", "length of its eaves along u"),
        _mm("slope_length_mm", "from its lowest to its highest point, on the slope"),
        _count("points", "points on it"),
        _mm("rms_mm", "scatter of all its points, tile relief included", 2),
        _mm("gauge_mm", "course to course"),
        _mm("cover_width_mm", "tile column to tile column"),
        _mm("tile_rise_mm", "crown over pan"),
        _mm("deviation_rms_mm", "substrate over its plane", 2),
        _mm("deviation_max_mm", "substrate over its plane, greatest", 2),
        _count("modules", "modules on it"),
        _text("status", "used, nothing fits, not used"),
        _text("note", "why"),
    )
    surfaces = {s.face.id: s for s in result.surfaces.surfaces}
    rows: list[tuple[object, ...]] = []
    for rough in result.roof.faces:
        surface = surfaces.get(rough.id)
        face, pattern = (surface.face, surface.pattern) if surface else (rough, None)
        count = sum(len(a.modules) for a in result.layout.arrays if a.face == rough.id)
        status, note = face_status(result, rough, count, surface is not None)
        rows.append(
            (
                face.id,
                pitch_deg(face.frame),
                azimuth_deg(face.frame),
                face.area_m2,
                eave_length_mm(face),
                slope_length_mm(face),
                face.points,
                face.rms_mm,
                *((pattern.gauge_mm, pattern.cover_width_mm, pattern.rise_mm) if pattern else (None,) * 3),
                *((surface.deviation_rms_mm, surface.deviation_max_mm) if surface else (None, None)),
                count,
                status,
                note,
            )
        )
    return _table("faces", columns, rows)


def face_status(result: RoofResult, face: Face, modules: int, mapped: bool) -> tuple[str, str]:
    """Status word of a face and the reason behind it, from its note or the findings about it."""
    told = [f.text for f in result.findings if f.subject in (f"face {face.id}", face.id) and f.severity != "info"]
    if modules:
        return "used", _notes(face.note)
    if face.used and mapped:
        return "nothing fits", _notes(face.note, *told) or WORDS["no_room"]
    return "not used", _notes(face.note, *told) or WORDS["not_worked_on"]


def eave_length_mm(face: Face) -> float:
    """Length of a face's eave edges along u, mm."""
    return float(sum(abs(e.end_uv[0] - e.start_uv[0]) for e in face.edges if e.kind == "eave"))


def slope_length_mm(face: Face) -> float:
    """From the lowest to the highest point of a face, on the slope, mm; 0 for an empty outline."""
    return 0.0 if face.outline.is_empty else float(face.outline.bounds[3] - face.outline.bounds[1])


def parts_table(result: RoofResult, revision: str) -> Table:
    """Everything that goes up the ladder."""
    columns = (
        _text("part", "what"),
        _text("detail", "which"),
        Column("quantity", "", 2, "how many or how much"),
        _text("unit", "of the quantity"),
        Column("weight_kg", "kg", 2, "of all of it; empty: no data"),
        _text("revision", "fingerprint of input, settings and version"),
        _text("note", ""),
    )
    rows: list[tuple[object, ...]] = [(p.part, p.detail, p.quantity, p.unit, p.mass_kg, revision, p.note) for p in result.parts]
    return _table("parts", columns, rows)
