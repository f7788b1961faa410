"""A process that reads what may be poison: limited memory, an alarm, and an end that the parent sees whatever happens."""

from __future__ import annotations

import importlib
import json
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

ABOVE_START = 2_000_000_000
SECONDS = 20
TESTS = Path(__file__).parents[1]


@dataclass(frozen=True)
class End:
    """How one input ended: `value` or `words` as it should; else `bug`, `memory`, `hang`, `crash`, with what was seen."""

    how: str
    seen: str = ""
    seconds: float = 0.0
    grown_mb: float = 0.0

    @property
    def allowed(self) -> bool:
        """Whether a user would have had a result or words."""
        return self.how in ("value", "words")


class Guard:
    """Hands files to one worker after the other; a worker that died is replaced by a fresh one.

    `module` has the readers by name, and `warm_up`; `seconds` is how long one file may take.
    """

    def __init__(self, module: str = "fuzz.readers", seconds: int = SECONDS) -> None:
        self._serve = f"from fuzz.guard import serve; serve({module!r}, {seconds})"
        self._worker: subprocess.Popen[str] | None = None
        self._errors = tempfile.TemporaryFile("w+", errors="replace")  # noqa: SIM115 - closed with the guard

    def __enter__(self) -> Guard:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()
        self._errors.close()

    def __call__(self, reader: str, path: Path) -> End:
        """What became of one file that `reader` was given."""
        worker = self._worker or self._start()
        assert worker.stdin is not None
        assert worker.stdout is not None
        print(json.dumps([reader, str(path)]), file=worker.stdin, flush=True)
        line = worker.stdout.readline()
        if line:
            return End(*json.loads(line))
        code = worker.wait()
        self._errors.seek(0)
        seen = f"exit {code}; {self._errors.read()[-600:]}"
        self._end()
        return End("hang" if code == -signal.SIGALRM else "crash", seen)

    def _start(self) -> subprocess.Popen[str]:
        self._errors.seek(0)
        self._errors.truncate()
        code = f"import sys; sys.path[:0] = {[str(TESTS), str(TESTS.parent / 'pipeline')]}; {self._serve}"
        self._worker = subprocess.Popen(
            [sys.executable, "-X", "faulthandler", "-c", code],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors, text=True,
        )  # fmt: skip
        return self._worker

    def _end(self) -> None:
        if self._worker is not None:
            self._worker.kill()
            self._worker.communicate()
        self._worker = None


def serve(module: str, seconds: int) -> None:
    """The worker: a line with reader and path in, a line with its end out."""
    found = importlib.import_module(module)
    out = sys.stdout
    sys.stdout = sys.stderr  # a library that prints must not be taken for an answer
    found.warm_up()
    limit = _virtual_bytes() + ABOVE_START
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    for line in sys.stdin:
        reader, path = json.loads(line)
        before, start = _peak_mb(), time.monotonic()
        signal.alarm(seconds)
        how, seen = _tried(found.READERS[reader], Path(path))
        signal.alarm(0)
        print(json.dumps([how, seen, time.monotonic() - start, _peak_mb() - before]), file=out, flush=True)


def _tried(read: Callable[[Path], str], path: Path) -> tuple[str, str]:
    from rowplane.errors import RowplaneError

    try:
        return "value", read(path)
    except RowplaneError as error:
        # Words that hide a failed allocation are no words: without the limit the memory would have been taken.
        cause: BaseException | None = error
        while cause is not None:
            if isinstance(cause, MemoryError) or "bad_alloc" in str(cause):
                return "memory", str(error)[:300]
            cause = cause.__cause__ or cause.__context__
        return "words", str(error)[:300]
    except MemoryError as error:
        return "memory", _place(error)
    except BaseException as error:
        return "bug", _place(error)


def _place(error: BaseException) -> str:
    import traceback

    own = [f for f in traceback.extract_tb(error.__traceback__) if "rowplane" in f.filename]
    where = f"{Path(own[-1].filename).name}:{own[-1].lineno}" if own else "?"
    return f"{type(error).__name__}: {str(error)[:200]} ({where})"


def _virtual_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
