"""What --json prints is what the schema in the package says, command by command."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from rowplane.cli.output import OUTPUT, print_json, schema_of
from rowplane.errors import RowplaneError

SAMPLE = Path(__file__).parents[2] / "sample_scans" / "level_survey"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("json")
    shutil.copytree(SAMPLE, folder / "leads" / "one")
    (folder / "readings.csv").write_text("id,kind,value_mm\n")
    return folder


COMMANDS = {
    "run": ["run", "leads/one", "--out", "result", "-q", "--json"],
    "recheck": ["recheck", "result", "--readings", "readings.csv", "--out", "next", "--json"],
    "inspect": ["inspect", "leads/one", "--json"],
    "plan": ["batch", "leads", "--out", "night", "--dry-run", "--json"],
    "batch": ["batch", "leads", "--out", "night", "--workers", "1", "--json"],
    "explain": ["explain", "--json"],
    "check-setup": ["check-setup", "--json"],
    "init": ["config", "init", "--json"],
    "show": ["config", "show", "leads/one", "--json"],
}
"""In this order: a recheck needs a result."""


DEAR = ("batch", "check-setup")


@pytest.mark.parametrize("name", [pytest.param(n, marks=pytest.mark.long) if n in DEAR else n for n in COMMANDS])
def test_output_is_what_its_schema_says(name: str, place: Path) -> None:
    command = [sys.executable, "-c", "from rowplane.cli import main; main()", *COMMANDS[name]]
    done = subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode in (0, 1), done.stderr
    jsonschema.validate(json.loads(done.stdout, parse_constant=pytest.fail), schema_of(name))


def test_every_definition_is_tried() -> None:
    assert set(json.loads(OUTPUT.read_text())["$defs"]) == {*COMMANDS, "finding"}


def test_schemas_by_name() -> None:
    for name in ("lead", "result", *COMMANDS):
        jsonschema.Draft202012Validator.check_schema(schema_of(name))
    with pytest.raises(RowplaneError, match="check-setup"):
        schema_of("rum")


def test_what_is_no_number_is_null(capsys: pytest.CaptureFixture[str]) -> None:
    print_json({"a": [float("nan"), (float("inf"), 1.5)], "b": "\u00e9"})
    assert json.loads(capsys.readouterr().out) == {"a": [None, [None, 1.5]], "b": "\u00e9"}
