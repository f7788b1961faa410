"""No broken file costs a user more than words: no traceback, no hang, no 2 GB, no crash of the interpreter."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from fuzz.guard import Guard
from fuzz.hunt import HEAD, hunt
from fuzz.mutations import mutant
from fuzz.originals import CASES

FEW, MANY = 40, 10_000
"""Inputs per reader in the normal run and in the long one."""

DEAR = {"readings": 20, "posterior": 20, "result": 20}
"""Fewer in the normal run where each input means reading a whole result."""


@pytest.fixture(scope="module")
def guard() -> Iterator[Guard]:
    with Guard() as found:
        yield found


@pytest.mark.parametrize("name", list(CASES))
def test_few_broken_files(name: str, guard: Guard, tmp_path: Path) -> None:
    caught = hunt(name, range(DEAR.get(name, FEW)), tmp_path, guard)
    assert caught.bad == []
    assert caught.ends["value"] > 0
    assert caught.ends["words"] > 0


@pytest.mark.long
@pytest.mark.parametrize("name", list(CASES))
def test_many_broken_files(name: str, guard: Guard, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    caught = hunt(name, range(MANY), tmp_path, guard)
    with capsys.disabled():
        print(f"\n{HEAD}\n{caught.row(name)}")
    assert caught.bad == []


@pytest.mark.long
@pytest.mark.parametrize("name", list(CASES))
def test_what_can_be_read_goes_through_the_whole_job(name: str, guard: Guard, tmp_path: Path) -> None:
    assert hunt(name, range(400), tmp_path, guard, whole_job=True).bad == []


def test_a_seed_gives_the_same_file() -> None:
    originals = CASES["laz"].originals()
    assert [mutant("laz", seed, originals) for seed in range(20)] == [mutant("laz", seed, originals) for seed in range(20)]
    assert len({mutant("laz", seed, originals) for seed in range(20)}) > 15


@pytest.fixture(scope="module")
def poisoned() -> Iterator[Guard]:
    with Guard("fuzz.poison", seconds=2) as found:
        yield found


@pytest.mark.parametrize(
    ("reader", "how"),
    [
        ("value", "value"),
        ("words", "words"),
        ("bug", "bug"),
        ("memory", "memory"),
        ("hidden", "memory"),
        ("crash", "crash"),
        ("leave", "crash"),
        ("hang", "hang"),
    ],
)
def test_the_guard_sees_every_end_and_goes_on(reader: str, how: str, poisoned: Guard, tmp_path: Path) -> None:
    end = poisoned(reader, tmp_path)
    assert (end.how, end.allowed) == (how, how in ("value", "words"))
    assert poisoned("value", tmp_path).how == "value"
