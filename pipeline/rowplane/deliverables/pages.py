"""The crew's pages, said once in words and figures: PDF and HTML set the same strings."""

from __future__ import annotations

import math

from rowplane.deliverables.content import Cell, Sheets, Stop
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
from rowplane.deliverables.words import WORDS
from rowplane.model import Hook, ModuleArray, Rail, RoofResult, TilePattern
from rowplane.units import sixteenths

QUARTERS = ("", "¼", "½", "¾")


def build_pages(result: RoofResult, sheets: Sheets) -> Pages:
    """Every page's cells as printed, in the units asked for."""
    say = Lengths(sheets.units)
    places = Places(result)
    return Pages(
        unit=sheets.units,
        marking=tuple(_marking(result, array, say) for array in result.layout.arrays),
        rails=tuple(_rail_page(places, rail, say) for rail in _in_order(result)),
        heights=tuple(_height_page(result, sheets, array, say) for array in result.layout.arrays),
        strings=_strings(result, say),
        measures=tuple(
            MeasureRow(m.order, plain(m.target), _KINDS[m.kind], plain(m.where), say(m.worst_sigma_after_mm))
            for m in sorted(result.levels.measures, key=lambda m: m.order)
        ),
        parts=tuple(_part(row, result.lead.config.hardware.trip_kg) for row in sheets.tables["parts"].records()),
        trips=_trips(result),
        hook_steps=_hook_steps(result, say),
        one_turn=WORDS["one_turn"].format(pitch=f"{result.lead.config.hardware.thread_pitch_mm:g} mm"),
    )


_KINDS = {"gap": "gap from string to rail top", "height": "height of the rail top, level"}


class Lengths:
    """Says a length on paper: whole and tenth millimetres, or inches with sixteenths."""

    def __init__(self, units: str) -> None:
        self.inches = units == "in"

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
        return f"{self(value_mm, decimals)} {'in' if self.inches else 'mm'}"


def turns_text(turns: float) -> str:
    """Turns in quarters: 12¾. What is no quarter keeps two decimals, so that nothing is rounded away unseen."""
    quarters = turns * 4
    if not math.isfinite(turns) or abs(quarters - round(quarters)) > 1e-6:
        return figure(turns, 2)
    whole, part = divmod(round(quarters), 4)
    return f"{whole or ('' if part else 0)}{QUARTERS[part]}"


def _in_order(result: RoofResult) -> list[Rail]:
    order = {a.id: k for k, a in enumerate(result.layout.arrays)}
    return sorted(result.plan.rails, key=lambda r: (order.get(r.array, len(order)), r.u_mm, r.v_start_mm))


def _pattern(result: RoofResult, face: str) -> TilePattern | None:
    return next((s.pattern for s in result.surfaces.surfaces if s.face.id == face), None)


def _courses(pattern: TilePattern | None, u: float, v: float, say: Lengths) -> str:
    """v counted in courses: how far above the nose of which course."""
    if pattern is None:
        return ""
    course = math.floor((v - pattern.nose_phase_mm - pattern.tilt * u) / pattern.gauge_mm) + 1
    over = v - float(pattern.nose_mm(course, u))
    # The gauge may drift up the slope; one step settles the count.
    course += 1 if over >= pattern.gauge_mm else -1 if over < 0 else 0
    return f"course {course} + {say.run(v - float(pattern.nose_mm(course, u)))}"


def _pans(pattern: TilePattern | None, u: float, v: float, say: Lengths) -> str:
    """u counted in pans: how far beside the middle of which pan."""
    if pattern is None:
        return ""
    pan = round((u - pattern.pan_phase_mm - pattern.skew * v) / pattern.cover_width_mm) + 1
    beside = u - float(pattern.pan_mm(pan, v))
    return f"pan {pan}" if abs(beside) < 3 else f"pan {pan} {'+' if beside > 0 else '−'} {say.run(abs(beside))}"


def _marking(result: RoofResult, array: ModuleArray, say: Lengths) -> MarkingPage:
    surface = next((s for s in result.surfaces.surfaces if s.face.id == array.face), None)
    pattern = _pattern(result, array.face)
    rails = [r for r in _in_order(result) if r.array == array.id]
    rows = max((m.row for m in array.modules), default=0)
    left = min((m.rect_mm[0] for m in array.modules), default=0.0)
    right = max((m.rect_mm[2] for m in array.modules), default=0.0)
    summary = (
        f"{len(array.modules)} modules {array.orientation} in {rows} row{'s' * (rows != 1)}, gap {say.with_unit(array.gap_mm, 0)}; "
        f"left edge of the array at {say.run(left)}, right edge at {say.run(right)}."
    )
    return MarkingPage(
        array=array.id,
        face=array.face,
        datum=plain(surface.datum_note) if surface else "",
        summary=summary,
        rails=tuple(Spot(r.id, r.u_mm, say.run(r.u_mm), _pans(pattern, r.u_mm, r.v_start_mm, say)) for r in rails),
        lines=tuple(
            Spot(f"line {k.index}", k.v_mm, say.run(k.v_mm), _courses(pattern, left, k.v_mm, say)) for k in array.lines
        ),
    )


def _rail_page(places: Places, rail: Rail, say: Lengths) -> RailPage:
    hooks = [places.hooks[h] for h in rail.hook_ids if h in places.hooks]
    return RailPage(
        rail=rail.id,
        array=rail.array,
        u=say.run(rail.u_mm),
        ends=f"{say.run(rail.v_start_mm)} to {say.run(rail.v_end_mm)}",
        pieces=" + ".join(say.run(c) for c in rail.cuts_mm),
        splices=", ".join(say.run(v) for v in rail.splices_mm),
        hooks=tuple(_hook_row(places, h, say) for h in hooks),
    )


def _hook_row(places: Places, hook: Hook, say: Lengths) -> HookRow:
    setting = places.hook_settings.get(hook.id)
    use = f" {hook.use_percent:.0f} %" if math.isfinite(hook.use_percent) else ""
    return HookRow(
        hook=hook.id,
        rafter="find rafter" if hook.find_rafter else plain(hook.rafter, 30),
        probe=f"± {say.run(hook.probe_mm)}",
        course=str(hook.course) if hook.course else "",
        pan=str(hook.pan) if hook.pan else "",
        v=say.run(hook.v_mm),
        u=say.run(hook.u_mm),
        packer=say(setting.packer_mm) if setting and setting.packer_mm else "",
        governs=f"{plain(hook.governs, 40)}{use}".strip(),
        trust=setting.trust if setting else "measure",
        note=_own_note(hook.note),
    )


def _own_note(note: str) -> str:
    """What is said of this hook alone: columns and steps above the table say the rest."""
    parts = plain(note).split("; ")
    return "; ".join(p for p in parts if not p.startswith(("find rafter", "pilot hole", "probe")))


def _height_page(result: RoofResult, sheets: Sheets, array: ModuleArray, say: Lengths) -> HeightPage:
    runs: dict[tuple[int, int], list[Stop]] = {}
    for stop in sheets.stops:
        if stop.array == array.id:
            runs.setdefault((stop.line, stop.run), []).append(stop)
    lines = {k.index: k for k in array.lines}
    several = {line for line, run in runs if run > 0}
    blocks = tuple(
        HeightRun(
            title=f"Line {line}" + (f", run {run + 1}" if line in several else "") + (" (front edge)" if line == 0 else ""),
            v=say.run(lines[line].v_mm) if line in lines else say.run(stops[0].v_mm),
            rows=tuple(_height_row(stop, say) for stop in stops),
        )
        for (line, run), stops in runs.items()
    )
    return HeightPage(array.id, array.face, _plane_words(result, array.id, say), blocks)


def _height_row(stop: Stop, say: Lengths) -> HeightRow:
    up = "▲" if stop.adjustment_mm > 0 else "▼" if stop.adjustment_mm < 0 else "●"
    return HeightRow(
        foot=stop.foot,
        rail=stop.rail,
        role=stop.role,
        kind=plain(stop.kind, 30),
        height=say(stop.height_mm),
        turns=turns_text(stop.turns),
        adjust=f"{up} {say(abs(stop.adjustment_mm))}",
        packer=f"+ {say(stop.packer_mm)}" if stop.packer_mm else "",
        gap=say(stop.string_gap_mm),
        sure=f"± {say(2 * stop.sigma_mm)}" if stop.sigma_mm is not None else "not known",
        trust=stop.trust,
        reach=stop.reach,
        note=stop.note,
    )


def _plane_words(result: RoofResult, array: str, say: Lengths) -> tuple[str, ...]:
    plane = next((p for p in result.levels.planes if p.array == array), None)
    if plane is None or not math.isfinite(plane.height_mm):
        return ("No array plane was found for this array; see the findings.",)
    told = [
        ("tilt against the roof", plane.tilt_mm),
        ("worst step at a seam", plane.worst_step_mm),
        ("worst kink along a row", plane.worst_kink_mm),
        ("worst twist of a module", plane.worst_twist_mm),
        ("least clearance over a tile", plane.clearance_mm),
        ("highest point over the roof", plane.highest_mm),
    ]
    words = [f"{what} {say.with_unit(value)}" for what, value in told if math.isfinite(value)]
    if math.isfinite(plane.probability):
        words.append(f"all seats within tolerance with probability {100 * plane.probability:.0f} %")
    if plane.binding:
        words.append(f"held by feet {', '.join(plain(b) for b in plane.binding[:8])}")
    return tuple(words)


def _strings(result: RoofResult, say: Lengths) -> tuple[StringRow, ...]:
    words = {
        "string": "string",
        "mid support": "string with a support in the middle",
        "laser": "laser line: too long for a string",
    }
    return tuple(
        StringRow(
            where=f"{s.array} line {s.line}" + (f" run {s.run + 1}" if s.run else ""),
            feet=f"{s.feet[0]} to {s.feet[-1]}" if s.feet else "",
            length=say.run(s.length_mm),
            sag=say(s.sag_mm),
            longest=say.run(s.longest_mm) if math.isfinite(s.longest_mm) else "",
            advice=words[s.advice],
        )
        for s in result.levels.strings
    )


def _part(row: dict[str, Cell], trip_kg: float) -> PartRow:
    quantity, weight = row["quantity"], row["weight_kg"]
    kg = float(weight) if isinstance(weight, int | float) else math.nan
    many = f"{quantity:g}" if isinstance(quantity, int | float) else ""
    return PartRow(
        str(row["part"]),
        str(row["detail"]),
        many,
        str(row["unit"]),
        figure(kg, 1),
        str(max(1, math.ceil(kg / trip_kg))) if math.isfinite(kg) and kg > 0 else "",
        str(row["note"]),
    )


def _trips(result: RoofResult) -> str:
    kg = sum(p.mass_kg for p in result.parts if math.isfinite(p.mass_kg))
    unknown = sum(not math.isfinite(p.mass_kg) for p in result.parts)
    trip = result.lead.config.hardware.trip_kg
    text = f"{kg:.0f} kg in all, {math.ceil(kg / trip)} trips of at most {trip:g} kg"
    return text + (f"; {unknown} lines without a weight are not in it" if unknown else "")


def _hook_steps(result: RoofResult, say: Lengths) -> tuple[str, ...]:
    hardware = result.lead.config.hardware
    return (
        "Find the rafter by probing.",
        "Lift the tile.",
        f"Pilot hole {hardware.pilot_hole_mm:g} mm, {hardware.screw_thread_mm:g} mm of thread into the rafter, "
        f"{hardware.screws_per_hook} screws of {hardware.screw_diameter_mm:g} mm.",
        "Seal the underlayment.",
        f"Packer under the plate so that the arm clears the tile below by about {say.with_unit(hardware.arm_clear_mm, 0)}.",
        "Screws to their torque.",
        "Notch the covering tile where the arm passes, never on the side lap.",
        "Re-lay, flash.",
    )
