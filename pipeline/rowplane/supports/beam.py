"""A rail as a continuous beam: exact Hermite elements between every hook, foot and end.

Signs: w and seats positive outwards, loads positive towards the roof, reactions positive where a hook pushes the rail
outwards, moment positive where the rail sags between hooks. Units mm, N, N·mm; EI in N·mm².
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rowplane.model import Array

N_MM2 = 1e6
"""N·m² are 1e6 N·mm²."""
SAG_PLACES = 41
"""Of one span; an odd number, so that its middle is among them."""


@dataclass(frozen=True)
class Beam:
    """Nodes `v_mm` `(n,)` ascending, EI, and the nodes that are hooks. `stiffness_N_mm` None: hooks do not give."""

    v_mm: Array
    hooks: tuple[int, ...]
    EI_Nmm2: float
    stiffness_N_mm: float | None = None


@dataclass(frozen=True)
class BeamState:
    """Deflection `(n,)` mm outwards, slope `(n,)`, reaction at each hook `(h,)` N, moment at each node `(n,)` N·mm.

    `end_moment_Nmm` `(n − 1, 2)` holds the moments at both ends of every element; they differ from the nodes' nowhere.
    """

    w_mm: Array
    slope: Array
    reaction_N: Array
    moment_Nmm: Array
    end_moment_Nmm: Array


def beam_of(ends_mm: tuple[float, float], hooks_mm: Array, feet_mm: Array, EI_Nmm2: float, stiffness: float | None) -> Beam:
    """A beam with nodes at both ends, all hooks and all feet; nodes nearer than 1e-6 mm are one.

    Raises ValueError with fewer than two hooks, or hooks that coincide.
    """
    every = np.sort(np.concatenate([np.asarray(ends_mm, dtype=float), hooks_mm, feet_mm]))
    nodes = every[np.concatenate([[True], np.diff(every) > 1e-6])]
    at = tuple(int(k) for k in np.searchsorted(nodes, np.asarray(hooks_mm) - 1e-6))
    if len(at) < 2 or len(set(at)) < len(at):
        raise ValueError("a rail needs two hooks at different places")
    return Beam(nodes, at, EI_Nmm2, stiffness)


def solve(beam: Beam, point_N: Array | None = None, udl_N_mm: float | Array = 0.0, seats_mm: Array | None = None) -> BeamState:
    """State under point loads `(n,)` at the nodes and a uniform load per element, hooks at `seats_mm` `(h,)`.

    Euler-Bernoulli cubic elements are exact for these loads (e.g. Cook, Concepts and Applications of Finite Element
    Analysis, beam element). Missing loads and seats are zero; NaN goes through to the result.
    """
    n, lengths = len(beam.v_mm), np.diff(beam.v_mm)
    udl = np.broadcast_to(np.asarray(udl_N_mm, dtype=float), lengths.shape)
    seats = np.zeros(len(beam.hooks)) if seats_mm is None else np.asarray(seats_mm, dtype=float)
    load: Array = np.zeros(2 * n)
    if point_N is not None:
        load[::2] -= point_N
    K = np.zeros((2 * n, 2 * n))
    for e, (length, q) in enumerate(zip(lengths, udl, strict=True)):
        K[2 * e : 2 * e + 4, 2 * e : 2 * e + 4] += _element(beam.EI_Nmm2, length)
        load[2 * e : 2 * e + 4] -= q * length / 12.0 * np.array([6.0, length, 6.0, -length])
    held = 2 * np.array(beam.hooks)
    x: Array = np.zeros(2 * n)
    if beam.stiffness_N_mm is None:
        free = np.setdiff1d(np.arange(2 * n), held)
        x[held] = seats
        x[free] = np.linalg.solve(K[np.ix_(free, free)], load[free] - K[np.ix_(free, held)] @ seats)
        reaction: Array = (K[held] @ x) - load[held]
    else:
        springs = K.copy()
        springs[held, held] += beam.stiffness_N_mm
        pull = load.copy()
        pull[held] += beam.stiffness_N_mm * seats
        x = np.asarray(np.linalg.solve(springs, pull), dtype=np.float64)
        reaction = beam.stiffness_N_mm * (seats - x[held])
    ends = _end_moments(beam, lengths, udl, x)
    moment = np.concatenate([ends[:, 0], ends[-1:, 1]])
    return BeamState(x[::2], x[1::2], reaction, moment, ends)


def influence(beam: Beam, feet_mm: Array) -> Array:
    """Rail height at every foot per unit seat at every hook `(feet, hooks)`, unloaded; rows sum to 1.

    With stiff hooks this is the natural cubic spline through the seats, straight on beyond the outer ones. By
    reciprocity its transpose gives the hooks' reactions to loads on the feet.
    """
    states = [solve(beam, seats_mm=unit) for unit in np.eye(len(beam.hooks))]
    return np.column_stack([shape_mm(beam, state, feet_mm) for state in states])


def shape_mm(beam: Beam, state: BeamState, v_mm: Array, udl_N_mm: float | Array = 0.0) -> Array:
    """Deflection `(m,)` at any v on the beam: the elements' cubics plus the clamped deflection under the uniform load."""
    lengths = np.diff(beam.v_mm)
    udl = np.broadcast_to(np.asarray(udl_N_mm, dtype=float), lengths.shape)
    e = np.clip(np.searchsorted(beam.v_mm, v_mm, side="right") - 1, 0, len(lengths) - 1)
    L, s = lengths[e], np.asarray(v_mm, dtype=float) - beam.v_mm[e]
    t = s / L
    cubic = (
        (1 - 3 * t**2 + 2 * t**3) * state.w_mm[e] + L * (t - 2 * t**2 + t**3) * state.slope[e]
        + (3 * t**2 - 2 * t**3) * state.w_mm[e + 1] + L * (t**3 - t**2) * state.slope[e + 1]
    )  # fmt: skip
    return np.asarray(cubic - udl[e] * s**2 * (L - s) ** 2 / (24.0 * beam.EI_Nmm2))


def greatest_moment_Nmm(beam: Beam, state: BeamState, udl_N_mm: float | Array = 0.0) -> float:
    """Greatest absolute moment anywhere: at nodes, and inside elements where the shear changes sign."""
    lengths = np.diff(beam.v_mm)
    udl = np.broadcast_to(np.asarray(udl_N_mm, dtype=float), lengths.shape)
    greatest = float(np.abs(state.end_moment_Nmm).max())
    for (left, right), L, q in zip(state.end_moment_Nmm, lengths, udl, strict=True):
        if q:
            s = L / 2.0 + (right - left) / (q * L)
            if 0.0 < s < L:
                greatest = max(greatest, abs(left + (right - left) * s / L + q * s * (L - s) / 2.0))
    return greatest


def sag_share(beam: Beam, state: BeamState, udl_N_mm: float | Array = 0.0) -> float:
    """Greatest deflection as a share of its length, read at SAG_PLACES of each: a span off the chord between its hooks, an
    overhang off its hook, over twice its length (IBC Table 1604.3, footnote: l of a cantilever is twice its length)."""
    ends = beam.v_mm[[0, -1]]
    hooks, heights = beam.v_mm[list(beam.hooks)], state.w_mm[list(beam.hooks)]
    marks = np.unique([ends[0], *hooks, ends[1]])
    shares = [0.0]
    for low, high in pairwise(marks):
        v = np.linspace(low, high, SAG_PLACES)
        off = shape_mm(beam, state, v, udl_N_mm) - np.interp(v, hooks, heights)
        free = low < hooks[0] or high > hooks[-1]
        shares.append(float(np.abs(off).max() / ((high - low) * (2.0 if free else 1.0))))
    return max(shares)


def _element(EI: float, L: float) -> Array:
    return EI / L**3 * np.array(
        [[12, 6 * L, -12, 6 * L], [6 * L, 4 * L**2, -6 * L, 2 * L**2], [-12, -6 * L, 12, -6 * L], [6 * L, 2 * L**2, -6 * L, 4 * L**2]]
    )  # fmt: skip


def _end_moments(beam: Beam, lengths: Array, udl: Array, x: Array) -> Array:
    """Sagging moment at both ends of every element: EI w″ of the cubic, less the clamped moment of the uniform load."""
    ends = np.zeros((len(lengths), 2))
    for e, (L, q) in enumerate(zip(lengths, udl, strict=True)):
        w1, s1, w2, s2 = x[2 * e : 2 * e + 4]
        clamped = q * L**2 / 12.0
        ends[e, 0] = beam.EI_Nmm2 / L**2 * (-6 * w1 - 4 * L * s1 + 6 * w2 - 2 * L * s2) - clamped
        ends[e, 1] = beam.EI_Nmm2 / L**2 * (6 * w1 + 2 * L * s1 - 6 * w2 + 4 * L * s2) - clamped
    return ends
