"""One task, on whichever machine it lands: fetch the lead, run it or see that it is done, hand in the result.

Whatever goes wrong here costs this lead only, and ends as words in its own result folder.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import io
import json
import tempfile
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rowplane import __version__
from rowplane.batch.limit import OutOfTimeError, time_limit
from rowplane.batch.places import is_local, open_place, put_folder
from rowplane.batch.tasks import Task
from rowplane.batch.triage import failed, parts_of, triage
from rowplane.config import Lead
from rowplane.deliverables import check_out, write_all, write_failure
from rowplane.deliverables.revision import revision_of
from rowplane.deliverables.safe import plain
from rowplane.errors import RowplaneError
from rowplane.leads import load_lead

RECORD, RESULT, FAILURE, PICTURE, SEEN = "record.json", "result.json", "failure.json", "deviation.png", "seen.png"
NOTES = ".rowplane-batch-"
"""Folder, with the run's id behind it, of notes by workers that ended themselves."""
THUMB_PX = (160, 120)
PICTURE_LIMIT_S = 120
"""Reading a failed lead once more, for its picture, may not take longer."""

Outcome = dict[str, Any]
"""Plain values: `lead`, `state` (done, skipped, failed), `row` for the summary, `parts`, `thumb` (JPEG, base64), `seconds`."""


@dataclass(frozen=True)
class Job:
    """What holds for all tasks of one batch: where results go, the run's id, settings from the command line."""

    out: str
    run_id: str
    overrides: tuple[tuple[str, str], ...] = ()
    fresh: bool = False
    version: str = __version__

    def __call__(self, task: Task) -> Outcome:
        """Do one task; never raises but for an interrupt. A lead that ran out of time in this very batch is not run again."""
        start = time.perf_counter()
        try:
            if self.version != __version__:
                raise RowplaneError("worker", f"rowplane {__version__}", f"{self.version}, as the batch", "Install it there.")
            if task.problem:
                raise RowplaneError(task.name, task.problem, "a lead that can be read", "Mend it and run the batch again.")
            words = self.note(task)
            outcome = self.fail(task, words) if words else _run_or_skip(self, task)
        except (RowplaneError, OutOfTimeError) as error:
            outcome = self.fail(task, str(error))
        except MemoryError:
            outcome = self.fail(task, "It needed more memory than there is.")
        except Exception as error:  # a bug in one lead must not cost the night
            place = traceback.extract_tb(error.__traceback__)[-1]
            words = f"A bug, not the lead's fault: {type(error).__name__}: {error} ({Path(place.filename).name}:{place.lineno})"
            outcome = self.fail(task, words)
        return {**outcome, "seconds": round(time.perf_counter() - start, 3)}

    def make(self, lead: Lead, target: Path) -> None:
        """The job itself: the lead's result folder at `target`, whole or not at all."""
        from rowplane.roof import survey_to_layout

        check_out(target, overwrite=True)
        write_all(survey_to_layout(lead), target, overwrite=True)

    def fail(self, task: Task, words: str, picture: bool = True) -> Outcome:
        """Leave the reason, and a picture of what was seen, in the lead's result folder; an older result there goes."""
        fs, root = open_place(f"{self.out}/{task.name}")
        try:
            points = self._seen(task) if picture else None
            with _beside(fs, root) as place:
                write_failure(task.title or task.name, words, points, place)
            thumb = _thumb(fs, f"{root}/{SEEN}")
        except Exception as error:  # the output may be full or gone; the summary still says what happened
            words, thumb = f"{words} (nor could that be written: {error})", ""
        row = failed(task.name, words)
        return {"lead": task.name, "state": "failed", "row": row, "parts": [], "thumb": thumb, "seconds": 0.0}

    def note(self, task: Task) -> str:
        """Why a worker gave this lead up in this very batch; '' where none did."""
        fs, root = open_place(self.out)
        try:
            return str(fs.cat_file(f"{root}/{NOTES}{self.run_id}/{task.name}").decode())
        except OSError:
            return ""

    def leave_note(self, task: Task, words: str) -> None:
        """Tell whoever takes this lead up next why its worker is about to end."""
        fs, root = open_place(self.out)
        fs.makedirs(f"{root}/{NOTES}{self.run_id}", exist_ok=True)
        fs.pipe_file(f"{root}/{NOTES}{self.run_id}/{task.name}", words.encode())

    def _seen(self, task: Task) -> Any:
        """Points for the picture of a lead that failed after reading; None where even reading fails."""
        if not task.place:
            return None
        from rowplane.ingest import read_survey

        try:
            with _near(task.place) as place, time_limit(PICTURE_LIMIT_S, "", lambda words: None):
                lead = load_lead(place, dict((*task.overrides, *self.overrides)))
                return read_survey(lead.scan, lead.config.ingest).points_mm
        except Exception:  # it failed once already; the words are what matters
            return None


def _run_or_skip(job: Job, task: Task) -> Outcome:
    with _near(task.place) as place:
        try:
            lead = load_lead(place, dict((*task.overrides, *job.overrides)))
            lead = replace(lead, name=task.title or lead.name)
            fs, root = open_place(f"{job.out}/{task.name}")
            if not job.fresh and _is_finished(fs, root, lead.name, revision_of(lead, [_sha256(p) for p in lead.scan])):
                return _outcome(fs, root, task.name, "skipped")
            seconds = lead.config.batch.time_limit_s
            words = f"It took longer than the time limit of {seconds:g} s (batch.time_limit_s)."
            with time_limit(seconds, words, lambda note: job.leave_note(task, note)), _beside(fs, root) as target:
                job.make(lead, target)
        except RowplaneError as error:
            # The reason must not tell one machine's folders from another's.
            parts = (error.subject, error.found, error.allowed, error.hint)
            raise RowplaneError(*(part.replace(f"{place.parent}/", "") for part in parts)) from error
    return _outcome(fs, root, task.name, "done")


@contextmanager
def _near(place: str) -> Iterator[Path]:
    """The lead on this machine: where it lies, or a copy that is gone afterwards."""
    fs, root = open_place(place)
    if is_local(fs):
        yield Path(root)
        return
    with tempfile.TemporaryDirectory(prefix="rowplane-", dir=_scratch()) as folder:
        whole, _, name = root.rpartition("/") if root.endswith(".toml") else (root, "", "")
        copy = Path(folder) / whole.rsplit("/", 1)[-1]
        try:
            if name or fs.isdir(whole):
                _fetch_files(fs, whole, copy)
            else:
                fs.get_file(whole, str(copy))
        except Exception as error:  # every store has its own errors
            words = f"no access ({' '.join(str(error).split())[:200]})"
            raise RowplaneError(place, words, "a readable lead", "Check the address and credentials.") from None
        yield copy / name if name else copy


def _fetch_files(fs: Any, root: str, copy: Path) -> None:
    for path in fs.find(root):
        target = copy / Path(path).relative_to(root)
        if not target.resolve().is_relative_to(copy.resolve()):
            continue  # a key may hold '..'; nothing is written outside the copy
        target.parent.mkdir(parents=True, exist_ok=True)
        fs.get_file(path, str(target))


@contextmanager
def _beside(fs: Any, root: str) -> Iterator[Path]:
    """Where to write a result folder: in place, or on this machine and from there, whole, to the remote place."""
    if is_local(fs):
        yield Path(root)
        return
    with tempfile.TemporaryDirectory(prefix="rowplane-", dir=_scratch()) as folder:
        target = Path(folder) / "result"
        yield target
        put_folder(fs, target, root, RECORD if (target / RECORD).exists() else FAILURE)


def _scratch() -> str | None:
    """The worker's own folder, which is cleared after a worker that was killed; None outside of a worker."""
    from distributed import get_worker

    with contextlib.suppress(ValueError):
        return str(get_worker().local_directory)
    return None


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise RowplaneError(str(path), error.strerror or "unreadable", "a readable scan", "Check the file.") from None


def _is_finished(fs: Any, root: str, name: str, revision: str) -> bool:
    """Whether the result there is of this input, these settings and this version, with this name on its sheets."""
    try:
        record = json.loads(fs.cat_file(f"{root}/{RECORD}"))
        return [record["lead"], record["revision"]] == [plain(name, 120), revision] and bool(fs.exists(f"{root}/{RESULT}"))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _outcome(fs: Any, root: str, name: str, state: str) -> Outcome:
    result = json.loads(fs.cat_file(f"{root}/{RESULT}"))
    thumb = _thumb(fs, f"{root}/{PICTURE}")
    return {"lead": name, "state": state, "row": triage(name, result), "parts": parts_of(result), "thumb": thumb}


def _thumb(fs: Any, path: str) -> str:
    from PIL import Image

    try:
        picture = Image.open(io.BytesIO(fs.cat_file(path))).convert("RGB")
    except (OSError, ValueError):
        return ""
    # A roof of many faces is a tall picture: its upper part, with the first face, says more than a strip.
    picture = picture.crop((0, 0, picture.width, min(picture.height, picture.width * THUMB_PX[1] // THUMB_PX[0])))
    picture.thumbnail(THUMB_PX)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=60)
    return base64.b64encode(out.getvalue()).decode()
