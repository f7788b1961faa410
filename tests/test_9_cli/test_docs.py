"""README and DEVELOPERS say what is so: every command in them is run by a test, every option and every path is there."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from test_1_ingest import ingest_builders as make

ROOT = Path(__file__).parents[2]
PAGES = ("README.md", "DEVELOPERS.md")
HERE = "this file"
RUN_BY = {
    "python3 -m venv .venv && .venv/bin/pip install --quiet . &&": HERE,
    "python3 -m venv .venv && .venv/bin/pip install --quiet --editable": ".ci/run",
    "bash .ci/run": ".ci/run",
    "rowplane inspect roof.laz": HERE,
    ".venv/bin/rowplane batch sample_scans --out results": HERE,
    "export DASK_CONFIG": "tests/test_8_batch/test_existing_cluster.py",
    ".venv/bin/dask": "tests/test_8_batch/test_existing_cluster.py",
    ".venv/bin/rowplane batch LEADS --out RESULTS --scheduler": "tests/test_8_batch/test_existing_cluster.py",
    ".venv/bin/rowplane run sample_scans/level_survey": "tests/test_9_cli/test_recheck_command.py",
    "printf": "tests/test_9_cli/test_recheck_command.py",
    ".venv/bin/rowplane recheck chapel-row": "tests/test_9_cli/test_recheck_command.py",
    "python -m fuzz": "tests/fuzz/test_fuzz.py",
    "python -m scenes": "tests/scenes/test_samples.py",
    "python -m rowplane.cli.reference": "tests/test_9_cli/test_commands.py",
}
"""How a command of a block starts, and what runs it."""

SOURCES = {page: (ROOT / page).read_text(encoding="utf-8") for page in PAGES}


def blocks(text: str) -> list[list[str]]:
    return [
        [line.strip() for line in block.splitlines() if line.strip()] for block in re.findall(r"```\w*\n(.*?)```", text, re.DOTALL)
    ]


def block_lines(text: str) -> list[str]:
    return [line for block in blocks(text) for line in block]


def spans(text: str) -> list[str]:
    return re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))


@cache
def help_of(*command: str) -> str:
    code = "import sys; sys.argv[0] = 'rowplane'; from rowplane.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", code, *command, "--help"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"rowplane {' '.join(command)}: {done.stderr}"
    return done.stdout


@pytest.mark.parametrize("page", PAGES)
def test_every_command_of_a_block_is_run_by_a_test(page: str) -> None:
    lines = block_lines(SOURCES[page])
    assert len(lines) > 2
    for line in lines:
        runner = next((by for start, by in RUN_BY.items() if line.startswith(start)), None)
        assert runner is not None, f"{page}: no test runs: {line}"
        assert runner == HERE or (ROOT / runner).is_file()


@pytest.mark.parametrize("page", PAGES)
def test_every_command_and_option_named_is_there(page: str) -> None:
    for line in block_lines(SOURCES[page]) + spans(SOURCES[page]):
        for part in re.split(r"&&|\|", line):
            words = shlex.split(part.split(" #")[0], posix=True) if part.count("'") % 2 == 0 else part.split()
            if not words or words[0].rpartition("/")[2] != "rowplane" or len(words) < 2:
                continue
            depth = 2 if words[1] == "config" and len(words) > 2 else 1
            if words[1].startswith("-"):
                depth = 0
            told = help_of(*words[1 : 1 + depth])
            for option in (word.partition("=")[0] for word in words if word.startswith("--")):
                assert option in told, f"{page}: {line}"


@pytest.mark.parametrize("page", PAGES)
def test_every_path_named_is_there(page: str) -> None:
    words = [word for span in spans(SOURCES[page]) if not span.startswith("cp ") for word in span.split()]
    paths = [w for w in words if re.fullmatch(r"(tests|configs|pipeline|sample_scans|ingest|deliverables|supports|\.ci)/[\w./]*", w)]
    assert len(paths) > 5
    for path in paths:
        assert any((root / path).exists() for root in (ROOT, ROOT / "pipeline" / "rowplane")), f"{page}: {path}"


def test_the_readme_is_short_and_shows_what_the_tool_makes() -> None:
    text = SOURCES["README.md"]
    assert len(text.splitlines()) < 300
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text)
    assert pictures
    assert all((ROOT / picture).is_file() for picture in pictures)


def rowplane(words: list[str], place: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from rowplane.cli import main; main()", *words]
    return subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=600, check=False)


def test_the_surveyors_command(tmp_path: Path) -> None:
    make.write_las(tmp_path / "roof.laz", make.roof_points(8000))
    done = rowplane(["inspect", "roof.laz"], tmp_path)
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout.startswith("verdict for foot heights: ")
    assert done.stdout.count("\n") > 4


@pytest.mark.long
@pytest.mark.parametrize("mark", ["run sample_scans", "batch sample_scans --out", "batch sample_scans/leads.csv"])
def test_the_commands_on_the_samples(mark: str, tmp_path: Path) -> None:
    for folder in ("sample_scans", "configs"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    text = SOURCES["README.md"]
    line = next(line for line in [*block_lines(text), *spans(text)] if f"rowplane {mark}" in line)
    if "cp " in line:
        shutil.copy(tmp_path / "configs" / "examples" / "leads.csv", tmp_path / "sample_scans")
    words = shlex.split(line.rpartition("rowplane ")[2])
    done = rowplane(words, tmp_path)
    assert done.returncode in (0, 1), done.stderr
    assert "result: " in done.stdout
    assert "Traceback" not in done.stderr
