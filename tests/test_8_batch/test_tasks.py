"""LEADS → tasks: folders, manifests, URLs, and names that no folder may have."""

import os
from pathlib import Path

import pytest

from rowplane.batch.tasks import BASE_MB, name_problem, plan_tasks
from rowplane.errors import RowplaneError
from rowplane.leads import load_lead


def lead(folder: Path, name: str) -> Path:
    place = folder / name
    place.mkdir(parents=True)
    (place / "roof.xyz").write_text("0 0 0\n")
    (place / "lead.toml").write_text('name = "n"\nscan = "roof.xyz"\n')
    return place


def test_a_folder_holds_lead_folders_and_scans(tmp_path: Path) -> None:
    lead(tmp_path, "b-lead")
    (tmp_path / "a.xyz").write_text("0 0 0\n")
    (tmp_path / "a.ply").write_text("ply\n")
    (tmp_path / "notes.md").write_text("no lead\n")
    (tmp_path / "leads.csv").write_text("lead,scan\nb,b-lead\n")
    (tmp_path / "photos").mkdir()
    lead(tmp_path, "old-layout")
    (tmp_path / "old-layout" / "record.json").write_text("{}")
    (tmp_path / ".hidden").mkdir()
    assert [t.name for t in plan_tasks(str(tmp_path)).tasks] == ["a", "a-xyz", "b-lead"]
    assert plan_tasks(str(tmp_path)).left_out == ("photos/", "leads.csv", "notes.md")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_nobody_waits_for_a_pipe_or_follows_a_link_out(tmp_path: Path) -> None:
    lead(tmp_path / "out", "one")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.xyz").write_text("0 0 0\n")
    (tmp_path / "in" / "b.xyz").symlink_to("a.xyz")
    (tmp_path / "in" / "c.xyz").symlink_to(tmp_path / "out" / "one" / "roof.xyz")
    (tmp_path / "in" / "d").symlink_to(tmp_path / "out" / "one")
    os.mkfifo(tmp_path / "in" / "e.las")
    (tmp_path / "in" / "f").mkdir()
    os.mkfifo(tmp_path / "in" / "f" / "roof.las")
    plan = plan_tasks(str(tmp_path / "in"))
    assert [t.name for t in plan.tasks] == ["a", "b", "f"]
    assert plan.left_out == ("c.xyz", "d", "e.las")
    rows = "".join(f"{name},{name}\n" for name in ("a.xyz", "b.xyz", "c.xyz", "d", "e.las", "f"))
    (tmp_path / "in" / "leads.csv").write_text(f"lead,scan\n{rows}")
    tasks = plan_tasks(str(tmp_path / "in" / "leads.csv")).tasks
    assert [t.name for t in tasks if t.problem] == ["c.xyz", "d"]
    assert all("by a link" in t.problem for t in tasks if t.problem)


def test_an_object_store_gives_the_same_tasks_as_the_folder(tmp_path: Path) -> None:
    import fsspec

    for name in ("two", "one"):
        lead(tmp_path, name)
    (tmp_path / "a.laz").write_bytes(b"x" * 1000)
    (tmp_path / "one" / "photos").mkdir()
    (tmp_path / "one" / "photos" / "p.tif").write_bytes(b"x")
    store = fsspec.filesystem("memory")
    store.put(f"{tmp_path}/", "/leads-of-tasks/", recursive=True)
    there = plan_tasks("memory://leads-of-tasks").tasks
    assert [(t.name, t.need_mb) for t in there] == [(t.name, t.need_mb) for t in plan_tasks(str(tmp_path)).tasks]
    assert there[1].place == "memory:///leads-of-tasks/one"


def test_doubles_get_names_that_nobody_has(tmp_path: Path) -> None:
    lead(tmp_path, "x")
    rows = ["Haus,x", "haus,x", "haus-double-2,x", "HAUS,x", "\u0061\u0308,x", "\u00e4,x"]
    (tmp_path / "leads.csv").write_text("\n".join(["lead,scan", *rows]) + "\n", encoding="utf-8")
    tasks = plan_tasks(str(tmp_path / "leads.csv")).tasks
    assert len({t.name.casefold() for t in tasks}) == len(rows)
    assert sorted(t.name for t in tasks if not t.problem) == sorted(["Haus", "haus-double-2", "\u0061\u0308"])


def test_the_output_of_a_batch_is_no_lead(tmp_path: Path) -> None:
    lead(tmp_path, "one")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "runs.jsonl").write_text("")
    (tmp_path / "out" / "summary.csv").write_text("")
    assert [t.name for t in plan_tasks(str(tmp_path)).tasks] == ["one"]


def test_manifest_rows_carry_settings(tmp_path: Path) -> None:
    lead(tmp_path, "x")
    columns = "lead,scan,survey_date,rafters.spacing_mm,placement.orientation,placement.setback_mm.eave"
    (tmp_path / "leads.csv").write_text(f"{columns}\nfirst,x,2025-09-18,600,portrait,\n")
    (task,) = plan_tasks(str(tmp_path / "leads.csv")).tasks
    assert (task.name, task.problem) == ("first", "")
    assert dict(task.overrides) == {
        "survey_date": "2025-09-18", "rafters.spacing_mm": "600", "placement.orientation": "portrait",
    }  # fmt: skip
    lead_of_it = load_lead(tmp_path / "x", dict(task.overrides))
    assert (str(lead_of_it.survey_date), lead_of_it.config.rafters[0].spacing_mm) == ("2025-09-18", 600)
    assert Path(task.place) == tmp_path / "x"


def test_bad_rows_fail_and_good_ones_stay(tmp_path: Path) -> None:
    lead(tmp_path, "x")
    rows = [
        "good,x",
        "missing,y",
        "../out,x",
        "a/b,x",
        "con,x",
        "good,x",
        "outside,../x",
        "absolute,/etc/passwd",
        "url,s3://b/x",
    ]
    (tmp_path / "leads.csv").write_text("\n".join(["lead,scan", *rows]) + "\n")
    tasks = plan_tasks(str(tmp_path / "leads.csv")).tasks
    assert len({t.name for t in tasks}) == len(rows)
    assert [t.name for t in tasks if not t.problem] == ["good"]
    words = " | ".join(t.problem for t in tasks)
    for expected in (
        "does not exist",
        "no folder name may have",
        "is reserved",
        "more than once",
        "inside the manifest's folder",
    ):
        assert expected in words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,file\n", "a lead and a scan column"),
        ("lead,scan,module.widht_mm\n", "Did you mean module.width_mm"),
        ("lead,scan,rafters.spacing\n", "Did you mean rafters.spacing_mm"),
        ("lead,scan,scan\n", "there twice"),
        ("lead;scan\n", "commas between"),
        ("", "columns none"),
        ("lead,scan\n", "no lead in it"),
    ],
)
def test_manifest_columns_are_checked(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "leads.csv").write_text(text)
    with pytest.raises(RowplaneError, match=words):
        plan_tasks(str(tmp_path / "leads.csv"))


@pytest.mark.parametrize(
    ("place", "words"),
    [("", "no lead in it"), ("nowhere", "nothing there"), ("one.laz", "a single file"), ("s4://b/x", "no access")],
)
def test_places_that_hold_no_leads(place: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "one.laz").write_bytes(b"x")
    (tmp_path / "empty").mkdir()
    where = place if "://" in place else str(tmp_path / (place or "empty"))
    with pytest.raises(RowplaneError, match=words):
        plan_tasks(where)


def test_a_url_gives_the_same_tasks_as_the_folder(tmp_path: Path) -> None:
    lead(tmp_path, "one")
    lead(tmp_path, "two")
    assert [t.name for t in plan_tasks(f"file://{tmp_path}").tasks] == [t.name for t in plan_tasks(str(tmp_path)).tasks]


def test_need_comes_from_the_header_and_is_bounded_by_the_size(tmp_path: Path) -> None:
    import laspy
    import numpy as np

    header = laspy.LasHeader(point_format=7, version="1.4")
    las = laspy.LasData(header)
    las.x = las.y = las.z = np.zeros(100_000)
    las.write(str(tmp_path / "honest.las"))
    lying = bytearray((tmp_path / "honest.las").read_bytes()[:400])
    lying[247:255] = (10**12).to_bytes(8, "little")
    (tmp_path / "lying.las").write_bytes(bytes(lying))
    honest, lying_task = plan_tasks(str(tmp_path)).tasks
    assert honest.need_mb == BASE_MB + 6
    assert lying_task.need_mb == BASE_MB


@pytest.mark.parametrize("name", ["", "x" * 61, "a/b", "..", ".hidden.", "aux.laz", "LPT1", "a\x00b", "summary.csv", "tail "])
def test_names_no_system_takes(name: str) -> None:
    assert name_problem(name)


@pytest.mark.parametrize("name", ["Mill Lane 3", "dach-süd", "屋根", "a.b"])
def test_names_that_are_fine(name: str) -> None:
    assert name_problem(name) == ""
