"""The crew's pages, said once in words and figures: PDF and HTML set the same strings."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rowplane.deliverables.content import Cell, Sheets, Stop
from rowplane.deliverables.lengths import Lengths, in_courses, in_pans, notch, turns_text
from rowplane.deliverables.page_content import (
    HeightPage,
    HeightRow,
    HeightRun,
    HookRow,
    MarkingPage,
    MeasureRow,
    Pages,
    PartRow,
    RailPage,
    Spot,
    StringRow,
)
from rowplane.deliverables.places import Places
from rowplane.deliverables.safe import figure, plain
from rowplane.deliverables.words import ORIENTATIONS, WORDS, count, say
from rowplane.model import Hook, ModuleArray, Rail, RoofResult, TilePattern

ON_PAPER = ("piece", "m")
"""Units of what is carried up; other lines of the parts list are figures about the whole."""


def build_pages(result: RoofResult, sheets: Sheets) -> Pages:
    """Every page's cells as printed, in the units asked for."""
    length = Lengths(sheets.units)
    places = Places(result)
    parts = [row for row in sheets.tables["parts"].records() if row["unit"] in ON_PAPER]
    return Pages(
        unit=length.unit,
        lengths=say(f"lengths_{sheets.units}"),
        marking=tuple(_marking(result, array, length) for array in result.layout.arrays),
        rails=tuple(_rail_page(result, places, rail, length) for rail in _in_order(result)),
        heights=tuple(_height_page(result, sheets, array, length) for array in result.layout.arrays),
        strings=_strings(result, length),
        measures=tuple(
            MeasureRow(m.order, plain(m.target), say(f"measure_{m.kind}"), plain(m.where), _sure(m.worst_sigma_after_mm, length))
            for m in sorted(result.levels.measures, key=lambda m: m.order)
        ),
        parts=tuple(_part(row, result.lead.config.hardware.trip_kg) for row in parts),
        trips=_trips(result),
        hook_steps=_hook_steps(result, length),
        one_turn=say("one_turn", pitch=f"{result.lead.config.hardware.thread_pitch_mm:g} mm"),
    )


def _in_order(result: RoofResult) -> list[Rail]:
    order = {a.id: k for k, a in enumerate(result.layout.arrays)}
    return sorted(result.plan.rails, key=lambda r: (order.get(r.array, len(order)), r.u_mm, r.v_start_mm))


def _pattern(result: RoofResult, face: str) -> TilePattern | None:
    return next((s.pattern for s in result.surfaces.surfaces if s.face.id == face), None)


def _marking(result: RoofResult, array: ModuleArray, length: Lengths) -> MarkingPage:
    surface = next((s for s in result.surfaces.surfaces if s.face.id == array.face), None)
    pattern = _pattern(result, array.face)
    rails = [r for r in _in_order(result) if r.array == array.id]
    left = min((m.rect_mm[0] for m in array.modules), default=0.0)
    right = max((m.rect_mm[2] for m in array.modules), default=0.0)
    summary = say(
        "array_words",
        modules=count("module", len(array.modules)),
        orientation=ORIENTATIONS[array.orientation],
        rows=count("row", max((m.row for m in array.modules), default=0)),
        gap=length.with_unit(array.gap_mm, 0),
        left=length.run(left),
        right=length.run(right),
    )
    return MarkingPage(
        array=array.id,
        face=array.face,
        datum=plain(surface.datum_note) if surface else "",
        summary=summary,
        rails=tuple(
            Spot(r.id, r.u_mm, length.run(r.u_mm), in_pans(pattern, r.u_mm, r.v_start_mm, length)) for r in rails
        ),
        lines=tuple(
            Spot(say("line_n", n=k.index), k.v_mm, length.run(k.v_mm), in_courses(pattern, left, k.v_mm, length))
            for k in array.lines
        ),
    )


def _rail_page(result: RoofResult, places: Places, rail: Rail, length: Lengths) -> RailPage:
    hooks = [places.hooks[h] for h in rail.hook_ids if h in places.hooks]
    notes, rest = shared_notes([_own_note(h.note) for h in hooks])
    pattern = _pattern(result, rail.face)
    return RailPage(
        rail=rail.id,
        array=rail.array,
        u=length.run(rail.u_mm),
        ends=say("from_to", a=length.run(rail.v_start_mm), b=length.run(rail.v_end_mm)),
        pieces=" + ".join(length.run(c) for c in rail.cuts_mm),
        splices=", ".join(length.run(v) for v in rail.splices_mm),
        note=notes,
        hooks=tuple(_hook_row(places, h, note, pattern, length) for h, note in zip(hooks, rest, strict=True)),
    )


def _hook_row(places: Places, hook: Hook, note: str, pattern: TilePattern | None, length: Lengths) -> HookRow:
    setting = places.hook_settings.get(hook.id)
    return HookRow(
        hook=hook.id,
        short=plain(hook.id.removeprefix(f"{hook.rail}-")),
        rafter=WORDS["find"] if hook.find_rafter else plain(hook.rafter, 12),
        probe=f"± {length.run(hook.probe_mm)}",
        course=str(hook.course) if hook.course else "",
        pan=str(hook.pan) if hook.pan else "",
        v=length.run(hook.v_mm),
        u=length.run(hook.u_mm),
        notch=notch(pattern, hook.pan, hook.u_mm, hook.v_mm, length),
        packer=f"+ {length(setting.packer_mm)}" if setting and setting.packer_mm else "",
        trust=setting.trust if setting else "measure",
        note=note,
    )


def _own_note(note: str) -> str:
    """What is said of this hook alone: columns and steps above the table say the rest."""
    parts = plain(note).split("; ")
    return "; ".join(p for p in parts if not p.startswith(("find rafter", "pilot hole", "probe", "notch")))


def shared_notes(notes: Sequence[str]) -> tuple[str, tuple[str, ...]]:
    """What all of several notes say, and what is left of each: a sheet says it once."""
    split = [[p for p in note.split("; ") if p] for note in notes]
    shared = [p for p in split[0] if len(split) > 1 and all(p in other for other in split)] if split else []
    return "; ".join(shared), tuple("; ".join(p for p in parts if p not in shared) for parts in split)


def _height_page(result: RoofResult, sheets: Sheets, array: ModuleArray, length: Lengths) -> HeightPage:
    mine = [stop for stop in sheets.stops if stop.array == array.id]
    shared, rest = shared_notes([stop.note for stop in mine])
    runs: dict[tuple[int, int], list[HeightRow]] = {}
    at = {k.index: k.v_mm for k in array.lines}
    for stop, note in zip(mine, rest, strict=True):
        at.setdefault(stop.line, stop.v_mm)
        runs.setdefault((stop.line, stop.run), []).append(_height_row(stop, note, length))
    several = {line for line, run in runs if run > 0}
    blocks = tuple(
        HeightRun(_run_title(line, run, line in several), length.run(at[line]), tuple(rows))
        for (line, run), rows in runs.items()
    )
    summary = _plane_words(result, array.id, length)
    return HeightPage(array.id, array.face, (*summary, shared) if shared else summary, blocks)


def _run_title(line: int, run: int, several: bool) -> str:
    title = say("run_title", n=line, run=run + 1) if several else say("line_title", n=line)
    return title if line else say("front_edge", title=title)


def _height_row(stop: Stop, note: str, length: Lengths) -> HeightRow:
    up = "▲" if stop.adjustment_mm > 0 else "▼" if stop.adjustment_mm < 0 else "●"
    return HeightRow(
        foot=stop.foot,
        rail=stop.rail,
        role=WORDS[stop.role] + (f", {WORDS['joiner']}" if "joiner" in stop.kind else ""),
        height=length(stop.height_mm),
        turns=turns_text(stop.turns),
        adjust=f"{up} {length(abs(stop.adjustment_mm))}",
        packer=f"+ {length(stop.packer_mm)}" if stop.packer_mm else "",
        gap=length(stop.string_gap_mm),
        sure=_sure(stop.sigma_mm, length),
        trust=stop.trust,
        reach=stop.reach,
        note=note,
    )


def _sure(sigma_mm: float | None, length: Lengths) -> str:
    """Two standard deviations: 19 of 20 lie within."""
    known = sigma_mm is not None and math.isfinite(sigma_mm)
    return f"± {length(2 * float(sigma_mm or 0))}" if known else WORDS["not_known"]


def _plane_words(result: RoofResult, array: str, length: Lengths) -> tuple[str, ...]:
    plane = next((p for p in result.levels.planes if p.array == array), None)
    if plane is None or not math.isfinite(plane.height_mm):
        return (WORDS["no_plane"],)
    told = [
        ("plane_tilt", plane.tilt_mm),
        ("plane_step", plane.worst_step_mm),
        ("plane_kink", plane.worst_kink_mm),
        ("plane_twist", plane.worst_twist_mm),
        ("plane_clearance", plane.clearance_mm),
        ("plane_highest", plane.highest_mm),
    ]
    words = [say(what, mm=length.with_unit(value)) for what, value in told if math.isfinite(value)]
    if math.isfinite(plane.probability):
        words.append(say("plane_probability", percent=f"{100 * plane.probability:.0f}"))
    if plane.binding:
        words.append(say("plane_held", feet=", ".join(plain(b) for b in plane.binding[:8])))
    return tuple(words)


def _strings(result: RoofResult, length: Lengths) -> tuple[StringRow, ...]:
    return tuple(
        StringRow(
            where=say("string_run" if s.run else "string_line", array=s.array, n=s.line, run=s.run + 1),
            feet=say("first_to_last", first=s.feet[0], last=s.feet[-1]) if s.feet else "",
            length=length.run(s.length_mm),
            sag=length(s.sag_mm),
            longest=length.run(s.longest_mm) if math.isfinite(s.longest_mm) else "",
            advice=WORDS[s.advice],
        )
        for s in result.levels.strings
    )


def _part(row: dict[str, Cell], trip_kg: float) -> PartRow:
    quantity, weight = row["quantity"], row["weight_kg"]
    kg = float(weight) if isinstance(weight, int | float) and weight > 0 else math.nan
    many = f"{quantity:g}" if isinstance(quantity, int | float) else ""
    return PartRow(
        str(row["part"]),
        str(row["detail"]),
        many if row["unit"] == "piece" else f"{many} {row['unit']}",
        figure(kg, 1 if kg < 100 else 0),
        str(max(1, math.ceil(kg / trip_kg))) if math.isfinite(kg) else "",
        str(row["note"]),
    )


def _trips(result: RoofResult) -> str:
    kg = sum(p.mass_kg for p in result.parts if math.isfinite(p.mass_kg))
    unknown = sum(not math.isfinite(p.mass_kg) for p in result.parts if p.unit in ON_PAPER)
    trip = result.lead.config.hardware.trip_kg
    text = say("trips_words", kg=f"{kg:.0f}", trips=math.ceil(kg / trip), trip=f"{trip:g}")
    return say("trips_unknown", words=text, n=unknown) if unknown else text


def _hook_steps(result: RoofResult, length: Lengths) -> tuple[str, ...]:
    hardware = result.lead.config.hardware
    values = {
        "pilot": f"{hardware.pilot_hole_mm:g}",
        "thread": f"{hardware.screw_thread_mm:g}",
        "screws": hardware.screws_per_hook,
        "diameter": f"{hardware.screw_diameter_mm:g}",
        "clear": length.with_unit(hardware.arm_clear_mm, 0),
    }
    steps = ("probe", "lift", "drill", "seal", "packer", "screw", "notch", "close")
    return tuple(say(f"step_{step}", **values) for step in steps)
