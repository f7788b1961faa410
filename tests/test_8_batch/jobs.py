"""Leads and jobs for the batch tests: quick ones, and ones that crash, hang or eat memory, by the lead's name.

Workers are processes of their own and import this module by name, so nothing of it has to be in the package.
"""

from __future__ import annotations

import io
import json
import os
import re
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rowplane.batch import plan_batch, run_batch
from rowplane.batch.work import Job
from rowplane.config import Lead
from rowplane.deliverables.revision import config_values, revision_of
from rowplane.deliverables.write import put_files

READINGS = "u_m,v_m,staff_m\n" + "".join(
    f"{u * 0.5:.2f},{v * 0.5:.2f},{1.5 - v * 0.28:.3f}\n" for u in range(12) for v in range(6)
)
LEVEL_LEAD = 'scan = "levels.csv"\nsurvey_date = 2025-09-18\n[ingest]\nazimuth_deg = 180\n[rafters]\nspacing_mm = 700\n'


def make_leads(folder: Path, names: list[str]) -> Path:
    """A lead folder per name, each with a small level survey of its own."""
    for k, name in enumerate(names):
        (folder / name).mkdir(parents=True)
        (folder / name / "levels.csv").write_text(READINGS + f"0.1,0.1,{1.5 + k * 0.001:.3f}\n")
        limit = "[batch]\ntime_limit_s = 1\n" if name.split("-")[0] in ("hang", "spin") else ""
        (folder / name / "lead.toml").write_text(LEVEL_LEAD + limit)
    return folder


@dataclass(frozen=True)
class QuickJob(Job):
    """Writes a small result after a moment, the same bytes for the same lead; those named real… get the real job."""

    def make(self, lead: Lead, target: Path) -> None:
        if lead.folder.name.startswith("real") or lead.scan[0].name.startswith("real"):
            return super().make(lead, target)
        time.sleep(float(os.environ.get("QUICK_JOB_S", "0.1")))
        scan = lead.scan[0]
        import hashlib

        revision = revision_of(lead, [hashlib.sha256(scan.read_bytes()).hexdigest()])
        files = {
            "record.json": json.dumps({"lead": lead.name, "revision": revision, "cost": [{"seconds": time.time()}]}).encode(),
            "result.json": json.dumps(quick_result(lead, revision)).encode(),
            "deviation.png": picture(),
            **{f"filling-{k}.csv": scan.read_bytes() for k in range(4)},
        }
        put_files(files, target, overwrite=True)


@dataclass(frozen=True)
class RoughJob(QuickJob):
    """Quick, but leads with some names take their worker down."""

    def make(self, lead: Lead, target: Path) -> None:
        what = lead.folder.name.split("-")[0]
        with open(os.environ["ROUGH_JOB_LOG"], "a") as log:
            log.write(f"{lead.folder.name}\n")
        if what in ROUGH:
            ROUGH[what]()
        super().make(lead, target)


def _eat() -> None:
    eaten = []
    while True:
        eaten.append(b"x" * 50_000_000)
        time.sleep(0.02)


def _big() -> None:
    taken = b"x" * 1_000_000_000
    time.sleep(1)
    del taken


def _kill() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _spin() -> None:
    re.match(r"(a+)+$", "a" * 60 + "b")  # tries every way to part the a's; holds the interpreter all the while


def _raise() -> None:
    raise ZeroDivisionError("on purpose")


ROUGH = {
    "crash": lambda: os._exit(3),
    "kill": _kill,
    "hang": lambda: time.sleep(600),
    "hog": _eat,
    "big": _big,
    "spin": _spin,
    "bug": _raise,
}


def quick_result(lead: Lead, revision: str) -> dict[str, Any]:
    """As much of result.json as a batch reads."""
    foot = {"adjustment_mm": 1.5, "trust": "ok", "reach": "ok", "packer_mm": 0.0}
    part = {"part": "tile hook", "detail": "invented", "unit": "piece", "quantity": 24, "weight_kg": 21.6}
    return {
        "levels": {"feet": [foot] * 20, "hooks": []},
        "layout": {"arrays": [{"modules": list(range(10))}]},
        "config": config_values(lead.config),
        "roof": {"faces": [1]},
        "plan": {"rails": [1], "hooks": [1, 2]},
        "quality": {"verdict": "good"},
        "surfaces": [{"deviation_max_mm": 21.0, "flatness": {"zone_lsq_mm": 33.0}}],
        "revision": revision,
        "findings": [],
        "tables": {"parts": {"rows": [part]}},
    }


def picture() -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (400, 300), (90, 120, 60)).save(out, "PNG")
    return out.getvalue()


def result_bytes(out: Path) -> dict[str, bytes]:
    """Every file of a batch's output that has to be the same each time: seconds are in record.json and runs.jsonl only."""
    files = {}
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        content = path.read_bytes()
        if path.name == "record.json":
            content = json.dumps({k: v for k, v in json.loads(content).items() if k != "cost"}).encode()
        if path.name != "runs.jsonl":
            files[str(path.relative_to(out))] = content
    return files


def runs(out: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (out / "runs.jsonl").read_text().splitlines()]


if __name__ == "__main__":  # a batch of quick jobs in a process that a test can kill: LEADS OUT WORKERS
    run_batch(plan_batch(sys.argv[1]), sys.argv[2], {}, workers=int(sys.argv[3]), make_job=QuickJob)
