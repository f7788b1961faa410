"""A lead may come from anybody: nothing in it is run, fetched, or becomes markup or a formula; nothing outside is touched."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from rowplane.batch import plan_batch
from rowplane.errors import RowplaneError
from rowplane.leads import load_lead

EVIL = "=HYPERLINK(\"http://x\",\"y\")</script><script>alert(1)</script><img src=x onerror=alert(2)>#read(\"/etc/passwd\"){{7*7}}"
SHEET = "point,course,on,u_m,v_m,staff_m\n" + "".join(
    f"=1+{i},{j},crown,{0.5 * i:.2f},{0.4 * j:.2f},{2.5 - 0.23 * j + 0.001 * (i * j % 4):.4f}\n" for i in range(9) for j in range(8)
)
WATCHED = """
import os, sys
out = os.path.realpath(sys.argv[1]); del sys.argv[1]
seen = []
def watch(event, args):
    if event.startswith(("socket.connect", "socket.getaddrinfo", "urllib", "os.system", "os.exec", "os.spawn", "os.posix_spawn")):
        seen.append(f"{event} {args}")
    # The picture's library asks the system for its fonts once, and keeps the answer in the user's cache.
    if event == "subprocess.Popen" and args[0] not in ("uname", "fc-list"):
        seen.append(f"{event} {args}")
    if event == "open" and isinstance(args[0], str) and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
        place = os.path.realpath(args[0])
        if not place.startswith((out, "/dev/null")) and "__pycache__" not in place and not place.startswith(os.path.expanduser("~/.")):
            seen.append(f"{event} {place}")
sys.addaudithook(watch)
from rowplane.cli import main
try:
    main()
finally:
    print("\\n".join(seen), file=sys.stderr)
    print("seen", len(seen), file=sys.stderr)
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The result of a lead whose every text is hostile, made while opens, sockets and processes were watched."""
    place = tmp_path_factory.mktemp("evil")
    (place / "lead").mkdir()
    (place / "lead" / "levels.csv").write_text(SHEET)
    text = json.dumps(EVIL)
    (place / "lead" / "lead.toml").write_text(
        f'name = {text}\nscan = "levels.csv"\n[ingest]\nazimuth_deg = 180\n[rafters]\nspacing_mm = 700\n'
        f"[module]\nname = {text}\n[hardware]\nname = {text}\n"
    )
    command = [sys.executable, "-c", WATCHED, str(place / "room"), "run", "lead", "--out", "room/out", "-v"]
    (place / "room").mkdir()
    env = os.environ | {"TMPDIR": str(place / "room")}
    done = subprocess.run(command, cwd=place, env=env, capture_output=True, text=True, timeout=200, check=False)
    assert done.returncode in (0, 1), done.stderr
    assert done.stderr.rstrip().endswith("seen 0"), done.stderr
    return place / "room" / "out"


def test_no_network_no_process_no_file_elsewhere(written: Path) -> None:
    assert (written / "feet.csv").exists()
    assert len((written / "feet.csv").read_text().splitlines()) > 4


def test_no_cell_of_a_table_is_a_formula(written: Path) -> None:
    cells = 0
    for path in written.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.reader(stream):
                for cell in row:
                    number = cell.lstrip("-").replace(".", "", 1).isdigit()
                    assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r")), (path.name, cell)
                    cells += "HYPERLINK" in cell
    assert cells > 0
    with zipfile.ZipFile(written / "tables.xlsx") as packed:
        sheets = [packed.read(name) for name in packed.namelist() if "worksheets/" in name]
    assert any(b"HYPERLINK" in sheet for sheet in sheets) or b"HYPERLINK" in packed_strings(written)
    assert all(b"<f>" not in sheet and b"<f " not in sheet for sheet in sheets)


def packed_strings(folder: Path) -> bytes:
    with zipfile.ZipFile(folder / "tables.xlsx") as packed:
        return b"".join(packed.read(name) for name in packed.namelist() if "sharedStrings" in name)


@pytest.mark.parametrize("name", ["crew-sheet.html", "model.html", "layout.svg"])
def test_no_text_becomes_markup(name: str, written: Path) -> None:
    text = (written / name).read_text(encoding="utf-8")
    assert "<script>alert(1)" not in text
    assert "<img src=x" not in text
    assert "</script><script>" not in text
    assert "http://" not in text.replace("http://www.w3.org/", "").replace("http://x", "")


def test_no_text_becomes_code_of_the_paper(written: Path) -> None:
    from pypdf import PdfReader

    text = "".join(page.extract_text() for page in PdfReader(written / "crew-sheet.pdf").pages)
    assert "root:" not in text
    assert "read(" in text.replace("\n", "").replace("\u200b", "")


@pytest.mark.parametrize(
    "text",
    [
        'scan = "/etc/hostname"',
        'scan = "../../etc/hostname"',
        'scan = ["levels.csv", "../levels.csv"]',
        'scan = "levels.csv"\nextends = "../shared.toml"',
        'scan = "levels.csv"\nextends = "/etc/hostname"',
        'scan = "levels.csv"\n[module]\npreset = "../hardware/low_foot_45"',
        'scan = "levels.csv"\n[ingest]\nfootprint = "/dev/zero"',
    ],
)
def test_no_path_leaves_the_lead(text: str, tmp_path: Path) -> None:
    (tmp_path / "lead").mkdir()
    for place in (tmp_path, tmp_path / "lead"):
        (place / "levels.csv").write_text(SHEET)
        (place / "shared.toml").write_text("")
    (tmp_path / "lead" / "lead.toml").write_text(text)
    with pytest.raises(RowplaneError):
        load_lead(tmp_path / "lead")


@pytest.mark.parametrize("scan", ["../outside.csv", "/etc/hostname", "a/../../outside.csv", "file:///etc/hostname", "http://x/y.laz"])
def test_no_row_of_a_manifest_leaves_its_folder(scan: str, tmp_path: Path) -> None:
    (tmp_path / "outside.csv").write_text(SHEET)
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "leads.csv").write_text(f"lead,scan\none,{scan}\n")
    (task,) = plan_batch(str(tmp_path / "in" / "leads.csv")).tasks
    assert task.problem
    assert task.place == ""


@pytest.mark.parametrize("footprint", ["/etc/hostname", "../plan.geojson", '"/dev/zero"'])
def test_no_footprint_of_a_manifest_leaves_the_lead(footprint: str, tmp_path: Path) -> None:
    (tmp_path / "levels.csv").write_text(SHEET)
    row = f"one,levels.csv,{footprint}"
    (tmp_path / "leads.csv").write_text(f"lead,scan,ingest.footprint\n{row}\ntwo,levels.csv,plan.geojson\n")
    one, two = plan_batch(str(tmp_path / "leads.csv")).tasks
    assert "ingest.footprint" in one.problem
    assert not two.problem


@pytest.mark.parametrize("name", ["../out", "a/b", "CON", "..", "a\\b", "=1+1|x", "x\x00y", "summary.html"])
def test_no_lead_of_a_manifest_is_named_out_of_the_output(name: str, tmp_path: Path) -> None:
    (tmp_path / "levels.csv").write_text(SHEET)
    (tmp_path / "leads.csv").write_text(f"lead,scan\n{name},levels.csv\n")
    (task,) = plan_batch(str(tmp_path / "leads.csv")).tasks
    assert task.problem
    assert "/" not in task.name


@pytest.mark.parametrize("text", ["a = " + "[" * 100_000, "a = " + "{a=" * 50_000, "a." * 200_000 + "a = 1", "b = {" + "a." * 200_000 + "a = 1}", "# " + "x" * 2_000_000])
def test_settings_that_would_grow_end_in_words(text: str, tmp_path: Path) -> None:
    (tmp_path / "lead.toml").write_text(text)
    with pytest.raises(RowplaneError):
        load_lead(tmp_path)


@pytest.mark.parametrize("value", ["[" * 100_000, "{" + "a." * 100_000 + "a = 1}"])
def test_values_of_a_manifest_that_would_grow_end_in_words(value: str, tmp_path: Path) -> None:
    (tmp_path / "levels.csv").write_text(SHEET)
    with pytest.raises(RowplaneError, match=r"placement\.gap_mm"):
        load_lead(tmp_path / "levels.csv", {"placement.gap_mm": value})
