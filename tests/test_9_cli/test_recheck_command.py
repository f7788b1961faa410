"""The loop with the roof through the command line, first as the README shows it: readings in, the next revision out."""

import csv
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from rowplane.cli.run import recheck_result
from rowplane.deliverables.json_result import result_values
from rowplane.deliverables.sheets import build_sheets
from rowplane.errors import RowplaneError
from rowplane.ingest import read_earlier_result

ROOT = Path(__file__).parents[2]
RESULT, REVISED = "chapel-row", "chapel-row-r1"


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder in which the README's commands were run, word for word."""
    folder = tmp_path_factory.mktemp("recheck")
    shutil.copytree(ROOT / "sample_scans" / "level_survey", folder / "sample_scans" / "level_survey")
    command = folder / ".venv" / "bin" / "rowplane"
    command.parent.mkdir(parents=True)
    command.write_text(f"#!{sys.executable}\nfrom rowplane.cli.commands import main\nmain()\n")
    command.chmod(0o755)
    text = (ROOT / "README.md").read_text(encoding="utf-8").split("<!-- recheck -->")[1].split("<!-- end -->")[0]
    commands = re.findall(r"```\n(.*?)```", text, re.DOTALL)[0]
    paths = os.pathsep.join([str(ROOT / "pipeline"), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        ["sh", "-c", commands], cwd=folder, env={**os.environ, "PYTHONPATH": paths}, capture_output=True, text=True, check=False
    )
    assert done.returncode in (0, 1), done.stderr
    assert "left out" not in done.stderr
    assert re.search(r"5 readings give revision [0-9a-f]{8}-r1", done.stdout), done.stdout
    return folder


@pytest.fixture
def result(worked: Path) -> Path:
    return worked / RESULT


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def feet(folder: Path) -> dict[str, dict[str, str]]:
    return {r["foot"]: r for r in rows(folder / "feet.csv")}


def digest(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def test_a_result_is_read_back_whole(worked: Path) -> None:
    for name in (RESULT, REVISED):
        back = read_earlier_result(worked / name)
        told = json.loads((worked / name / "result.json").read_text(encoding="utf-8"))
        assert json.loads(json.dumps(result_values(back, build_sheets(back)))) == told


def test_no_readings_change_nothing_but_the_record(result: Path, tmp_path: Path) -> None:
    (tmp_path / "none.csv").write_text("id,kind,value_mm\n")
    recheck_result(result, tmp_path / "none.csv", tmp_path / "out", overwrite=False)
    before, after = digest(result), digest(tmp_path / "out")
    assert {name for name in before | after if before.get(name) != after.get(name)} == {"record.json"}
    was, now = (json.loads((folder / "record.json").read_text()) for folder in (result, tmp_path / "out"))
    (told,) = now.pop("rechecks")
    assert now == was
    assert (told["file"], told["readings"], told["revision"]) == ("none.csv", 0, was["revision"])
    assert told["sha256"] == hashlib.sha256(b"id,kind,value_mm\n").hexdigest()


def test_gaps_move_their_rails_and_narrow_their_sigma(worked: Path) -> None:
    was, now = feet(worked / RESULT), feet(worked / REVISED)
    gaps = {r["id"]: float(r["value_mm"]) for r in rows(worked / "readings.csv")}
    for foot, gap in gaps.items():
        assert now[foot]["revision"] == was[foot]["revision"] + "-r1"
        assert float(now[foot]["sigma_mm"]) < float(was[foot]["sigma_mm"])
        # A wider gap is a lower rail, as far as the reading outweighs the survey; z follows.
        wider = gap - float(was[foot]["string_gap_mm"])
        rise = float(now[foot]["rail_height_mm"]) - float(was[foot]["rail_height_mm"])
        assert rise == pytest.approx(-wider, abs=max(2.5, 0.7 * abs(wider)))
        z = float(now[foot]["z"]) - float(was[foot]["z"])
        assert z == pytest.approx(rise / 1000, abs=abs(rise) / 1000 * 0.35 + 1e-4)


def test_the_next_sheets_are_whole_and_mark_what_changed(worked: Path) -> None:
    assert set(digest(worked / REVISED)) == set(digest(worked / RESULT))
    was, now = feet(worked / RESULT), feet(worked / REVISED)
    changed = {f for f in was if (was[f]["lift_mm"], was[f]["packer_mm"]) != (now[f]["lift_mm"], now[f]["packer_mm"])}
    assert 0 < len(changed) < len(was)
    assert {f for f in now if "changed: was" in now[f]["note"]} == changed
    page = (worked / REVISED / "crew-sheet.html").read_text(encoding="utf-8")
    data = json.loads(page.split('id="crew-data"', 1)[1].split(">", 1)[1].split("</script>", 1)[0])
    assert data["revision"] == now["A1-3-3"]["revision"]
    assert {s["id"]: s["lift"] for s in data["stops"]} == {f: float(r["lift_mm"]) for f, r in now.items()}
    assert {s["id"] for s in data["stops"] if "changed: was" in s["note"]} == changed
    assert (worked / REVISED / "crew-sheet.pdf").read_bytes() != (worked / RESULT / "crew-sheet.pdf").read_bytes()


def test_every_kind_of_reading_reaches_the_table_and_readings_add_up(worked: Path, tmp_path: Path) -> None:
    was = feet(worked / REVISED)
    up = [f for f, r in was.items() if r["line"] == "1"][:6]
    stay, moved = float(was["A1-0-1"]["lift_mm"]) + 0.5, float(was["A1-0-12"]["u_mm"]) + 40
    lines = ["id,kind,value_mm,u_mm", f"A1-0-1,set,{stay},", f"A1-R12,moved,,{moved:.1f}"]
    lines += [f"{f},height,{1000 * float(was[f]['z']) + 2000 + (45 if f == up[3] else 0):.1f}," for f in up]
    (tmp_path / "day2.csv").write_text("\n".join(lines) + "\n")
    recheck_result(worked / REVISED, tmp_path / "day2.csv", tmp_path / "out", overwrite=False)
    now, told = feet(tmp_path / "out"), json.loads((tmp_path / "out" / "result.json").read_text())
    assert {r["revision"] for r in now.values()} == {was["A1-0-1"]["revision"].replace("-r1", "-r2")}
    assert (float(now["A1-0-1"]["lift_mm"]), now["A1-0-1"]["note"]) == (stay, f"set at {stay:g} mm, stays")
    on_rail = {f for f, r in was.items() if r["rail"] == "A1-R12"}
    for f, row in now.items():
        assert float(row["u_mm"]) - float(was[f]["u_mm"]) == pytest.approx(40 if f in on_rail else 0, abs=0.06)
    assert {r["u_mm"] for r in rows(tmp_path / "out" / "hooks.csv") if r["rail"] == "A1-R12"} == {now["A1-0-12"]["u_mm"]}
    for f in up:
        assert float(now[f]["sigma_mm"]) < float(was[f]["sigma_mm"])
    (out,) = [f for f in told["findings"] if f["code"] == "reading-outlier"]
    assert out["subject"] == f"reading {up[3]}"
    record = json.loads((tmp_path / "out" / "record.json").read_text())
    assert [r["file"] for r in record["rechecks"]] == ["readings.csv", "day2.csv"]
    (kept,) = read_earlier_result(tmp_path / "out").levels.posteriors
    assert len(kept.taken) == 5 + 2 + 5


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "an empty file"),
        ("foot,value\nA,1\n", "columns foot, value"),
        ("id,kind,value_mm\nA1-9-99,gap,30\n", "A1-9-99"),
        ("id,kind,value_mm\nA1-0-1,gab,30\n", "kind 'gab'"),
        ("id,kind,value_mm\nA1-0-1,gap,x\n", "'x'"),
        ("id,kind,value_mm\nA1-0-1,gap,nan\n", "'nan'"),
        ("id,kind,value_mm\nA1-1-3,gap,2.07\nA1-1-4,gap,2.09\nA1-1-5,gap,1.93\n", "inches"),
        ("id,kind,value_mm\nA1-1-3,gap,0.052\nA1-1-4,gap,0.053\nA1-1-5,gap,0.049\n", "metres"),
        ("id,kind,value_mm\nA1-1-3,gap,-52\nA1-1-4,gap,-53\nA1-1-5,gap,-49\n", "wrong sign"),
        ("id,kind,value_mm\nA1-1-3,gap,52\nA1-1-3,gap,59\n", "doubles within"),
        ("id,kind,value_mm,revision\nA1-0-1,height,30,00000000\n", "of another survey"),
        ("id,kind,value_mm,revision\nA1-0-1,height,30,{now}-r7\n", "this revision's sheet"),
    ],
)
def test_bad_readings_end_in_words(text: str, words: str, result: Path, tmp_path: Path) -> None:
    before = digest(result)
    text = text.replace("{now}", rows(result / "feet.csv")[0]["revision"])
    (tmp_path / "bad.csv").write_text(text)
    with pytest.raises(RowplaneError, match=words):
        recheck_result(result, tmp_path / "bad.csv", tmp_path / "out", overwrite=False)
    assert not (tmp_path / "out").exists()
    assert digest(result) == before


def test_a_coordinate_system_that_names_a_file_was_no_scans(result: Path, tmp_path: Path) -> None:
    shutil.copytree(result, tmp_path / "other")
    values = json.loads((result / "result.json").read_text(encoding="utf-8"))
    values["survey"]["frame"]["crs_wkt"] = 'PROJCS["x",EXTENSION["PROJ4","+proj=utm +zone=32 +nadgrids=/etc/hostname"]]'
    (tmp_path / "other" / "result.json").write_text(json.dumps(values))
    with pytest.raises(RowplaneError, match="no result that can be rechecked"):
        read_earlier_result(tmp_path / "other")


def test_a_folder_that_is_no_result_is_named(result: Path, tmp_path: Path) -> None:
    (tmp_path / "none.csv").write_text("id,kind,value_mm\n")
    (tmp_path / "posterior.npz").write_bytes(b"PK\x03\x04 not a zip")
    for folder in (tmp_path, tmp_path / "nowhere"):
        with pytest.raises(RowplaneError, match="no result that can be rechecked"):
            recheck_result(folder, tmp_path / "none.csv", tmp_path / "out", overwrite=False)
    for name, spoilt in (("result.json", '{"survey": [1]}'), ("record.json", "[]"), ("posterior.npz", "")):
        shutil.rmtree(tmp_path / "spoilt", ignore_errors=True)
        shutil.copytree(result, tmp_path / "spoilt")
        (tmp_path / "spoilt" / name).write_text(spoilt)
        with pytest.raises(RowplaneError, match="no result that can be rechecked"):
            recheck_result(tmp_path / "spoilt", tmp_path / "none.csv", tmp_path / "out", overwrite=False)
    shutil.rmtree(tmp_path / "spoilt")
    shutil.copytree(result, tmp_path / "spoilt")
    with np.load(result / "posterior.npz") as arrays:
        of_another = {name: np.char.replace(arrays[name], "A1-", "B1-") if name == "0.foot_ids" else arrays[name] for name in arrays}
    np.savez(tmp_path / "spoilt" / "posterior.npz", **of_another)
    with pytest.raises(RowplaneError, match="no result that can be rechecked"):
        recheck_result(tmp_path / "spoilt", tmp_path / "none.csv", tmp_path / "out", overwrite=False)
