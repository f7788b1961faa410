"""A whole batch in this process: what is written, skipped, refused, and how it ends."""

from __future__ import annotations

import csv
import json
import os
import socket
import subprocess
import sys
import time
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from rowplane.batch import engine, plan_batch, run_batch
from rowplane.errors import RowplaneError
from test_8_batch.jobs import QuickJob, RoughJob, make_leads, result_bytes, runs

HERE = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
COMMAND = [sys.executable, "-c", "from rowplane.cli import main; main()", "batch"]


def batch(*arguments: str, expect: int) -> subprocess.CompletedProcess[str]:
    done = subprocess.run([*COMMAND, *arguments], env=HERE, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == expect, done.stderr
    return done


def verdicts(out: Path) -> dict[str, str]:
    with (out / "summary.csv").open() as stream:
        return {row["lead"]: row["verdict"] for row in csv.DictReader(stream)}


def test_the_command_runs_skips_and_sums_up(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", ["one"]), tmp_path / "out"
    (leads / "broken.laz").write_bytes(b"LASF and then nothing")
    (leads / "notes.md").write_text("not a lead")
    first = batch(str(leads), "--out", str(out), "--workers", "1", "--json", expect=1)
    assert json.loads(first.stdout)["verdicts"]["failed"] == 1
    assert "left out: notes.md" in first.stderr
    assert {"crew-sheet.html", "feet.csv", "record.json"} <= {p.name for p in (out / "one").iterdir()}
    failure = json.loads((out / "broken" / "failure.json").read_text())
    assert "broken.laz" in failure["reason"]
    assert str(tmp_path) not in failure["reason"]
    assert (out / "broken" / "seen.png").stat().st_size > 1000
    assert verdicts(out)["broken"] == "failed"
    assert {p.name for p in out.iterdir()} == {
        "one",
        "broken",
        "runs.jsonl",
        "summary.csv",
        "summary.xlsx",
        "summary.html",
    }
    before = result_bytes(out)
    second = batch(str(leads), "--out", str(out), "--workers", "1", expect=1)
    assert "one: " in second.stderr
    assert "(done before)" in second.stderr
    assert "run now: 1, done before: 1" in second.stdout
    assert result_bytes(out) == before
    assert [(r["lead"], r["state"]) for r in runs(out)] == [
        ("broken", "failed"),
        ("one", "done"),
        ("broken", "failed"),
        ("one", "skipped"),
    ]


def test_dry_run_writes_nothing(tmp_path: Path) -> None:
    leads = make_leads(tmp_path / "leads", ["one"])
    done = batch(str(leads), "--out", str(tmp_path / "out"), "--dry-run", expect=0)
    assert done.stdout.startswith("one ")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere"], "nothing there"),
        pytest.param(["leads", "--scheduler", "tcp://127.0.0.1:1"], "no answer", marks=pytest.mark.long),
        (["leads", "--scheduler", "not an address"], "no address"),
        (["leads", "--scheduler", "tcp://127.0.0.1:1", "--workers", "2"], "one of them"),
        (["leads", "--set", "placement.orientaton=best"], "Did you mean placement.orientation?"),
        (["leads", "--set", "module.power_w=-3"], "failed"),
    ],
)
def test_what_cannot_start_is_said_in_words(arguments: list[str], words: str, tmp_path: Path) -> None:
    make_leads(tmp_path / "leads", ["one"])
    place = str(tmp_path / arguments[0])
    expect = 1 if words == "failed" else 2  # a value may suit one lead and not another: each says so itself
    done = batch(
        place,
        *arguments[1:],
        *([] if "--scheduler" in arguments else ["--workers", "1"]),
        "--out",
        str(tmp_path / "out"),
        expect=expect,
    )
    assert words in done.stderr + done.stdout
    assert "Traceback" not in done.stderr


def test_changed_input_or_settings_run_again(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", ["a", "b"]), str(tmp_path / "out")
    plan = plan_batch(str(leads))

    def skipped(**settings: str) -> int:
        return run_batch(plan, out, settings, workers=1, make_job=QuickJob).skipped

    assert [skipped(), skipped()] == [0, 2]
    (leads / "a" / "levels.csv").write_text((leads / "a" / "levels.csv").read_text() + "0.2,0.2,1.4\n")
    assert skipped() == 1
    (leads / "b" / "lead.toml").write_text('name = "Pond Corner 7"\n' + (leads / "b" / "lead.toml").read_text())
    assert [skipped(), skipped()] == [1, 2]  # the sheets carry the name
    assert run_batch(plan, out, {"module.power_w": "500"}, workers=1, make_job=QuickJob).skipped == 0
    assert run_batch(plan, out, {"module.power_w": "500"}, workers=1, fresh=True, make_job=QuickJob).skipped == 0


def test_the_leads_folder_is_refused_as_output(tmp_path: Path) -> None:
    leads = make_leads(tmp_path / "leads", ["a"])
    with pytest.raises(RowplaneError, match="the folder of the leads"):
        run_batch(plan_batch(str(leads)), str(leads), {}, workers=1)


def test_a_folder_of_somebody_else_stays(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", ["a", "b"]), tmp_path / "out"
    (out / "a").mkdir(parents=True)
    (out / "a" / "thesis.txt").write_text("years of work")
    (out / ".git").mkdir()
    (out / ".a-wordings").mkdir()  # named like a half-made result of lead a's neighbour, but for no lead of this batch
    report = run_batch(plan_batch(str(leads)), str(out), {}, workers=1, make_job=QuickJob)
    assert report.verdicts["failed"] == 1
    assert (out / "a" / "thesis.txt").read_text() == "years of work"
    assert (out / ".git").is_dir()


def test_bugs_and_hangs_cost_their_lead_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROUGH_JOB_LOG", str(tmp_path / "log"))
    leads, out = make_leads(tmp_path / "leads", ["bug", "good", "hang"]), tmp_path / "out"
    run_batch(plan_batch(str(leads)), str(out), {}, workers=1, make_job=RoughJob)
    assert verdicts(out) == {"good": "ready", "bug": "failed", "hang": "failed"}
    assert "ZeroDivisionError" in json.loads((out / "bug" / "failure.json").read_text())["reason"]
    assert "time limit of 1 s" in json.loads((out / "hang" / "failure.json").read_text())["reason"]


def test_an_interrupt_sums_up_what_is_done(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", ["a", "b", "c"]), tmp_path / "out"

    def stop_after_two(outcome: dict[str, object]) -> None:
        if outcome["lead"] == "b":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_batch(plan_batch(str(leads)), str(out), {}, workers=1, on_outcome=stop_after_two, make_job=QuickJob)
    assert list(verdicts(out)) == ["a", "b"]
    assert "2 of 3 leads are in this list" in (out / "summary.html").read_text()
    assert not list(out.glob(".*"))
    assert run_batch(plan_batch(str(leads)), str(out), {}, workers=1, make_job=QuickJob).skipped == 2


def test_a_manifest_names_and_sets(tmp_path: Path) -> None:
    make_leads(tmp_path, ["x"])
    (tmp_path / "leads.csv").write_text("lead,scan,module.power_w\nMill Lane 3,x,500\nMill Lane 4,x,\ngone,y,\n")
    out = tmp_path / "out"
    run_batch(plan_batch(str(tmp_path / "leads.csv")), str(out), {}, workers=1, make_job=QuickJob)
    assert verdicts(out) == {"Mill Lane 3": "ready", "Mill Lane 4": "ready", "gone": "failed"}
    kw = {
        name: json.loads((out / name / "result.json").read_text())["config"]["module"]["power_w"]
        for name in ("Mill Lane 3", "Mill Lane 4")
    }
    assert kw == {"Mill Lane 3": 500.0, "Mill Lane 4": 430.0}


def test_leads_come_over_http(tmp_path: Path) -> None:
    leads = make_leads(tmp_path / "leads", ["a", "b"])
    (leads / "leads.csv").write_text("lead,scan\nfirst,a\nsecond,b/lead.toml\ngone,c\n")
    web = ThreadingHTTPServer(("127.0.0.1", 0), partial(QuietHandler, directory=str(tmp_path)))
    Thread(target=web.serve_forever, daemon=True).start()
    try:
        for place, expected in (
            ("leads", {"a": "ready", "b": "ready"}),
            ("leads/leads.csv", {"first": "ready", "second": "ready", "gone": "failed"}),
        ):
            out = tmp_path / f"out-{len(expected)}"
            run_batch(plan_batch(f"http://127.0.0.1:{web.server_port}/{place}"), str(out), {}, workers=1, make_job=QuickJob)
            assert verdicts(out) == expected
    finally:
        web.shutdown()
    assert "does not exist" in json.loads((tmp_path / "out-3" / "gone" / "failure.json").read_text())["reason"]


@pytest.mark.parametrize(("greeting", "words"), [(b"220 mail.invalid ready\r\n" * 9, "not as a scheduler does"), (b"", "silent")])
def test_what_answers_and_is_no_scheduler_is_said(
    greeting: bytes, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "ANSWER_S", 1)
    leads = str(make_leads(tmp_path / "leads", ["a"]))
    with socket.create_server(("127.0.0.1", 0)) as server:

        def greet() -> None:
            talk, _ = server.accept()
            talk.sendall(greeting)
            time.sleep(3)
            talk.close()

        Thread(target=greet, daemon=True).start()
        with pytest.raises(RowplaneError, match=words):
            run_batch(plan_batch(leads), str(tmp_path / "out"), {}, scheduler=f"tcp://127.0.0.1:{server.getsockname()[1]}")
    assert not list((tmp_path / "out").glob(".*"))


def test_a_second_batch_on_the_same_output_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", ["a", "b"]), str(tmp_path / "out")
    refused: list[str] = []

    def start_another(_outcome: object) -> None:
        with pytest.raises(RowplaneError, match="one batch at a time per output") as words:
            run_batch(plan_batch(str(leads)), out, {}, workers=1, make_job=QuickJob)
        refused.append(str(words.value))

    report = run_batch(plan_batch(str(leads)), out, {}, workers=1, on_outcome=start_another, make_job=QuickJob)
    assert report.verdicts["ready"] == 2
    assert [f"process {os.getpid()} on" in words for words in refused] == [True, True]
    assert [r["lead"] for r in runs(tmp_path / "out")] == ["a", "b"]


def test_another_footprint_is_another_input(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", ["a"]), str(tmp_path / "out")
    toml = (leads / "a" / "lead.toml").read_text()
    (leads / "a" / "lead.toml").write_text(toml.replace("[ingest]", '[ingest]\nfootprint = "plan.geojson"'))
    skipped = []
    for width in (1, 1, 2):
        (leads / "a" / "plan.geojson").write_text(
            json.dumps({"type": "Polygon", "coordinates": [[[0, 0], [width, 0], [0, 1], [0, 0]]]})
        )
        skipped.append(run_batch(plan_batch(str(leads)), out, {}, workers=1, make_job=QuickJob).skipped)
    assert skipped == [0, 1, 0]


class QuietHandler(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_an_output_without_rights_is_refused_in_words(tmp_path: Path) -> None:
    leads = make_leads(tmp_path / "leads", ["a"])
    (tmp_path / "shut").mkdir(mode=0o500)
    with pytest.raises(RowplaneError, match="can be written"):
        run_batch(plan_batch(str(leads)), str(tmp_path / "shut" / "out"), {}, workers=1)
