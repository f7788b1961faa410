"""The content of all sheets, built once from the result: what is said, in which order, with which numbers."""

from __future__ import annotations

import math

from rowplane import __version__
from rowplane.config import Config
from rowplane.deliverables.content import Sheets, Stop
from rowplane.deliverables.drawing import build_drawings
from rowplane.deliverables.keyplan import build_key_plan
from rowplane.deliverables.places import Places
from rowplane.deliverables.revision import revision, survey_date
from rowplane.deliverables.safe import plain, rounded
from rowplane.deliverables.tables import build_tables
from rowplane.deliverables.words import CAUTIONS, ORIENTATIONS, SEVERITY_WORDS, WORDS, count, say
from rowplane.model import Finding, Foot, FootSetting, RoofResult

SEVERITY_ORDER = ("stop", "person", "caution", "info")


def build_sheets(result: RoofResult) -> Sheets:
    """Everything the writers render. Empty results give sheets that say why they are empty."""
    stamp = revision(result)
    shown = result.lead.config.deliverables
    return Sheets(
        lead=plain(result.lead.name, 120) or WORDS["unnamed"],
        survey_date=survey_date(result),
        revision=stamp,
        version=__version__,
        units=shown.units,
        paper=shown.paper,
        headline=headline(result),
        facts=_facts(result),
        quality=_quality(result),
        cautions=CAUTIONS,
        assumed=assumed_values(result),
        findings=_findings(result),
        tables=build_tables(result, stamp),
        drawings=build_drawings(result),
        key_plan=build_key_plan(result),
        stops=work_order(result),
    )


def headline(result: RoofResult) -> str:
    """The result in one sentence; where there is no layout, the reason."""
    modules = sum(len(a.modules) for a in result.layout.arrays)
    if modules:
        feet = sum(1 for _ in Places(result).set_feet())
        measure = sum(f.trust == "measure" for f in result.levels.feet)
        faces = len({a.face for a in result.layout.arrays})
        doubt = say("doubt_some", n=measure) if measure else WORDS["doubt_none"]
        words = {"modules": count("module", modules), "faces": count("face", faces), "feet": count("foot", feet)}
        return say("headline", **words, doubt=doubt)
    stops = [plain(f.text) for f in result.findings if f.severity == "stop"]
    return say("no_layout", why=" ".join(stops) or WORDS["nothing_fits"])


def work_order(result: RoofResult) -> tuple[Stop, ...]:
    """Feet in the order their heights are set: array by array, line by line up the slope, outer feet of a run before inner."""
    places = Places(result)
    runs: dict[tuple[int, int, int], list[tuple[Foot, FootSetting]]] = {}
    order = {a.id: k for k, a in enumerate(result.layout.arrays)}
    for foot, setting in places.set_feet():
        runs.setdefault((order.get(foot.array, len(order)), foot.line, foot.run), []).append((foot, setting))
    stops: list[Stop] = []
    for key in sorted(runs):
        run = sorted(runs[key], key=lambda pair: (pair[0].u_mm, pair[0].id))
        outer = run if len(run) < 3 else [run[0], run[-1]]
        stops += [_stop(foot, setting, "outer") for foot, setting in outer]
        stops += [_stop(foot, setting, "inner") for foot, setting in run[1:-1]]
    return tuple(stops)


def _stop(foot: Foot, setting: FootSetting, role: str) -> Stop:
    return Stop(
        foot=foot.id,
        array=foot.array,
        line=foot.line,
        run=foot.run,
        rail=foot.rail,
        role="outer" if role == "outer" else "inner",
        kind=foot.kind,
        u_mm=round(foot.u_mm, 1),
        v_mm=round(foot.v_mm, 1),
        rail_height_mm=round(setting.rail_height_mm, 2),
        height_mm=round(setting.lift_mm + setting.packer_mm, 3),
        lift_mm=round(setting.lift_mm, 3),
        turns=round(setting.turns, 2),
        adjustment_mm=round(setting.adjustment_mm, 3),
        packer_mm=round(setting.packer_mm, 1),
        string_gap_mm=rounded(setting.string_gap_mm, 1),
        sigma_mm=rounded(setting.sigma_mm, 2),
        reach=setting.reach,
        trust=setting.trust,
        note="; ".join(dict.fromkeys(plain(n) for n in (foot.note, setting.note) if n)),
    )


def _facts(result: RoofResult) -> tuple[tuple[str, str], ...]:
    config: Config = result.lead.config
    modules = sum(len(a.modules) for a in result.layout.arrays)
    weight = sum(p.mass_kg for p in result.parts if math.isfinite(p.mass_kg))
    arrays = ", ".join(f"{a.id} ({len(a.modules)} {ORIENTATIONS[a.orientation]})" for a in result.layout.arrays)
    hardware = config.hardware
    travel = {"low": f"{hardware.lift_min_mm:g}", "high": f"{hardware.lift_max_mm:g}", "pitch": f"{hardware.thread_pitch_mm:g}"}
    facts = {
        "modules": f"{modules} × {plain(config.module.name, 60)}" if modules else WORDS["none"],
        "power": f"{modules * config.module.power_w / 1000:.1f} kW",
        "arrays": arrays or WORDS["none"],
        "counts": f"{len(result.plan.rails)}, {len(result.plan.hooks)}, {len(result.levels.feet)}",
        "weight_up": f"{weight:.0f} kg" if result.parts else WORDS["not_listed"],
        "loads": plain(result.plan.loads_screened) or WORDS["not_screened"],
        "hardware": plain(hardware.name, 60),
        "travel": say("travel_words", **travel),
    }
    return tuple((WORDS[key], text) for key, text in facts.items())


def _quality(result: RoofResult) -> tuple[str, ...]:
    q = result.quality
    lines = [say("verdict", verdict=q.verdict)]
    if q.points_on_roof:
        lines.append(say("points_on_roof", some=q.points_on_roof, all=q.points))
    if math.isfinite(q.hole_share) and q.hole_share >= 0.005:
        lines.append(say("not_seen", share=f"{100 * q.hole_share:.0f}"))
    return (*lines, *(plain(r) for r in q.reasons))


def _findings(result: RoofResult) -> tuple[tuple[str, str, str, str], ...]:
    """Gravest first; where one code speaks of three subjects or more, the first in full and the others by name."""
    groups: dict[tuple[str, str], list[Finding]] = {}
    for found in sorted(result.findings, key=lambda f: SEVERITY_ORDER.index(f.severity)):
        groups.setdefault((found.severity, found.code), []).append(found)
    said: list[tuple[str, str, str, str]] = []
    for (severity, code), group in groups.items():
        word = SEVERITY_WORDS[severity]
        if len(group) < 3:
            said += [(word, plain(code), plain(f.subject), plain(f.text, 600)) for f in group]
        else:
            others = ", ".join(dict.fromkeys(plain(f.subject, 40) for f in group[1:]))
            text = say("likewise", first=plain(group[0].text, 500), others=plain(others, 200))
            said.append((word, plain(code), plain(group[0].subject), text))
    return tuple(said)


def assumed_values(result: RoofResult) -> tuple[tuple[str, str, str], ...]:
    """(setting, value, meaning) of every default that is common practice or assumed and was not given with the lead."""
    config: Config = result.lead.config
    found: list[tuple[str, str, str]] = []
    for section, field in type(config).model_fields.items():
        values = getattr(config, section)
        if section == "rafters":
            continue
        found += _assumed_in(section, values, result.lead.origins)
        if section == "placement":
            found += _assumed_in("placement.setback_mm", values.setback_mm, result.lead.origins)
        del field
    return tuple(found)


def _assumed_in(section: str, values: object, origins: dict[str, str]) -> list[tuple[str, str, str]]:
    found = []
    for name, field in type(values).model_fields.items():  # type: ignore[attr-defined]
        meaning = field.description or ""
        key = f"{section}.{name}"
        if ("assumed" in meaning or "common practice" in meaning) and key not in origins:
            value = getattr(values, name)
            if value is not None:
                found.append((key, f"{value:g}" if isinstance(value, int | float) else plain(value), meaning))
    return found
