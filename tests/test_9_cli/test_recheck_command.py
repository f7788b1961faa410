"""The loop with the roof through the command line: readings in, a new revision out, the earlier result untouched."""

import csv
import hashlib
import json
import shutil
from pathlib import Path

import pytest

from rowplane.cli.run import recheck_result, run_lead
from rowplane.deliverables.json_result import result_values
from rowplane.deliverables.sheets import build_sheets
from rowplane.errors import RowplaneError
from rowplane.ingest import read_earlier_result

SAMPLE = Path(__file__).parents[2] / "sample_scans" / "level_survey"


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recheck")
    shutil.copytree(SAMPLE, folder / "lead")
    run_lead(folder / "lead", folder / "out", {}, as_json=False, overwrite=False, quiet=True, verbose=False)
    return folder / "out"


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def digest(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def inner_feet(result: Path) -> list[dict[str, str]]:
    """Line 2 without its outer feet, on which the string rests."""
    return sorted((r for r in rows(result / "feet.csv") if r["line"] == "2"), key=lambda r: float(r["u_mm"]))[1:-1]


def test_a_result_is_read_back_whole(result: Path) -> None:
    back = read_earlier_result(result)
    told = json.loads((result / "result.json").read_text(encoding="utf-8"))
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


def test_a_gap_moves_its_rail_and_narrows_its_sigma(result: Path, tmp_path: Path) -> None:
    before = digest(result)
    foot, other = inner_feet(result)[:2]
    read = float(foot["string_gap_mm"]) + 3.0
    (tmp_path / "gaps.csv").write_text(f"id,kind,value_mm,revision\n{foot['foot']},gap,{read},{foot['revision']}\n")
    recheck_result(result, tmp_path / "gaps.csv", tmp_path / "out", overwrite=False)
    after = {r["foot"]: r for r in rows(tmp_path / "out" / "feet.csv")}[foot["foot"]]
    assert after["revision"] == foot["revision"] + "-r1"
    assert float(after["sigma_mm"]) < float(foot["sigma_mm"])
    rise = float(after["rail_height_mm"]) - float(foot["rail_height_mm"])
    assert -3.5 < rise < -0.3  # a wider gap is a lower rail, as far as the reading outweighs the survey
    assert float(after["z"]) - float(foot["z"]) == pytest.approx(rise / 1000, abs=abs(rise) / 1000 * 0.35)
    assert digest(result) == before
    again = tmp_path / "second.csv"
    again.write_text(f"id,kind,value_mm\n{other['foot']},gap,{other['string_gap_mm']}\n")
    recheck_result(tmp_path / "out", again, tmp_path / "out2", overwrite=False)
    assert {r["revision"] for r in rows(tmp_path / "out2" / "feet.csv")} == {foot["revision"] + "-r2"}
    record = json.loads((tmp_path / "out2" / "record.json").read_text())
    assert [r["file"] for r in record["rechecks"]] == ["gaps.csv", "second.csv"]


def test_the_next_sheets_are_whole_and_mark_what_changed(result: Path, tmp_path: Path) -> None:
    foot = inner_feet(result)[1]
    (tmp_path / "gaps.csv").write_text(f"id,kind,value_mm\n{foot['foot']},gap,{float(foot['string_gap_mm']) - 6.0}\n")
    recheck_result(result, tmp_path / "gaps.csv", tmp_path / "out", overwrite=False)
    assert set(digest(tmp_path / "out")) == set(digest(result))
    was, now = ({r["foot"]: r for r in rows(folder / "feet.csv")} for folder in (result, tmp_path / "out"))
    changed = {f for f in was if (was[f]["lift_mm"], was[f]["packer_mm"]) != (now[f]["lift_mm"], now[f]["packer_mm"])}
    assert 0 < len(changed) < len(was)
    assert {f for f in now if "changed: was" in now[f]["note"]} == changed
    page = (tmp_path / "out" / "crew-sheet.html").read_text(encoding="utf-8")
    data = json.loads(page.split('id="crew-data"', 1)[1].split(">", 1)[1].split("</script>", 1)[0])
    assert data["revision"] == foot["revision"] + "-r1"
    assert {s["id"]: s["lift"] for s in data["stops"]} == {f: float(r["lift_mm"]) for f, r in now.items()}
    assert {s["id"] for s in data["stops"] if "changed: was" in s["note"]} == changed
    assert (tmp_path / "out" / "crew-sheet.pdf").read_bytes() != (result / "crew-sheet.pdf").read_bytes()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "an empty file"),
        ("foot,value\nA,1\n", "columns foot, value"),
        ("id,kind,value_mm\nA1-9-99,gap,30\n", "A1-9-99"),
        ("id,kind,value_mm\nA1-0-1,gab,30\n", "kind 'gab'"),
        ("id,kind,value_mm\nA1-0-1,gap,x\n", "'x'"),
        ("id,kind,value_mm\nA1-0-1,gap,nan\n", "'nan'"),
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
