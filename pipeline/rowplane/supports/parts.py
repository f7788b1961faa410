"""The parts list: everything that goes up the ladder, weatherproofing included."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import combinations_with_replacement

from rowplane.config import HardwareConfig, ModuleConfig
from rowplane.model import Layout, Levelling, Module, ModuleArray, Part, SupportPlan

NO_WEIGHT = math.nan
"""Mass of a part whose data sheet gives none."""


def list_parts(
    layout: Layout, plan: SupportPlan, levels: Levelling, module: ModuleConfig, hardware: HardwareConfig
) -> tuple[Part, ...]:
    """Parts of the whole lead, in the order they are needed; empty where nothing is built.

    Quantities are what is drawn plus the spares of the settings, each said in the note. Masses are for the quantity
    drawn and spare together.
    """
    modules = sum(len(a.modules) for a in layout.arrays)
    if modules == 0:
        return ()
    parts = [
        *_hook_parts(plan, levels, hardware),
        *_rail_parts(plan, hardware),
        *_foot_parts(layout, plan, levels, hardware),
        *_electrical(layout),
        Part("module", module.name, modules, "piece", modules * module.mass_kg),
    ]
    return (*parts, *_totals(parts, layout, hardware))


def _spared(drawn: int, percent: float) -> tuple[int, str]:
    """Quantity with spares, and the words for the note."""
    spare = math.ceil(drawn * percent / 100.0 - 1e-9)
    return drawn + spare, f"{drawn} + {spare} spare"


def _hook_parts(plan: SupportPlan, levels: Levelling, hardware: HardwareConfig) -> list[Part]:
    hooks = len(plan.hooks)
    if not hooks:
        return []
    total, note = _spared(hooks, hardware.spare_percent)
    screws, screw_note = _spared(hooks * hardware.screws_per_hook, hardware.spare_percent)
    seals, seal_note = _spared(hooks, hardware.spare_percent)
    screw = (
        f"{hardware.screw_diameter_mm:g} mm, thread {hardware.screw_thread_mm:g} mm, pilot hole {hardware.pilot_hole_mm:g} mm"
    )
    tiles = math.ceil(hooks * hardware.spare_tile_percent / 100.0)
    return [
        Part("tile hook", hardware.name, total, "piece", total * hardware.hook_mass_kg, note),
        Part("lag screw", screw, screws, "piece", NO_WEIGHT, screw_note),
        *_packers("hook packer", [s.packer_mm for s in levels.hooks], hardware),
        Part("underlay seal", "one per hook plate", seals, "piece", NO_WEIGHT, seal_note),
        Part("flashing", "one per hook, under the covering tile", seals, "piece", NO_WEIGHT, seal_note),
        Part("spare tile", "as on the roof", tiles, "piece", NO_WEIGHT, f"{hardware.spare_tile_percent:g} % of hooks"),
    ]


def _packers(name: str, heights_mm: Iterable[float], hardware: HardwareConfig) -> list[Part]:
    """Stock packers that stack up to the heights asked for."""
    count: Counter[float] = Counter()
    for height in heights_mm:
        count.update(packer_stack(height, hardware.packers_mm))
    return [Part(name, f"{size:g} mm", n, "piece", NO_WEIGHT) for size, n in sorted(count.items())]


def packer_stack(height_mm: float, stock_mm: Sequence[float]) -> tuple[float, ...]:
    """The fewest stock packers that make up a height; the height itself where no stack of up to four does."""
    if height_mm <= 1e-6:
        return ()
    for many in range(1, 5):
        for stack in combinations_with_replacement(sorted(stock_mm, reverse=True), many):
            if abs(sum(stack) - height_mm) < 0.05:
                return stack
    return (height_mm,)


def _rail_parts(plan: SupportPlan, hardware: HardwareConfig) -> list[Part]:
    if not plan.rails:
        return []
    stock = Counter(cut.stock_mm for cut in plan.cutting)
    bought, used = sum(c.stock_mm for c in plan.cutting), sum(r.v_end_mm - r.v_start_mm for r in plan.rails)
    offcut = sum(c.offcut_mm for c in plan.cutting)
    parts = [
        Part(
            "rail, stock length",
            f"{length:g} mm",
            n,
            "piece",
            n * length / 1000 * hardware.rail_mass_kg_m,
            f"off-cuts {offcut / 1000:.2f} of {bought / 1000:.2f} m in all",
        )
        for length, n in sorted(stock.items())
    ]
    cuts = Counter(math.ceil(round(length, 3)) for r in plan.rails for length in r.cuts_mm)
    # The cuts come out of the stock above: no weight of their own.
    parts += [
        Part("rail, cut", f"{length} mm", n, "piece", 0.0, "from stock") for length, n in sorted(cuts.items(), reverse=True)
    ]
    splices = sum(len(r.splices_mm) for r in plan.rails)
    if splices:
        parts.append(Part("rail splice", f"rails {used / 1000:.2f} m in all", splices, "piece", NO_WEIGHT))
    return parts


def _foot_parts(layout: Layout, plan: SupportPlan, levels: Levelling, hardware: HardwareConfig) -> list[Part]:
    parts = []
    for kind, n in sorted(Counter(f.kind for f in plan.feet).items()):
        total, note = _spared(n, hardware.spare_percent)
        parts.append(Part(f"foot, {kind}", hardware.name, total, "piece", total * hardware.foot_mass_kg, note))
    parts += _packers("foot packer", [s.packer_mm for s in levels.feet], hardware)
    joined = sum(1 for f in plan.feet if f.kind.endswith("+joiner"))
    joiners = sum(_seams(a) for a in layout.arrays) - joined
    if joiners > 0:
        parts.append(Part("joiner", "seams that no joiner foot holds", joiners, "piece", NO_WEIGHT))
    strip = sum(end - start for a in layout.arrays for start, end in _lowest_edges(a))
    parts.append(Part("edge strip", "along the lowest edge of every array", round(strip / 1000, 2), "m", NO_WEIGHT))
    return parts


def _seams(array: ModuleArray) -> int:
    """Joints between neighbouring modules, one on every line they meet: side by side, counted once per line."""
    return sum(len(line.seams_mm) for line in array.lines)


def _lowest_edges(array: ModuleArray) -> tuple[tuple[float, float], ...]:
    first = min(array.lines, key=lambda line: line.index, default=None)
    return () if first is None else first.runs


def _electrical(layout: Layout) -> list[Part]:
    modules = sum(len(a.modules) for a in layout.arrays)
    parts = [Part("cable clip", "two per module (common practice, no source)", 2 * modules, "piece", NO_WEIGHT)]
    length = sum(_cable_mm(a) for a in layout.arrays)
    parts.append(
        Part("cable route", "along every row and up one side to the junction box", round(length / 1000, 1), "m", NO_WEIGHT)
    )
    blocks = sum(len(blocks_of(a)) for a in layout.arrays)
    parts.append(Part("equipment-grounding connection", "one per continuous block of modules", blocks, "piece", NO_WEIGHT))
    for array in layout.arrays:
        u, v = _box_place(array)
        place = f"array {array.id}: at its upper left corner, u {u / 1000:.2f} m, v {v / 1000:.2f} m"
        parts.append(Part("junction box", place, 1, "piece", NO_WEIGHT))
    return parts


def _cable_mm(array: ModuleArray) -> float:
    """Length along every row and once over the array's depth."""
    rows: dict[int, list[Module]] = {}
    for one in array.modules:
        rows.setdefault(one.row, []).append(one)
    along = sum(max(m.rect_mm[2] for m in row) - min(m.rect_mm[0] for m in row) for row in rows.values())
    depth = max((m.rect_mm[3] for m in array.modules), default=0.0) - min((m.rect_mm[1] for m in array.modules), default=0.0)
    return along + depth


def _box_place(array: ModuleArray) -> tuple[float, float]:
    top = max(array.modules, key=lambda m: (m.rect_mm[3], -m.rect_mm[0]))
    return top.rect_mm[0], top.rect_mm[3]


def blocks_of(array: ModuleArray) -> tuple[tuple[str, ...], ...]:
    """Module ids of every continuous block: modules that share a joint side by side or one above the other."""
    near = array.gap_mm + 1.0
    left = {m.id: m for m in array.modules}
    blocks = []
    while left:
        block, edge = [], [left.pop(next(iter(left)))]
        while edge:
            one = edge.pop()
            block.append(one.id)
            for other in [m for m in left.values() if _joined(one, m, near)]:
                edge.append(left.pop(other.id))
        blocks.append(tuple(sorted(block)))
    return tuple(blocks)


def _joined(one: Module, other: Module, near_mm: float) -> bool:
    a, b = one.rect_mm, other.rect_mm
    along = min(a[2], b[2]) - max(a[0], b[0])
    up = min(a[3], b[3]) - max(a[1], b[1])
    return (along > 0 and -near_mm <= up) or (up > 0 and -near_mm <= along)


def _totals(parts: Sequence[Part], layout: Layout, hardware: HardwareConfig) -> list[Part]:
    """Weight per square metre and trips up the ladder: figures, not things to order."""
    mass = sum(p.mass_kg for p in parts if not math.isnan(p.mass_kg))
    area = sum(len(a.modules) * a.along_u_mm * a.along_v_mm for a in layout.arrays) / 1e6
    trips = math.ceil(mass / hardware.trip_kg)
    note = "parts without a weight on their data sheet not counted"
    return [
        Part("load on the roof", "weight of all parts per module area", round(mass / area, 1), "kg/m²", NO_WEIGHT, note),
        Part("trips up the ladder", f"at {hardware.trip_kg:g} kg each (assumed)", trips, "trip", NO_WEIGHT, note),
    ]
