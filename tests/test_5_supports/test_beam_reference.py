"""The rail as beam against an independent frame solver, and the reciprocity that the loads rest on."""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.supports.beam import N_MM2, beam_of, influence, solve


def reference(v, hooks, seats, EI, stiffness, point, udl):
    """Deflection at the nodes and hook reactions by PyNite, in mm and N."""
    from Pynite import FEModel3D

    model = FEModel3D()
    model.add_material("al", EI, EI / 2.6, 0.3, 0.0)
    model.add_section("bar", 1000.0, 1.0, 1.0, 1.0)
    for i, x in enumerate(v):
        model.add_node(f"N{i}", float(x), 0, 0)
    for i in range(len(v) - 1):
        model.add_member(f"M{i}", f"N{i}", f"N{i + 1}", "al", "bar")
        if udl:
            model.add_member_dist_load(f"M{i}", "Fy", -udl, -udl)
    for i, p in enumerate(point):
        if p:
            model.add_node_load(f"N{i}", "FY", -float(p))
    for i in range(len(v)):
        model.def_support(f"N{i}", i == 0, False, True, i == 0, i == 0, False)
    for k, i in enumerate(hooks):
        if stiffness is None:
            model.def_support(f"N{i}", i == 0, True, True, i == 0, i == 0, False)
            model.def_node_disp(f"N{i}", "DY", float(seats[k]))
        else:
            model.def_support_spring(f"N{i}", "DY", stiffness)
            # A spring whose far end is moved to the seat pushes with stiffness times seat.
            model.add_node_load(f"N{i}", "FY", stiffness * float(seats[k]))
    model.analyze()
    w = np.array([model.nodes[f"N{i}"].DY["Combo 1"] for i in range(len(v))])
    if stiffness is None:
        return w, np.array([model.nodes[f"N{i}"].RxnFY["Combo 1"] for i in hooks])
    return w, stiffness * (np.asarray(seats) - w[list(hooks)])


@pytest.mark.parametrize("seed", range(50))
def test_random_rails(seed: int) -> None:
    """Settlements, overhangs, point and uniform loads, every second rail on springy hooks: equal to PyNite to 1e-6."""
    rng = np.random.default_rng(seed)
    hooks = np.cumsum(rng.uniform(320, 1300, rng.integers(2, 7))) + rng.uniform(-100, 100)
    ends = (float(hooks[0] - rng.uniform(30, 400)), float(hooks[-1] + rng.uniform(30, 400)))
    feet = np.sort(rng.uniform(*ends, 4))
    stiffness = None if seed % 2 else float(rng.uniform(100, 2000))
    EI, seats, udl = rng.uniform(2000, 20_000) * N_MM2, rng.uniform(-8, 8, len(hooks)), float(rng.choice([0.0, 0.4]))
    beam = beam_of(ends, hooks, feet, EI, stiffness)
    point = rng.uniform(-800, 800, len(beam.v_mm)) * (rng.random(len(beam.v_mm)) < 0.5)
    state = solve(beam, point_N=point, udl_N_mm=udl, seats_mm=seats)
    w, reaction = reference(beam.v_mm, beam.hooks, seats, EI, stiffness, point, udl)
    scale = max(1.0, np.abs(reaction).max())
    assert np.abs(state.w_mm - w).max() < 1e-6 * max(1.0, np.abs(w).max())
    assert np.abs(state.reaction_N - reaction).max() < 1e-6 * scale


@pytest.mark.parametrize("stiffness", [None, 300.0])
def test_reciprocity(stiffness: float | None) -> None:
    """The reaction that a load on a foot raises at a hook is the influence of that hook's seat on the foot."""
    rng = np.random.default_rng(7)
    hooks, feet = np.array([200.0, 1210.0, 2200.0, 3150.0]), np.array([25.0, 1500.0, 3390.0])
    matrix = influence(beam_of((0.0, 3400.0), hooks, np.zeros(0), 6.9e9, stiffness), feet)
    fine = beam_of((0.0, 3400.0), hooks, feet, 6.9e9, stiffness)
    load = rng.uniform(100, 900, 3)
    at = np.searchsorted(fine.v_mm, feet - 1e-6)
    point = np.zeros(len(fine.v_mm))
    point[at] = load
    assert solve(fine, point_N=point).reaction_N == pytest.approx(matrix.T @ load, rel=1e-9)


def test_soft_hooks_smooth_the_rail() -> None:
    """Between a rail on stiff hooks (through every seat) and one on very soft hooks (the seats' straight line)."""
    hooks, seats = np.array([0.0, 1000.0, 2000.0, 3000.0]), np.array([0.0, 9.0, -4.0, 3.0])
    stiff = influence(beam_of((0.0, 3000.0), hooks, np.zeros(0), 6.9e9, None), hooks) @ seats
    firm = influence(beam_of((0.0, 3000.0), hooks, np.zeros(0), 6.9e9, 1e7), hooks) @ seats
    soft = influence(beam_of((0.0, 3000.0), hooks, np.zeros(0), 6.9e9, 1e-3), hooks) @ seats
    assert stiff == pytest.approx(seats)
    assert firm == pytest.approx(seats, abs=1e-3)
    assert soft == pytest.approx(np.polyval(np.polyfit(hooks, seats, 1), hooks), abs=1e-3)


def test_hooks_that_coincide_are_refused() -> None:
    with pytest.raises(ValueError, match="two hooks"):
        beam_of((0.0, 1000.0), np.array([500.0, 500.0]), np.zeros(0), 6.9e9, None)
    with pytest.raises(ValueError, match="two hooks"):
        beam_of((0.0, 1000.0), np.array([500.0]), np.zeros(0), 6.9e9, None)
