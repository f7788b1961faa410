"""The sample leads give the numbers they gave, and the same bytes on any number of threads."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from test_9_cli.golden import GOLDEN, LEADS, SAMPLES, numbers


def near(value: Any) -> Any:
    """Counts and words as they are; lengths and angles within what processors that add in another order may differ by."""
    if isinstance(value, list):
        return [near(item) for item in value]
    return pytest.approx(value, abs=0.05) if isinstance(value, float) else value


@pytest.mark.parametrize("name", LEADS)
def test_golden_numbers(name: str) -> None:
    golden = json.loads(GOLDEN.read_text(encoding="utf-8"))[name]
    seen = numbers(name)
    assert seen.keys() == golden.keys()
    for key, value in golden.items():
        assert seen[key] == near(value), f"{key}; if this is meant: cd tests && python -m test_9_cli.golden"


def result_of(name: str, folder: Path, threads: int) -> dict[str, str]:
    variables = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    env = os.environ | dict.fromkeys(variables, str(threads)) | {"PYTHONHASHSEED": str(threads)}
    command = [sys.executable, "-c", "from rowplane.cli import main; main()", "run", str(SAMPLES / name), "--out", str(folder), "-q"]
    done = subprocess.run(command, env=env, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode in (0, 1), done.stderr
    # The record says how long it took.
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir() if p.name != "record.json"}


@pytest.mark.parametrize("name", [pytest.param(n, marks=[] if n == "level_survey" else pytest.mark.long) for n in LEADS])
def test_threads_and_runs_change_no_byte(name: str, tmp_path: Path) -> None:
    first = result_of(name, tmp_path / "one", 1)
    assert len(first) > 15
    assert result_of(name, tmp_path / "two", 2) == first
