"""The command line as a person meets it: words, exit codes, what goes to which stream."""

import json
import os
import shutil
import statistics
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest

from rowplane.config import Config
from rowplane.findings import CATALOGUE


def rowplane(*args: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from rowplane.cli import main; main()", *args]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, timeout=120, check=False)


def test_help_is_quick() -> None:
    """Half a second here is 0.3 s on an idle machine; the median of ten alone is what the bench reports."""
    seconds = []
    for _ in range(5):
        start = time.perf_counter()
        assert rowplane("--help").returncode == 0
        seconds.append(time.perf_counter() - start)
    assert statistics.median(seconds) < 0.6


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\nfrom rowplane.cli import main\nsys.argv = ['rowplane', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'scipy', 'open3d', 'shapely', 'matplotlib', 'pydantic') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip().splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["run"], "rowplane config init > lead.toml"),
        (["inspect"], "rowplane inspect roof.laz"),
        (["batch", "leads"], "--dry-run"),
        (["recheck"], "--readings"),
        (["run", "nowhere.laz"], "no such file"),
        (["--sideways"], "No such option"),
        (["explain", "no-rof"], "Did you mean no-roof?"),
        (["run", "nowhere.laz", "--set", "module"], "section.key=value"),
    ],
)
def test_usage_errors_end_with_2_and_words(args: list[str], words: str, tmp_path: Path) -> None:
    done = rowplane(*args, cwd=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert list(tmp_path.iterdir()) == []


def test_unknown_suffix_and_empty_file_write_nothing(tmp_path: Path) -> None:
    for name in ("roof.docx", "roof.laz", "roof.ply", "roof.csv"):
        scan = tmp_path / name
        scan.write_bytes(b"")
        done = rowplane("run", str(scan))
        assert done.returncode == 2, name
        assert name in done.stderr
        assert "Traceback" not in done.stderr
    assert len(list(tmp_path.iterdir())) == 4


def test_config_init_is_a_lead_with_every_default(tmp_path: Path) -> None:
    text = rowplane("config", "init").stdout
    tree = tomllib.loads(text)
    assert {"name", "scan"} <= set(tree)
    for section, info in Config.model_fields.items():
        assert f"{section}]" in text
        keys = getattr(info.annotation, "model_fields", {})
        missing = [key for key in keys if f"# {key} = " not in text and f"[{section}.{key}]" not in text]
        assert [key for key in missing if f"[[{section}.{key}]]" not in text] == []
    (tmp_path / "roof.laz").write_bytes(b"x")
    (tmp_path / "lead.toml").write_text(text)
    assert rowplane("config", "show", str(tmp_path)).returncode == 0


def test_config_show_names_the_origin(tmp_path: Path) -> None:
    (tmp_path / "roof.laz").write_bytes(b"x")
    (tmp_path / "lead.toml").write_text('name = "n"\nscan = "roof.laz"\n[module]\npreset = "landscape_430"\npower_w = 440\n')
    lines = rowplane("config", "show", str(tmp_path), "--set", "planes.min_face_m2=3").stdout.splitlines()
    origin = {line.split(" = ")[0]: line.rsplit("# ", 1)[1] for line in lines[2:]}
    assert origin["module.power_w"] == "lead.toml"
    assert origin["module.held_short"] == "landscape_430.toml"
    assert origin["planes.min_face_m2"] == "--set"
    assert origin["planes.min_pitch_deg"] == "default"


def test_the_first_step_names_what_lies_here(tmp_path: Path) -> None:
    (tmp_path / "roof.ply").write_bytes(b"x")
    assert "rowplane run roof.ply" in rowplane("run", cwd=tmp_path).stderr
    (tmp_path / "lead.toml").write_text("")
    assert "rowplane inspect ." in rowplane("inspect", cwd=tmp_path).stderr


def test_names_that_no_terminal_can_show_are_no_bug(tmp_path: Path) -> None:
    scan = os.fsdecode(os.fsencode(tmp_path) + b"/roof\xff.csv")
    Path(scan).write_text("u_m,v_m,staff_m\n" + "".join(f"{u},{v},{2 - 0.5 * v}\n" for u in range(4) for v in range(3)))
    done = rowplane("inspect", scan)
    assert "bug" not in done.stderr
    assert done.returncode in (0, 1)
    assert "roof" in done.stdout


TRIED = {"in": "inspect", "explain no-r": "no-roof", "run roof.laz --set placement.ori": "placement.orientation="}
"""What stands after the command's name, and the one word that completes it."""


def test_completion_offers_commands_codes_and_settings_in_bash(tmp_path: Path) -> None:
    """The script that the tool prints, sourced by a shell that knows nothing else."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash on this machine")
    command = tmp_path / "rowplane"
    code = "import sys; sys.argv[0] = 'rowplane'; from rowplane.cli import main; main()"
    command.write_text(f'#!/bin/sh\nexec {sys.executable} -c "{code}" "$@"\n')
    command.chmod(0o755)
    lines = ["rowplane --show-completion bash > completion.sh", "source completion.sh", "complete -p rowplane >&2"]
    for words in TRIED:
        lines += [f"COMP_WORDS=(rowplane {words})", "COMP_CWORD=$((${#COMP_WORDS[@]} - 1))"]
        lines += ["COMPREPLY=()", "_rowplane_completion rowplane", 'echo "${COMPREPLY[*]}"']
    env = os.environ | {"PATH": f"{tmp_path}:{os.environ['PATH']}"}
    done = subprocess.run(
        [bash, "--norc", "-ec", "\n".join(lines)], cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120, check=False
    )
    assert "-F _rowplane_completion rowplane" in done.stderr
    assert done.stdout.splitlines() == list(TRIED.values())


def test_the_reference_is_up_to_date() -> None:
    from rowplane.cli.reference import reference

    page = Path(__file__).parents[2] / "configs" / "REFERENCE.md"
    assert page.read_text(encoding="utf-8") == reference() + "\n", "python -m rowplane.cli.reference > configs/REFERENCE.md"


def test_the_reference_has_every_key_and_every_finding() -> None:
    from rowplane.cli.reference import settings

    keys = {setting.key for setting in settings()}
    assert all(setting.meaning for setting in settings())
    for section, info in Config.model_fields.items():
        inner = getattr(info.annotation, "model_fields", {})
        assert {f"{section}.{key}" for key in inner if key not in ("setback_mm", "fixed", "escapes")} <= keys
    assert {"placement.setback_mm.eave", "placement.fixed.u_mm", "rafters.spacing_mm"} <= keys


def test_schema_is_json_and_knows_every_section() -> None:
    schema = json.loads(rowplane("config", "schema").stdout)
    assert set(schema["properties"]) == set(Config.model_fields)


@pytest.mark.parametrize("code", sorted(CATALOGUE))
def test_every_finding_is_explained(code: str) -> None:
    from rowplane.cli.words import explain_code

    text = explain_code(code)
    assert code in text
    assert CATALOGUE[code].do in text
