"""One task, on whichever machine it lands: fetch the lead, run it or see that it is done, hand in the result.

Whatever goes wrong here costs this lead only, and ends as words in its own result folder.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import signal
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

from rowplane.batch.tasks import Task, is_local, open_place
from rowplane.batch.triage import failed, triage
from rowplane.deliverables import write_failure
from rowplane.deliverables.revision import revision_of
from rowplane.errors import RowplaneError
from rowplane.leads import load_lead

RECORD, RESULT, FAILURE, PICTURE = "record.json", "result.json", "failure.json", "deviation.png"
THUMB_PX = (132, 99)

Outcome = dict[str, Any]
"""Plain values: `lead`, `state` (done, skipped, failed), `row` for the summary, `thumb` (JPEG, base64) and `seconds`."""


@dataclass(frozen=True)
class Job:
    """What holds for all tasks of one batch: where results go, the run's id, settings from the command line."""

    out: str
    run_id: str
    overrides: tuple[tuple[str, str], ...] = ()
    fresh: bool = False

    def __call__(self, task: Task) -> Outcome:
        """Do one task; never raises but for an interrupt."""
        return do_task(self, task)


class OutOfTimeError(Exception):
    """The lead took longer than its limit."""


def do_task(job: Job, task: Task) -> Outcome:
    """The outcome of one task. A lead that killed its worker or ran out of time in this very batch is not tried again."""
    start = time.perf_counter()
    try:
        if task.problem:
            raise RowplaneError(task.name, task.problem, "a lead that can be read", "Mend it and run the batch again.")
        words = _failed_in_this_run(job, task)
        outcome = hand_in_failure(job, task, words) if words else _run_or_skip(job, task)
    except RowplaneError as error:
        outcome = hand_in_failure(job, task, str(error))
    except OutOfTimeError as error:
        outcome = hand_in_failure(job, task, str(error))
    except MemoryError:
        outcome = hand_in_failure(job, task, "It needed more memory than there is.")
    except Exception as error:  # a bug in one lead must not cost the night
        place = traceback.extract_tb(error.__traceback__)[-1]
        words = f"A bug, not the lead's fault: {type(error).__name__}: {error} ({Path(place.filename).name}:{place.lineno})"
        outcome = hand_in_failure(job, task, words)
    return {**outcome, "seconds": round(time.perf_counter() - start, 3)}


def _run_or_skip(job: Job, task: Task) -> Outcome:
    with _near(task.place) as place:
        lead = load_lead(place, dict((*task.overrides, *job.overrides)))
        fs, root = open_place(f"{job.out}/{task.name}")
        if not job.fresh and _is_finished(fs, root, revision_of(lead, [_sha256(p) for p in lead.scan])):
            return _outcome(fs, root, task.name, "skipped")
        with _time_limit(job, task, lead.config.batch.time_limit_s):
            from rowplane.deliverables import write_all
            from rowplane.roof import survey_to_layout

            result = survey_to_layout(lead)
            if is_local(fs):
                write_all(result, Path(root), overwrite=True)
            else:
                with tempfile.TemporaryDirectory() as folder:
                    write_all(result, Path(folder) / "result")
                    _upload(fs, Path(folder) / "result", root)
    return _outcome(fs, root, task.name, "done")


@contextmanager
def _near(place: str) -> Iterator[Path]:
    """The lead on this machine: where it lies, or a copy that is gone afterwards."""
    fs, root = open_place(place)
    if is_local(fs):
        yield Path(root)
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / root.rsplit("/", 1)[-1]
        try:
            if fs.isdir(root):
                fs.get(f"{root}/", f"{copy}/", recursive=True)
            else:
                fs.get_file(root, str(copy))
        except OSError as error:
            raise RowplaneError(
                place, f"no access ({error})", "a readable lead", "Check the address and credentials."
            ) from None
        yield copy


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise RowplaneError(str(path), error.strerror or "unreadable", "a readable scan", "Check the file.") from None


def _is_finished(fs: Any, root: str, revision: str) -> bool:
    try:
        return bool(json.loads(fs.cat_file(f"{root}/{RECORD}"))["revision"] == revision and fs.exists(f"{root}/{RESULT}"))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _upload(fs: Any, folder: Path, root: str) -> None:
    """All files to a remote folder, the record last: a result without its record does not count as finished."""
    if fs.exists(root):
        fs.rm(root, recursive=True)
    for path in sorted(folder.iterdir(), key=lambda p: (p.name == RECORD, p.name)):
        fs.put_file(str(path), f"{root}/{path.name}")


def _outcome(fs: Any, root: str, name: str, state: str) -> Outcome:
    row = triage(name, json.loads(fs.cat_file(f"{root}/{RESULT}")))
    return {"lead": name, "state": state, "row": row, "thumb": _thumb(fs, f"{root}/{PICTURE}")}


def _thumb(fs: Any, path: str) -> str:
    from PIL import Image

    try:
        picture = Image.open(io.BytesIO(fs.cat_file(path))).convert("RGB")
    except (OSError, ValueError):
        return ""
    picture.thumbnail(THUMB_PX)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=60)
    return base64.b64encode(out.getvalue()).decode()


def hand_in_failure(job: Job, task: Task, words: str) -> Outcome:
    """Leave the reason, and a picture of what was seen, in the lead's result folder; an older result there goes."""
    fs, root = open_place(f"{job.out}/{task.name}")
    try:
        if is_local(fs):
            write_failure(task.name, words, job.run_id, _seen_points(task), Path(root))
        else:
            with tempfile.TemporaryDirectory() as folder:
                write_failure(task.name, words, job.run_id, None, Path(folder) / "result")
                _upload(fs, Path(folder) / "result", root)
        thumb = _thumb(fs, f"{root}/seen.png")
    except (RowplaneError, OSError) as error:
        words, thumb = f"{words} (nor could that be written: {error})", ""
    return {"lead": task.name, "state": "failed", "row": failed(task.name, words), "thumb": thumb}


def _seen_points(task: Task) -> Any:
    """Points for the picture of a lead that failed after reading; None where even reading fails."""
    if not task.place:
        return None
    from rowplane.ingest import read_survey

    try:
        lead = load_lead(Path(task.place), dict(task.overrides))
        return read_survey(lead.scan, lead.config.ingest).points_mm
    except Exception:  # it failed once already; the words are what matters
        return None


def _failed_in_this_run(job: Job, task: Task) -> str:
    fs, root = open_place(f"{job.out}/{task.name}")
    try:
        held = json.loads(fs.cat_file(f"{root}/{FAILURE}"))
        return str(held["reason"]) if held["run"] == job.run_id else ""
    except (OSError, ValueError, KeyError, TypeError):
        return ""


@contextmanager
def _time_limit(job: Job, task: Task, seconds: float) -> Iterator[None]:
    words = f"It took longer than the time limit of {seconds:g} s (batch.time_limit_s)."
    if threading.current_thread() is threading.main_thread() and hasattr(signal, "setitimer"):

        def stop(_signal: int, _frame: FrameType | None) -> None:
            raise OutOfTimeError(words)

        before = signal.signal(signal.SIGALRM, stop)
        signal.setitimer(signal.ITIMER_REAL, seconds)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, before)
        return

    def give_up() -> None:
        # A thread cannot be stopped from outside: the worker process ends, its keeper starts a new one, and the task's
        # second try finds the failure handed in here.
        hand_in_failure(job, Task(task.name, ""), words)
        os._exit(1)

    timer = threading.Timer(seconds, give_up)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
