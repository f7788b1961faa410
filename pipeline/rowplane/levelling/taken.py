"""Readings as they are kept with a basis: resolved against the table they were taken with, one line of text each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rowplane.levelling.observe import gap_row, gap_variance, height_variance, rail_row, spline_rows, string_of, string_shares
from rowplane.model import Array, FieldReading, RecheckBasis

PARTS = 7


@dataclass(frozen=True)
class Taken:
    """One reading taken in. `value_mm` as read; `level_mm` what it says of rail tops once the table's numbers are taken off.

    `level_mm` of a gap: rail tops at the string's supports, by share, less that at the foot; of a height: rail top along w
    over the face plane, but for the `datum` it shares with the other heights of its file; of a set foot its lift; of a move 0.
    """

    kind: str
    id: str
    value_mm: float
    u_mm: float
    v_mm: float
    level_mm: float
    datum: int

    def text(self) -> str:
        """One line, every digit kept."""
        numbers = (self.value_mm, self.u_mm, self.v_mm, self.level_mm)
        return "|".join((self.kind, self.id, *(repr(float(x)) for x in numbers), str(self.datum)))

    @classmethod
    def of_text(cls, text: str) -> Taken:
        """The reading back from `text`; raises ValueError on anything else."""
        parts = text.split("|")
        if len(parts) != PARTS:
            raise ValueError(f"not a kept reading: {text!r}")
        value, u, v, level = (float(x) for x in parts[2:6])
        return cls(parts[0], parts[1], value, u, v, level, int(parts[6]))

    def same_as(self, reading: FieldReading) -> bool:
        """Whether a line of a readings file is this one again."""
        mine = (self.value_mm, self.u_mm, self.v_mm)
        theirs = (reading.value_mm, reading.u_mm, reading.v_mm)
        return (self.kind, self.id) == (reading.kind, reading.id) and np.array_equal(mine, theirs, equal_nan=True)


def taken_of(basis: RecheckBasis) -> tuple[Taken, ...]:
    """The readings kept with a basis."""
    return tuple(Taken.of_text(text) for text in basis.taken)


def resolve(basis: RecheckBasis, reading: FieldReading, datum: int) -> Taken:
    """A judged reading against the numbers of the table in `basis`, as it was on the roof when the reading was taken."""
    level = 0.0
    if reading.kind == "gap":
        foot = basis.foot_ids.index(reading.id)
        string = string_of(basis, foot)
        stand = basis.lift_mm + basis.packer_mm
        chord = sum(share * stand[support] for support, share in string_shares(basis, string, foot))
        level = reading.value_mm - chord + float(string.sag_mm[string.feet == foot][0])
    elif reading.kind == "height":
        u, v = place_of(basis, reading.id, reading.u_mm, reading.v_mm)
        level = (reading.value_mm - basis.up[0] * u - basis.up[1] * v) / basis.up[2]
    elif reading.kind == "set":
        own = basis.lift_mm[basis.foot_ids.index(reading.id)]
        level = own if np.isnan(reading.value_mm) else reading.value_mm
    return Taken(reading.kind, reading.id, reading.value_mm, reading.u_mm, reading.v_mm, float(level), datum)


def place_of(basis: RecheckBasis, target: str, u_mm: float, v_mm: float) -> tuple[float, float]:
    """Where on the face a foot, hook or rail was read: the place given, else its own."""
    if target in basis.foot_ids:
        i = basis.foot_ids.index(target)
        own = (basis.foot_u_mm[i], basis.foot_v_mm[i])
    elif target in basis.hook_ids:
        j = basis.hook_ids.index(target)
        own = (basis.hook_u_mm[j], basis.hook_v_mm[j])
    else:
        own = (basis.hook_u_mm[basis.hook_rails.index(target)], v_mm)
    return float(own[0] if np.isnan(u_mm) else u_mm), float(own[1] if np.isnan(v_mm) else v_mm)


def rail_of(basis: RecheckBasis, target: str) -> str:
    """The rail a foot or hook belongs to; a rail is its own."""
    if target in basis.foot_ids:
        return basis.foot_rails[basis.foot_ids.index(target)]
    return basis.hook_rails[basis.hook_ids.index(target)] if target in basis.hook_ids else target


def row_of(basis: RecheckBasis, taken: Taken) -> tuple[Array, float]:
    """Row over the hook seats `(h,)` and error variance of a gap or height."""
    if taken.kind == "gap":
        foot = basis.foot_ids.index(taken.id)
        string = string_of(basis, foot)
        return gap_row(basis, string, foot), gap_variance(basis, string, foot)
    if taken.id in basis.foot_ids and np.isnan(taken.v_mm):
        return basis.influence[basis.foot_ids.index(taken.id)], height_variance(basis)
    if taken.id in basis.hook_ids:
        return np.eye(len(basis.hook_ids))[basis.hook_ids.index(taken.id)], height_variance(basis)
    _, v = place_of(basis, taken.id, taken.u_mm, taken.v_mm)
    return rail_row(basis, rail_of(basis, taken.id), v), height_variance(basis)


def moved(basis: RecheckBasis, taken: Taken) -> RecheckBasis:
    """The basis with a hook, or a rail and all on it, where it now is: seats follow the substrate's slope there.

    The slope is the mean substrate's at the old place; its standard deviation times the way moved widens the seat's.
    """
    rail = taken.id in basis.hook_rails
    mine = np.array([name == taken.id for name in (basis.hook_rails if rail else basis.hook_ids)])
    first = int(np.flatnonzero(mine)[0])
    start = (basis.hook_u_mm[first], np.nan if rail else basis.hook_v_mm[first])
    way = np.array([0.0 if np.isnan(to) else to - at for to, at in zip((taken.u_mm, taken.v_mm), start, strict=True)])
    seat = basis.mean_mm + mine * (basis.hook_slope @ way)
    wider = np.diag(mine * (basis.hook_slope_sd * np.hypot(*way)) ** 2)
    u, v = basis.hook_u_mm + mine * way[0], basis.hook_v_mm + mine * way[1]
    on_rail = np.array([name == taken.id for name in basis.foot_rails]) if rail else np.zeros(len(basis.foot_ids), dtype=bool)
    influence = basis.influence if way[1] == 0 else _respanned(basis, basis.hook_rails[first], v)
    return replace(
        basis, mean_mm=seat, covariance_mm2=basis.covariance_mm2 + wider, hook_u_mm=u, hook_v_mm=v, influence=influence,
        foot_u_mm=basis.foot_u_mm + on_rail * way[0],
    )  # fmt: skip


def _respanned(basis: RecheckBasis, rail: str, hook_v: Array) -> Array:
    hooks = np.flatnonzero([name == rail for name in basis.hook_rails])
    feet = np.flatnonzero([name == rail for name in basis.foot_rails])
    influence = basis.influence.copy()
    influence[np.ix_(feet, hooks)] = spline_rows(hook_v[hooks], basis.foot_v_mm[feet])
    return influence
