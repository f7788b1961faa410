"""The rail as beam against published values: CHECKS.md section 1, B-01 to B-27."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from rowplane.supports.beam import N_MM2, Beam, beam_of, greatest_moment_Nmm, influence, sag_share, shape_mm, solve

EI = 6900.0 * N_MM2


def rail(spans: list[float], overhangs: tuple[float, float] = (0.0, 0.0), stiffness: float | None = None) -> Beam:
    hooks = np.cumsum([overhangs[0], *spans])
    return beam_of((0.0, float(hooks[-1] + overhangs[1])), hooks, np.zeros(0), EI, stiffness)


@pytest.mark.parametrize(
    ("row", "spans", "reactions", "moments"),
    [
        ("B-01", 2, [3 / 8, 10 / 8, 3 / 8], [0, -1 / 8, 0]),
        ("B-02", 3, [0.4, 1.1, 1.1, 0.4], [0, -0.1, -0.1, 0]),
        ("B-03", 4, np.array([11, 32, 26, 32, 11]) / 28, np.array([0, -3, -2, -3, 0]) / 28),
        ("B-04", 5, np.array([15, 43, 37, 37, 43, 15]) / 38, np.array([0, -4, -3, -3, -4, 0]) / 38),
    ],
)
def test_equal_spans(row, spans, reactions, moments) -> None:
    """B-01 to B-04 (Hicks, Civil Engineering Formulas, Table 2.1): reactions and support moments."""
    L, w = 1200.0, 0.5
    state = solve(rail([L] * spans), udl_N_mm=w)
    assert state.reaction_N / (w * L) == pytest.approx(reactions, abs=1e-9), row
    assert state.moment_Nmm / (w * L**2) == pytest.approx(moments, abs=1e-9), row


@pytest.mark.parametrize(
    ("row", "spans", "span_moment", "deflection", "at"),
    [
        ("B-01", 2, 0.0703125, 0.005416, 0.4215),
        ("B-02", 3, 0.08, 0.006884, 0.446),
        ("B-03", 4, 0.0772, 0.006460, 0.4395),
    ],
)
def test_end_span(row: str, spans: int, span_moment: float, deflection: float, at: float) -> None:
    """B-01 to B-03: greatest span moment (Hicks) and deflection with its place (recomputed)."""
    L, w = 1200.0, 0.5
    beam = rail([L] * spans)
    state = solve(beam, udl_N_mm=w)
    x = np.linspace(0, L, 12_001)
    sunk = -shape_mm(beam, state, x, w)
    assert sunk.max() * EI / (w * L**4) == pytest.approx(deflection, abs=1e-4 * 0.01), row
    assert x[sunk.argmax()] / L == pytest.approx(at, abs=1e-3)
    sagging = -EI * np.gradient(np.gradient(sunk, x), x)[2:-2]
    assert sagging.max() / (w * L**2) == pytest.approx(span_moment, rel=1e-3)
    # The span's own moment is found even where a support's is greater: load on one span only.
    alone = rail([L])
    assert greatest_moment_Nmm(alone, solve(alone, udl_N_mm=w), w) == pytest.approx(w * L**2 / 8)


def test_load_on_two_of_three_spans() -> None:
    """B-05 (read): 0.383, 1.200, 0.450, −0.033 wL, the last an uplift."""
    state = solve(rail([1000.0] * 3), udl_N_mm=np.array([1.0, 1.0, 0.0]))
    assert state.reaction_N / 1000.0 == pytest.approx([0.383, 1.200, 0.450, -0.033], abs=1e-3)


def test_statics() -> None:
    """B-06: reactions carry the load, and no moment is left about any support."""
    beam = rail([900.0, 1300.0, 700.0, 1100.0], (250.0, 400.0))
    state = solve(beam, udl_N_mm=0.7)
    hooks, total = beam.v_mm[list(beam.hooks)], 0.7 * beam.v_mm[-1]
    assert state.reaction_N.sum() == pytest.approx(total, rel=1e-10)
    for about in hooks:
        turned = (state.reaction_N * (hooks - about)).sum() - total * (beam.v_mm[-1] / 2 - about)
        assert abs(turned) < 1e-8 * total * beam.v_mm[-1]


def test_one_overhang() -> None:
    """B-10 (read, and solved by two libraries): 266.667 and 533.333 N, −40 N·m, 71.111 N·m; the tip rises 0.927536 mm."""
    beam = rail([1200.0], (0.0, 400.0))
    state = solve(beam, udl_N_mm=0.5)
    assert state.reaction_N == pytest.approx([266.6667, 533.3333], abs=1e-4)
    assert state.moment_Nmm[1] == pytest.approx(-40e3, abs=1e-3)
    assert state.w_mm[-1] == pytest.approx(0.927536, abs=1e-6)
    assert greatest_moment_Nmm(beam, state, 0.5) == pytest.approx(71.1111e3, rel=1e-6)


def test_load_on_the_tip() -> None:
    """B-11 (read): tip 1.236715 mm down, reactions −Pa/L and P(L+a)/L, greatest rise PaL²/(9√3 EI) at L/√3."""
    beam = rail([1200.0], (0.0, 400.0))
    state = solve(beam, point_N=np.array([0.0, 0.0, 100.0]))
    assert state.w_mm[-1] == pytest.approx(-1.236715, abs=1e-6)
    assert state.reaction_N == pytest.approx([-100 / 3, 400 / 3])
    risen = shape_mm(beam, state, np.array([1200 / 3**0.5]))[0]
    assert risen == pytest.approx(100 * 400 * 1200**2 / (9 * 3**0.5 * EI))


def test_clamped_cantilever() -> None:
    """B-12 (recomputed): wa⁴/8EI = 0.231884 mm, Pa³/3EI = 0.309179 mm, as the limit of a back span of no length.

    The hook's turn adds to the tip in proportion to the back span, so two short spans give the limit exactly.
    """

    def tip(back_mm: float, udl: float, point: float) -> float:
        beam = rail([back_mm], (0.0, 400.0))
        state = solve(beam, point_N=np.array([0.0, 0.0, point]), udl_N_mm=np.array([0.0, udl]))
        return -float(state.w_mm[-1])

    assert 2 * tip(40.0, 0.5, 0.0) - tip(80.0, 0.5, 0.0) == pytest.approx(0.231884, abs=1e-6)
    assert 2 * tip(40.0, 0.0, 100.0) - tip(80.0, 0.0, 100.0) == pytest.approx(0.309179, abs=1e-6)


def test_sag_of_an_overhang_is_judged_by_twice_its_length() -> None:
    """B-14 (IBC Table 1604.3, footnote): B-11's tip, 1.236715 mm of 400 mm, is 1.236715 / 800; a span is judged by its length."""
    beam = rail([1200.0], (0.0, 400.0))
    assert sag_share(beam, solve(beam, point_N=np.array([0.0, 0.0, 100.0]))) == pytest.approx(1.236715 / 800, rel=1e-6)
    assert sag_share(beam, solve(beam, point_N=np.array([0.0, 0.0, -100.0]))) == pytest.approx(1.236715 / 800, rel=1e-6)
    plain = rail([1200.0])
    assert sag_share(plain, solve(plain, udl_N_mm=0.5), 0.5) == pytest.approx(5 * 0.5 * 1200**3 / (384 * EI), rel=1e-9)
    # Off the chord of its hooks: a rail on a slant and free of load does not sag.
    assert sag_share(plain, solve(plain, seats_mm=np.array([0.0, 30.0]))) == pytest.approx(0.0, abs=1e-12)
    # B-02: three spans, none of which is an overhang.
    three = rail([1200.0] * 3)
    assert sag_share(three, solve(three, udl_N_mm=0.5), 0.5) == pytest.approx(0.006884 * 0.5 * 1200**3 / EI, rel=1e-3)
    first, last = (sag_share(three, solve(three, udl_N_mm=np.array(w)), np.array(w)) for w in ([0.5, 0, 0], [0, 0, 0.5]))
    assert first == pytest.approx(last)
    front = rail([1200.0], (400.0, 0.0))
    assert sag_share(front, solve(front, point_N=np.array([100.0, 0.0, 0.0]))) == pytest.approx(1.236715 / 800, rel=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_three_moments_with_settlement(seed: int) -> None:
    """B-27 (NPTEL Structural Analysis I, lesson on settlement; its method, its numbers are pictures): the three-moment
    equations of a beam with sunken supports and even load give the moments at the hooks."""
    rng = np.random.default_rng(seed)
    spans, w = rng.uniform(500, 1400, rng.integers(2, 6)), float(rng.uniform(0, 1))
    y = rng.uniform(-8, 8, len(spans) + 1)
    inner = len(spans) - 1
    matrix, right = np.zeros((inner, inner)), np.zeros(inner)
    for k in range(inner):
        a, b = spans[k], spans[k + 1]
        for j, value in ((k - 1, a), (k, 2 * (a + b)), (k + 1, b)):
            if 0 <= j < inner:
                matrix[k, j] = value
        right[k] = -w * (a**3 + b**3) / 4 + 6 * EI * ((y[k] - y[k + 1]) / a + (y[k + 2] - y[k + 1]) / b)
    moments = solve(rail(list(spans)), udl_N_mm=w, seats_mm=y).moment_Nmm
    assert moments[1:-1] == pytest.approx(np.linalg.solve(matrix, right), rel=1e-9, abs=1e-3)
    assert moments[[0, -1]] == pytest.approx([0, 0], abs=1e-3)


def test_two_overhangs() -> None:
    """B-13 (two libraries agree): 480, 620, 620, 480 N; −40, −64, −64, −40 N·m; both tips 0.185507 mm up."""
    state = solve(rail([1200.0] * 3, (400.0, 400.0)), udl_N_mm=0.5)
    assert state.reaction_N == pytest.approx([480, 620, 620, 480], abs=1e-6)
    assert state.moment_Nmm[1:-1] == pytest.approx([-40e3, -64e3, -64e3, -40e3], abs=1e-3)
    assert state.w_mm[[0, -1]] == pytest.approx([0.185507, 0.185507], abs=1e-6)


def test_middle_hook_low() -> None:
    """B-20 (three-moment equation): 10 mm low gives 143.75 N·m and +119.7917, −239.5833, +119.7917 N."""
    state = solve(rail([1200.0, 1200.0]), seats_mm=np.array([0.0, -10.0, 0.0]))
    assert state.moment_Nmm[1] == pytest.approx(143.75e3, rel=1e-9)
    assert state.reaction_N == pytest.approx([119.791667, -239.583333, 119.791667], abs=1e-6)


def test_unequal_spans_hook_low() -> None:
    """B-21 (recomputed): spans 1.0 and 1.4 m, 5 mm: 73.9286 N·m."""
    state = solve(rail([1000.0, 1400.0]), seats_mm=np.array([0.0, -5.0, 0.0]))
    assert state.moment_Nmm[1] == pytest.approx(73.9286e3, rel=1e-6)


def test_second_of_four_hooks() -> None:
    """B-22, B-23 (closed form, three libraries), B-24 (with load)."""
    L, d = 1200.0, -10.0
    beam = rail([L] * 3)
    seats = np.array([0.0, d, 0.0, 0.0])
    state = solve(beam, seats_mm=seats)
    assert state.moment_Nmm * L**2 / (EI * d) == pytest.approx([0, -18 / 5, 12 / 5, 0], abs=1e-9)
    assert state.reaction_N * L**3 / (EI * d) == pytest.approx([-18 / 5, 48 / 5, -42 / 5, 12 / 5], abs=1e-9)
    assert state.moment_Nmm[1:3] == pytest.approx([172.5e3, -115e3], rel=1e-9)
    assert state.reaction_N == pytest.approx([143.75, -383.333333, 335.416667, -95.833333], abs=1e-6)
    loaded = solve(beam, udl_N_mm=0.5, seats_mm=seats)
    assert loaded.moment_Nmm[1:3] == pytest.approx([100.5e3, -187e3], rel=1e-9)
    assert loaded.reaction_N == pytest.approx([383.75, 276.666667, 995.416667, 144.166667], abs=1e-6)


def test_four_heights() -> None:
    """B-25 (natural spline and two libraries to 1e-9): spans 1.0, 1.4, 0.9 m, heights 0, +4, −3, +2 mm."""
    beam = rail([1000.0, 1400.0, 900.0])
    state = solve(beam, seats_mm=np.array([0.0, 4.0, -3.0, 2.0]))
    assert state.moment_Nmm[1:3] / 1e3 == pytest.approx([-115.594433, 130.180915], abs=1e-6)
    assert state.reaction_N == pytest.approx([-115.594433, 291.148253, -320.199281, 144.645461], abs=1e-6)
    middles = shape_mm(beam, state, np.array([500.0, 1700.0, 2850.0]))
    assert middles == pytest.approx([3.04705, 0.24104, -1.45513], abs=1e-5)
    assert state.slope[[0, -1]] == pytest.approx([0.00679214, 0.00838558], abs=1e-8)


@pytest.mark.parametrize("stiffness", [None, 250.0])
def test_straight_seats(stiffness: float | None) -> None:
    """B-26: hooks on one straight line leave neither moment nor reaction, stiff or springy."""
    beam = rail([900.0, 1300.0, 1100.0], (300.0, 200.0), stiffness)
    hooks = beam.v_mm[list(beam.hooks)]
    state = solve(beam, seats_mm=7.0 + 0.004 * hooks)
    assert np.abs(state.moment_Nmm).max() < 1e-3
    assert np.abs(state.reaction_N).max() < 1e-6
    assert state.w_mm == pytest.approx(7.0 + 0.004 * beam.v_mm, abs=1e-9)


def test_unloaded_rail_is_the_natural_spline() -> None:
    """Section 1.3, spline equivalence: inside the natural cubic spline, straight on beyond the outer hooks."""
    beam = rail([1000.0, 1400.0, 900.0], (350.0, 380.0))
    hooks, seats = beam.v_mm[list(beam.hooks)], np.array([0.0, 4.0, -3.0, 2.0])
    spline = CubicSpline(hooks, seats, bc_type="natural")
    feet = np.array([20.0, 350.0, 700.0, 1500.0, 2700.0, 3600.0, 3990.0])
    want = [
        seats[0] + spline(hooks[0], 1) * (v - hooks[0]) if v < hooks[0]
        else seats[-1] + spline(hooks[-1], 1) * (v - hooks[-1]) if v > hooks[-1] else float(spline(v))
        for v in feet
    ]  # fmt: skip
    matrix = influence(beam, feet)
    assert matrix @ seats == pytest.approx(want, abs=1e-9)
    assert matrix.sum(axis=1) == pytest.approx(np.ones(len(feet)), abs=1e-10)


def test_two_hooks_carry_a_chord() -> None:
    beam = rail([1100.0], (100.0, 300.0))
    assert influence(beam, np.array([650.0, 1500.0])) @ np.array([3.0, 5.0]) == pytest.approx([4.0, 3 + 2 * 1400 / 1100])
