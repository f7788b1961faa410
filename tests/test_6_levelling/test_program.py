"""The array plane's program: proved best against enumeration of every packer and every corner of the space of planes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rowplane.levelling.program import Answer, Task, reachable, solve
from test_6_levelling.enumeration import enumerate_best


def random_task(seed: int) -> Task:
    """Three to seven feet, none to two hooks, one packer thickness or none, crowns and heights that bind now and then."""
    rng = np.random.default_rng(seed)
    packed = rng.random() < 0.75
    f, h = (int(rng.integers(3, 5)), int(rng.integers(0, 3))) if packed else (int(rng.integers(3, 8)), 0)
    uv = rng.uniform(-1, 1, (f, 2))
    tilt = rng.choice([0.5, 3.0, 8.0])
    travel = rng.choice([4.0, 10.0, 25.0])
    rail = rng.normal(0, rng.choice([2.0, 6.0]), f)
    crowns = np.column_stack([np.ones(4), rng.uniform(-1, 1, (4, 2))])
    thickness = float(rng.choice([3.0, 5.0]))
    packers, pieces = (np.array([thickness, 2 * thickness]), np.array([1.0, 2.0])) if packed else (np.zeros(0), np.zeros(0))
    influence = rng.dirichlet(np.ones(h), f) * 1.2 - 0.1 if h else np.zeros((f, 0))
    return Task(
        feet=np.column_stack([np.ones(f), uv]), rail=rail, influence=influence, low=20.0, high=20.0 + travel,
        middle=20.0 + travel / 2, crowns=crowns, floor=rng.normal(18 + travel / 2, 4, 4), corners=crowns[:2],
        ceiling=45.0 + travel, held=np.zeros((0, 3)), held_seat=np.zeros(0), lower=np.array([-np.inf, -tilt, -tilt]),
        upper=np.array([np.inf, tilt, tilt]), packers=packers, pieces=pieces,
    )  # fmt: skip


def goals(answer: Answer) -> dict[str, float]:
    return {name: value for name, value, _ in answer.goals}


def compare(seed: int) -> str:
    return matches(random_task(seed))


def matches(task: Task) -> str:
    answer, best = solve(task), enumerate_best(task)
    got = goals(answer)
    assert answer.given_way == 0
    assert got.get("shortfall", 0.0) == pytest.approx(best.shortfall, abs=1e-5)
    assert got.get("packers", 0.0) == best.packers
    for name, value, bound in answer.goals:
        assert value - bound == pytest.approx(0, abs=1e-5), f"{name} is not proved"
    if best.shortfall > 0:
        return "short"
    assert got["greatest adjustment"] == pytest.approx(best.greatest, abs=1e-5)
    assert got["total turning"] == pytest.approx(best.turning, abs=1e-4)
    return "packers" if best.packers else "plain"


def test_equal_to_enumeration() -> None:
    kinds = [compare(seed) for seed in range(30)]
    assert {"plain", "packers", "short"} == set(kinds), "the cases must hold every outcome"


def test_held_parallel_equal_to_enumeration() -> None:
    flat = np.array([np.inf, 0.0, 0.0])
    for seed in range(40, 60):
        task = random_task(seed)
        bare = {"packers": np.zeros(0), "pieces": np.zeros(0), "influence": task.influence[:, :0]}
        assert solve(replace(task, lower=-flat, upper=flat, **bare)).x[1:] == pytest.approx(0, abs=1e-9)
        matches(replace(task, lower=-flat, upper=flat, **bare))


@pytest.mark.long
def test_equal_to_enumeration_in_200_cases() -> None:
    kinds = [compare(seed) for seed in range(1000, 1200)]
    assert min(kinds.count(k) for k in ("plain", "packers", "short")) >= 20


def test_enumeration_itself_on_a_case_done_by_hand() -> None:
    # Three feet on a level plane at 0, 0, 6 with no tilt allowed and travel 20 to 24: the plane stands at 26 … 24 at best,
    # so without packers one foot is 2 short; a packer of 3 under the low feet makes it 3, 3, 6 and the spread 3 ≤ 4.
    task = replace(
        random_task(0), feet=np.array([[1.0, -1, 0], [1, 1, 0], [1, 0, 1]]), rail=np.array([0.0, 0, 6]), low=20.0, high=24.0,
        middle=22.0, influence=np.zeros((3, 0)), crowns=np.zeros((0, 3)), floor=np.zeros(0), corners=np.zeros((0, 3)),
        lower=np.array([-np.inf, 0, 0]), upper=np.array([np.inf, 0, 0]), packers=np.array([3.0, 6.0]), pieces=np.array([1.0, 2.0]),
    )  # fmt: skip
    best = enumerate_best(task)
    assert (best.shortfall, best.packers) == (0.0, 2.0)
    assert best.greatest == pytest.approx(1.5)
    assert goals(solve(task)) == pytest.approx({"packers": 2.0, "greatest adjustment": 1.5, "total turning": 4.5}, abs=1e-5)


def test_set_feet_off_one_plane_are_missed_by_as_little_as_can_be() -> None:
    # Seats of a saddle, 2 up and 2 down in turn at the corners: no plane misses them by less than 2.
    square = np.array([[1.0, -1, -1], [1, 1, -1], [1, -1, 1], [1, 1, 1]])
    task = replace(
        random_task(0), feet=np.array([[1.0, 0, 0]]), rail=np.zeros(1), influence=np.zeros((1, 0)), low=0.0, high=90.0, middle=45.0,
        crowns=np.zeros((0, 3)), floor=np.zeros(0), corners=np.zeros((0, 3)), held=square,
        held_seat=40 + 2 * square[:, 1] * square[:, 2] + square[:, 1], lower=np.array([-np.inf, -8, -8]),
        upper=np.array([np.inf, 8, 8]),
    )  # fmt: skip
    answer = solve(task)
    assert (answer.held_miss, answer.given_way) == (pytest.approx(2, abs=1e-5), 0)
    assert answer.x == pytest.approx([40, 1, 0], abs=1e-4)
    # A crown 4 above what the greatest height allows there: both give way alike, and the set feet are missed by 3 more.
    middle = np.array([[1.0, 0, 0]])
    for at in (43.0, 37.0):
        both = solve(replace(task, crowns=middle, floor=np.array([at + 2]), corners=middle, ceiling=at - 2))
        assert both.given_way == pytest.approx(2, abs=1e-5)
        assert both.x[0] == pytest.approx(at, abs=1e-4)
        assert both.held_miss == pytest.approx(5, abs=1e-4)


def test_reachable_is_what_enumeration_finds() -> None:
    tasks = [random_task(seed) for seed in range(300, 315)]
    found = [reachable(task) for task in tasks]
    assert found == [enumerate_best(task).shortfall == 0 for task in tasks]
    assert 2 <= sum(found) <= 13, "the cases must hold both outcomes"
