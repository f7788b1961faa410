"""The modules of an array as rows, chains and lines: what a rail at u would hold there."""

from __future__ import annotations

from dataclasses import dataclass

from rowplane.config import HardwareConfig, ModuleConfig
from rowplane.model import Module, ModuleArray


@dataclass(frozen=True)
class Chain:
    """Modules of one row that follow one another without a break, left to right; `start_mm`, `end_mm` in u."""

    row: int
    start_mm: float
    end_mm: float
    modules: tuple[Module, ...]


@dataclass(frozen=True)
class Grid:
    """An array's chains by row, and what the data sheets say about the edges its feet hold.

    Row r lies between the lines r − 1 and r. `zone_mm` (from, to) counts from a module's nearer corner along the held
    edge; `half_foot_mm` is half the width of a foot along the line.
    """

    array: ModuleArray
    chains: tuple[Chain, ...]
    zone_mm: tuple[float, float]
    half_foot_mm: float

    @property
    def rows(self) -> tuple[int, ...]:
        """Row numbers from the eave up."""
        return tuple(sorted({c.row for c in self.chains}))

    def line_v(self, index: int) -> float:
        """v of a line. Raises KeyError for a line the array has not."""
        for line in self.array.lines:
            if line.index == index:
                return line.v_mm
        raise KeyError(index)

    def of_row(self, row: int) -> tuple[Chain, ...]:
        """Chains of a row, left to right; empty for a row that is not there."""
        return tuple(c for c in self.chains if c.row == row)

    def touched(self, line: int, u_mm: float) -> tuple[tuple[Module, float], ...]:
        """Modules that a foot at `u_mm` on `line` meets, with its distance from the nearer corner (0 past it)."""
        met = []
        for chain in self.chains:
            if chain.row not in (line, line + 1):
                continue
            for module in chain.modules:
                left, _, right, _ = module.rect_mm
                if left - self.half_foot_mm < u_mm < right + self.half_foot_mm:
                    met.append((module, max(0.0, min(u_mm - left, right - u_mm))))
        return tuple(met)

    def in_zone(self, distance_mm: float) -> bool:
        """Whether the data sheet lets a module be held at this distance from its nearer corner."""
        return self.zone_mm[0] - 1e-6 <= distance_mm <= self.zone_mm[1] + 1e-6


def grid_of(array: ModuleArray, module: ModuleConfig, hardware: HardwareConfig) -> Grid:
    """Rows and chains of an array. With rails up the slope the held edges are those along u: long ones in landscape."""
    chains: list[Chain] = []
    for row in sorted({m.row for m in array.modules}):
        ordered = sorted((m for m in array.modules if m.row == row), key=lambda m: m.rect_mm[0])
        block: list[Module] = []
        for one in ordered:
            if block and one.rect_mm[0] - block[-1].rect_mm[2] > array.gap_mm + 1.0:
                chains.append(_chain(row, block))
                block = []
            block.append(one)
        chains.append(_chain(row, block))
    zone = module.zone_long_mm if array.orientation == "landscape" else module.zone_short_mm
    return Grid(array, tuple(chains), zone, 0.5 * hardware.foot_width_mm)


def _chain(row: int, block: list[Module]) -> Chain:
    return Chain(row, block[0].rect_mm[0], block[-1].rect_mm[2], tuple(block))


def zones_meet(grid: Grid) -> bool:
    """Whether the zones from the two corners meet in the middle, so that the edge has one zone instead of two."""
    return 2.0 * grid.zone_mm[1] >= grid.array.along_u_mm - 1.0
