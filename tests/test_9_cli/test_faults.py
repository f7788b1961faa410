"""What machines do to a run: full disks, lost rights, signals, inputs that change, memory that ends; each with its real means."""

from __future__ import annotations

import ctypes
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from test_1_ingest import ingest_builders as make

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="rights, limits and namespaces are those of Linux")

COMMAND = [sys.executable, "-c", "from rowplane.cli import main; main()"]
SAMPLE = Path(__file__).parents[2] / "sample_scans" / "level_survey"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with a lead and room for its result."""
    shutil.copytree(SAMPLE, tmp_path / "lead")
    (tmp_path / "room").mkdir()
    return tmp_path


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result of that lead, made once."""
    folder = tmp_path_factory.mktemp("older")
    shutil.copytree(SAMPLE, folder / "lead")
    (folder / "room").mkdir()
    assert run(folder, "-q").returncode in (0, 1)
    return folder / "room" / "out"


@pytest.fixture
def older(place: Path, result: Path) -> dict[str, str]:
    """The digests of an older result, which stands where the new one is to go."""
    shutil.copytree(result, place / "room" / "out")
    return digests(result)


def as_nobody_special() -> None:
    """Take root's power over permissions away: CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH and CAP_FOWNER leave the bounding set."""
    for power in (1, 2, 3):
        ctypes.CDLL(None).prctl(24, power, 0, 0, 0)


def run(place: Path, *more: str) -> subprocess.CompletedProcess[str]:
    command = [*COMMAND, "run", "lead", "--out", "room/out", *more]
    return subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=120, check=False)


def ended_in_words(done: subprocess.CompletedProcess[str], *words: str) -> None:
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "a bug" not in done.stderr
    for word in words:
        assert word in done.stderr


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def in_small_room(place: Path, options: str, *words: str) -> subprocess.CompletedProcess[str]:
    """A command with a small disk of its own mounted at `room`; its exit code and what is left there on stdout."""
    if subprocess.run(["unshare", "-rm", "true"], capture_output=True, check=False).returncode:
        pytest.skip("no namespace of its own for a small disk")
    script = f'mount -t tmpfs -o {options} tmpfs room && "$@"; echo "exit $?"; ls -A room'
    command = ["unshare", "-rm", "sh", "-c", script, "sh", *COMMAND, *words]
    return subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=120, check=False)


def test_a_full_disk_leaves_nothing(place: Path) -> None:
    done = in_small_room(place, "size=200k", "run", "lead", "--out", "room/out")
    assert done.stdout.split() == ["exit", "2"]
    assert "no space left" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("words", ["run lead", "batch . --workers 1"])
def test_a_folder_that_is_read_only_is_named_before_any_work(words: str, place: Path) -> None:
    (place / "room").chmod(0o500)
    command = [*COMMAND, *words.split(), "--out", "room/out"]
    done = subprocess.run(
        command, cwd=place, capture_output=True, text=True, timeout=120, check=False, preexec_fn=as_nobody_special
    )
    (place / "room").chmod(0o700)
    ended_in_words(done, "room/out")
    assert "permission denied" in done.stderr.lower()
    assert "✓" not in done.stderr
    assert "1/1" not in done.stderr
    assert left_in(place / "room") == []


def test_a_disk_that_is_read_only_is_named_before_any_work(place: Path) -> None:
    done = in_small_room(place, "ro,size=1m", "run", "lead", "--out", "room/not/yet/out")
    assert done.stdout.split() == ["exit", "2"]
    assert "read-only file system" in done.stderr
    assert "✓" not in done.stderr


@pytest.mark.long
def test_rights_lost_midway_leave_the_older_result(place: Path, older: dict[str, str]) -> None:
    command = [*COMMAND, "run", "lead", "--out", "room/out", "--overwrite", "--set", "placement.gap_mm=20"]
    with subprocess.Popen(command, cwd=place, stderr=subprocess.PIPE, text=True, preexec_fn=as_nobody_special) as process:  # noqa: PLW1509
        assert process.stderr is not None
        first = process.stderr.readline()
        (place / "room").chmod(0o500)
        told = first + process.stderr.read()
    (place / "room").chmod(0o700)
    assert process.returncode == 2, told
    assert "permission denied" in told
    assert left_in(place / "room") == ["out"]
    assert digests(place / "room" / "out") == older


KILLED_AT_THE_FIFTH = """
import os, signal
from pathlib import Path
write, written = Path.write_bytes, []
def counted(path, content):
    written.append(path)
    if len(written) == 5:
        os.kill(os.getpid(), signal.{signal})
    return write(path, content)
Path.write_bytes = counted
from rowplane.cli import main
main()
"""


@pytest.mark.parametrize(
    ("sent", "code"), [("SIGKILL", -signal.SIGKILL), pytest.param("SIGINT", 130, marks=pytest.mark.long)]
)
def test_an_end_in_the_middle_of_writing_touches_no_older_result(
    sent: str, code: int, place: Path, older: dict[str, str]
) -> None:
    killer = [sys.executable, "-c", KILLED_AT_THE_FIFTH.format(signal=sent), "run", "lead", "--out", "room/out", "--overwrite"]
    done = subprocess.run(killer, cwd=place, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == code, done.stderr
    assert digests(place / "room" / "out") == older
    assert [name for name in left_in(place / "room") if not name.startswith(".")] == ["out"]
    if sent == "SIGINT":
        assert left_in(place / "room") == ["out"]
        assert "nothing half-written" in done.stderr


def test_a_scan_that_changes_while_it_is_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from rowplane.errors import RowplaneError
    from rowplane.ingest import survey

    path = make.write_las(tmp_path / "roof.las", make.roof_points())
    seen = survey.fill

    def grows(*args: object) -> object:
        found = seen(*args)  # type: ignore[arg-type]
        with path.open("ab") as stream:
            stream.write(b"more")
        return found

    monkeypatch.setattr(survey, "fill", grows)
    with pytest.raises(RowplaneError, match="changed while it was read"):
        make.read(path)


@pytest.mark.parametrize("kind", ["ply", "las", "xyz", "pcd"])
def test_a_scan_that_is_cut_while_it_is_read_ends_in_words(kind: str, tmp_path: Path) -> None:
    """A file that shrinks under a memory map would end the process with SIGBUS."""
    path = make.WRITERS[kind](tmp_path / f"roof.{kind}", make.roof_points(200_000))
    code = f"""
import sys, os
from pathlib import Path
from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest import read_survey, survey
keep = survey.fill
def cut(*args):
    os.truncate({str(path)!r}, 100_000)
    return keep(*args)
survey.fill = cut
try:
    read_survey((Path({str(path)!r}),), IngestConfig(unit="m"))
    print("read")
except RowplaneError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert "read" not in done.stdout.split(), done.stdout
    assert "roof" in done.stdout


def with_memory(megabytes: int) -> Callable[[], None]:
    def limit() -> None:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (megabytes * 1_000_000, megabytes * 1_000_000))

    return limit


@pytest.mark.long
@pytest.mark.parametrize("megabytes", [600, 700, 800, 900, 1000, 1200, 1500])
def test_memory_that_ends_is_said(megabytes: int, tmp_path: Path) -> None:
    """With too little memory a run ends in words, as the smallest here does, or goes through; never in a traceback."""
    path = make.write_ply(tmp_path / "roof.ply", make.roof_points(20_000_000), kind="float")
    command = [*COMMAND, "run", str(path), "--set", "ingest.unit=m", "--out", str(tmp_path / "out")]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=300, check=False, preexec_fn=with_memory(megabytes)
    )
    assert done.returncode in (0, 1, 2), done.stderr
    assert "Traceback" not in done.stderr
    assert (tmp_path / "out").exists() == (done.returncode != 2)
    assert done.returncode == 2 or megabytes > 600


def test_no_file_of_a_result_holds_the_day_it_was_made(result: Path) -> None:
    import zipfile

    now = time.gmtime()
    days = [time.strftime(form, now).encode() for form in ("%Y-%m-%d", "%Y%m%d", "%d.%m.%Y", "%Y/%m/%d")]
    for path in result.iterdir():
        contents = [path.read_bytes()]
        if path.suffix in (".xlsx", ".npz"):
            with zipfile.ZipFile(path) as packed:
                contents += [packed.read(name) for name in packed.namelist()]
                contents += [repr(item.date_time[:3]).encode() for item in packed.infolist()]
            days_here = [*days, repr(tuple(now[:3])).encode()]
        else:
            days_here = days
        for content in contents:
            assert not any(day in content for day in days_here), path.name


@pytest.mark.long
def test_the_clock_and_its_zone_change_no_byte(place: Path, older: dict[str, str]) -> None:
    """Two runs, the second under another zone and with a clock that runs a year behind."""
    late = """
import datetime, time, os
now = time.time
time.time = lambda: now() - 365 * 86400
class Late(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return super().now(tz) - datetime.timedelta(days=365)
    today = utcnow = now
datetime.datetime = Late
from rowplane.cli import main
main()
"""
    command = [sys.executable, "-c", late, "run", "lead", "--out", "room/late", "-q"]
    env = os.environ | {"TZ": "Pacific/Kiritimati"}
    subprocess.run(command, cwd=place, env=env, capture_output=True, timeout=120, check=False)
    late_result = digests(place / "room" / "late")
    assert late_result.keys() == older.keys()
    assert {name for name in older if older[name] != late_result[name]} <= {"record.json"}
