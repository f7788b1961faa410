"""Rails, hooks and feet of every array, put together: the stage's one public function."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from rowplane.columns import pan_slack_mm, rafter_section, rafters_of
from rowplane.config import HardwareConfig, ModuleConfig, RafterConfig, SiteConfig, SupportsConfig, greatest
from rowplane.findings import finding
from rowplane.model import Finding, Foot, Hook, Layout, ModuleArray, Rail, StockCut, SupportPlan, Surface, Surfaces
from rowplane.supports.assemble import ArraySupports, RailPlan, build_array, plan_rails
from rowplane.supports.check import cures, screws_in_words
from rowplane.supports.cutting import Bar, cut_rails, least_stock_mm
from rowplane.supports.grid import Grid, grid_of
from rowplane.supports.pressures import FaceLoads, face_loads, module_pressure_Pa
from rowplane.supports.rails import Ground, RailSet, asked_limits, find_rails, why_none
from rowplane.supports.settling import settling


def place_supports(
    layout: Layout,
    surfaces: Surfaces,
    supports: SupportsConfig,
    rafters: Sequence[RafterConfig],
    module: ModuleConfig,
    hardware: HardwareConfig,
    site: SiteConfig,
    orientation: Literal["portrait", "landscape", "best"] = "best",
) -> SupportPlan:
    """Rails, hooks and feet under every array of the layout; an empty layout gives an empty plan.

    `orientation` is that of the placement's settings: no other way to lie is offered where modules are overloaded.

    Where no set of rails keeps all limits, the smallest relaxation is used, said at the feet and as a finding; an array
    that nothing can carry gets none, with the reason as a finding.
    """
    rails: list[Rail] = []
    hooks: list[Hook] = []
    feet: list[Foot] = []
    found: list[Finding] = []
    words: list[str] = []
    for array in layout.arrays:
        surface = surfaces.of(array.face)
        built, said, rule = _carry(array, surface, supports, rafters, module, hardware, site, orientation)
        words.append(rule)
        rails += built.rails
        hooks += built.hooks
        feet += built.feet
        found += said
    if rails and not any(words):
        found.append(finding("loads-not-screened", "loads", "No site loads were given: no hook, rail or module was screened."))
    finished, cutting, said = _cut(rails, hooks, feet, hardware)
    found += said
    return SupportPlan(
        finished, tuple(hooks), tuple(feet), cutting, _screened(words, hardware, site), tuple(dict.fromkeys(found))
    )


def _screened(words: Sequence[str], hardware: HardwareConfig, site: SiteConfig) -> str:
    """Which rules the loads come from, or why there are none."""
    rules = [w for w in dict.fromkeys(words) if w]
    if not rules:
        return "not screened: no site loads were given"
    return f"{'; '.join(rules)}; {screws_in_words(hardware, site)}; a screening, not engineering"


def _carry(
    array: ModuleArray,
    surface: Surface,
    supports: SupportsConfig,
    sections: Sequence[RafterConfig],
    module: ModuleConfig,
    hardware: HardwareConfig,
    site: SiteConfig,
    orientation: Literal["portrait", "landscape", "best"],
) -> tuple[ArraySupports, list[Finding], str]:
    """Supports of one array, what there is to say about them, and the rule of their loads in words."""
    if not array.modules:
        return ArraySupports((), (), ()), [], ""
    section = rafter_section(surface.face, sections)
    ground = Ground(grid_of(array, module, hardware), surface.pattern, rafters_of(surface.face, section), hardware, supports)
    found = _about_ground(ground, section, surface)
    chosen = find_rails(ground, asked_limits(ground, module.feet_per_module))
    if chosen is None:
        reason = f"No rail can stand under array {array.id} on face {array.face}: {why_none(ground)}."
        return ArraySupports((), (), ()), [*found, finding("no-supports", f"array {array.id}", reason)], ""
    plans = plan_rails(ground, chosen)
    loads = face_loads(site, surface.face, ground.grid)
    built = build_array(ground, chosen, plans, surface, module, site, loads)
    found += _about_rails(ground, chosen, plans)
    found += [finding("load-rule-partial", f"face {array.face}", f"Left out: {left}.") for left in loads.left_out]
    found += [*_about_modules(ground.grid, module, loads, orientation), settling(array, surface, section, module)]
    return built, [*found, *_about_hooks(array.id, built, hardware, site), *_about_bending(built, hardware)], loads.words


def _about_ground(ground: Ground, section: RafterConfig | None, surface: Surface) -> list[Finding]:
    """What is not known of the face, and what on it is narrower than the hardware."""
    face, hardware = surface.face.id, ground.hardware
    found = []
    if not ground.rafters:
        words = (
            f"Rafters of face {face} are not known: hooks are planned for rafters about "
            f"{ground.supports.assumed_rafter_spacing_mm:.0f} mm apart (assumed); every hook reads 'find rafter'."
        )
        if section is not None:
            words = f"No rafter of the lead lies under face {face}; " + words[0].lower() + words[1:]
        found.append(finding("rafters-unknown", f"face {face}", words))
    elif section is not None and 0.5 * section.width_mm < hardware.screw_edge_mm:
        words = (
            f"Rafters of face {face} are too narrow for a screw {hardware.screw_edge_mm:g} mm from both sides; rafters "
            f"{2 * hardware.screw_edge_mm:g} instead of {section.width_mm:g} mm wide would do, or screws that may stand "
            f"{0.5 * section.width_mm:g} mm from a side."
        )
        found.append(finding("rafter-narrow", f"face {face}", words, section.width_mm, 2 * hardware.screw_edge_mm, "mm"))
    if ground.pattern is not None and pan_slack_mm(ground.pattern, hardware) < 0:
        words = (
            f"The hook's arm is wider than the pans of face {face}: the tiles beside it must be cut; an arm "
            f"{math.floor(ground.pattern.pan_width_mm):g} instead of {hardware.arm_width_mm:g} mm wide would do."
        )
        found.append(finding("arm-too-wide", f"face {face}", words, hardware.arm_width_mm, ground.pattern.pan_width_mm, "mm"))
    return found


def _about_rails(ground: Ground, chosen: RailSet, plans: Sequence[RailPlan]) -> list[Finding]:
    """The relaxations that were needed, the smallest first."""
    name, hardware = ground.grid.array.id, ground.hardware
    found = []
    if chosen.cures:
        words = f"No set of rails keeps every limit under array {name}; it is drawn with {chosen.cures[0]}"
        words += f" ({_out_of_zones_mm(ground.grid, plans):.0f} mm)." if not chosen.limits.zones else "."
        if len(chosen.cures) > 1:
            words += f" It would also do with {'; or '.join(chosen.cures[1:])}."
        found.append(finding("supports-relaxed", f"array {name}", words))
    relaxed = [(p.id, p.relaxed) for p in plans if p.relaxed is not None]
    if relaxed:
        span, overhang = max(r.span_mm for _, r in relaxed), max(r.overhang_mm for _, r in relaxed)
        parts = []
        if span > hardware.max_hook_span_mm:
            parts.append(f"hooks {span:,.0f} instead of {hardware.max_hook_span_mm:,.0f} mm apart")
        if overhang > hardware.max_rail_overhang_mm:
            parts.append(f"an overhang of {overhang:,.0f} instead of {hardware.max_rail_overhang_mm:,.0f} mm")
        words = (
            f"No courses let the hooks of {_rails_in_words([name for name, _ in relaxed], len(plans))} under array {name} keep "
            f"their limits; it is drawn with {' and '.join(parts)}."
        )
        found.append(finding("supports-relaxed", f"array {name}", words))
    return found


def _out_of_zones_mm(grid: Grid, plans: Sequence[RailPlan]) -> float:
    """How far the foot that is farthest out of a module's holding zones is out of them."""
    low, high = grid.zone_mm
    met = (d for p in plans for s in p.spots for _, d in grid.touched(s.line, s.u_mm))
    return max((max(low - d, d - high, 0.0) for d in met), default=0.0)


def _rails_in_words(names: Sequence[str], of: int) -> str:
    """Which of an array's rails, the first three by name."""
    if len(names) == of > 1:
        return f"all {of} rails"
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f"rail{'s' if len(names) > 1 else ''} {', '.join(names[:3])}{more}"


def _about_modules(
    grid: Grid, module: ModuleConfig, loads: FaceLoads, orientation: Literal["portrait", "landscape", "best"]
) -> list[Finding]:
    """The module that is pressed or pulled hardest, where that is more than its data sheet allows for the edges held."""
    edge, limit = (
        ("long", module.max_pressure_long_Pa) if grid.array.orientation == "landscape" else ("short", module.max_pressure_short_Pa)
    )
    pressure, name = module_pressure_Pa(loads, grid)
    if pressure <= limit:
        return []
    allowed, most = (
        (module.held_short, module.max_pressure_short_Pa) if edge == "long" else (module.held_long, module.max_pressure_long_Pa)
    )
    turned = "portrait" if edge == "long" else "landscape"
    offered = allowed and most >= pressure and orientation in ("best", turned)
    other = f"; {turned} it may take {most:,.0f} Pa" if offered else "; no other way to hold it is allowed that much"
    words = (
        f"Module {name} is to take {pressure:,.0f} Pa by {loads.words}; held at its {edge} edges {module.name} may take "
        f"{limit:,.0f} Pa{other}."
    )
    return [finding("module-overloaded", f"array {grid.array.id}", words, pressure, limit, "Pa")]


def _about_hooks(array: str, built: ArraySupports, hardware: HardwareConfig, site: SiteConfig) -> list[Finding]:
    """Hooks that take more than the screening allows, the worst named, and what would do for all."""
    over = [h for h in built.hooks if h.use_percent > 100.0]
    if not over:
        return []
    worst = max(over, key=lambda h: h.use_percent)
    words = (
        f"{len(over)} of {len(built.hooks)} hooks under array {array} are used beyond the screening; the worst, "
        f"{worst.id}, to {worst.use_percent:.0f} % ({worst.governs}). It would take {' and '.join(cures(over, hardware, site))}."
    )
    return [finding("hook-overloaded", f"array {array}", words, worst.use_percent, 100.0, "%")]


def _about_bending(built: ArraySupports, hardware: HardwareConfig) -> list[Finding]:
    """The rail that is bent most and the one that sags most, where that is more than the data sheet allows."""
    found = []
    limit = hardware.rail_moment_Nm
    bent = max(built.rails, key=lambda r: r.moment_Nm if r.moment_Nm > 0 else 0.0)
    if limit is not None and bent.moment_Nm > limit:
        words = (
            f"Rail {bent.id} is bent by {bent.moment_Nm:.0f} N·m; its data sheet allows {limit:.0f} N·m. A rail for "
            f"{math.ceil(bent.moment_Nm)} N·m would do."
        )
        found.append(finding("rail-overloaded", f"rail {bent.id}", words, bent.moment_Nm, limit, "N·m"))
    least = hardware.rail_span_over_sag
    share, rail = max(zip(built.sag_shares, (r.id for r in built.rails), strict=True), key=lambda s: s[0] if s[0] > 0 else 0.0)
    if least is not None and share * least > 1.0:
        words = f"Rail {rail} sags by 1/{1 / share:.0f} of its span; its data sheet allows 1/{least:g}. "
        # On hooks that do not give, sag goes with 1 / EI.
        need, most = math.ceil(hardware.rail_EI_Nm2 * share * least), greatest(HardwareConfig, "rail_EI_Nm2")
        stiffer = f"A rail of {need:,} instead of {hardware.rail_EI_Nm2:,.0f} N·m² would do."
        if need > most:
            stiffer = f"No stiffer rail would do: even one of {most:,.0f} N·m² sags more."
        words += stiffer if hardware.hook_stiffness_N_mm is None else "Its hooks give too: a stiffer rail alone may not do."
        found.append(finding("rail-overloaded", f"rail {rail}", words, 1 / share, least))
    return found


def _cut(
    rails: Sequence[Rail], hooks: Sequence[Hook], feet: Sequence[Foot], hardware: HardwareConfig
) -> tuple[tuple[Rail, ...], tuple[StockCut, ...], list[Finding]]:
    """Splices and cuts of all rails together."""
    v_of_hook = {h.id: h.v_mm for h in hooks}
    v_of_foot = {f.id: f.v_mm for f in feet}
    bars = [
        Bar(
            r.id,
            (r.v_start_mm, r.v_end_mm),
            tuple(v_of_hook[h] for h in r.hook_ids),
            tuple(v_of_foot[f] for f in r.foot_ids),
        )
        for r in rails
    ]
    spliced, cutting = cut_rails(bars, hardware.stock_length_mm, hardware.saw_mm, hardware.splice_clear_mm)
    found = []
    for name in dict.fromkeys(r.array for r in rails):
        own = [(s.bar.rail, s) for r, s in zip(rails, spliced, strict=True) if r.array == name]
        forced = [rail for rail, s in own if s.forced]
        if forced:
            longest = max(hardware.stock_length_mm)
            enough = least_stock_mm([bar for bar in bars if bar.rail in forced], longest, hardware.splice_clear_mm)
            words = (
                f"No place on {_rails_in_words(forced, len(own))} under array {name} keeps a splice clear of feet and end spans; "
                f"it would take stock of {enough:,} instead of {longest:,.0f} mm."
            )
            found.append(finding("splice-place", f"array {name}", words, longest, float(enough), "mm"))
    done = [replace(r, cuts_mm=s.pieces_mm, splices_mm=s.splices_mm) for r, s in zip(rails, spliced, strict=True)]
    return tuple(done), cutting, found
