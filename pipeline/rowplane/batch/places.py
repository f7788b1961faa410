"""Local paths and URLs as one thing: open, list, fetch, put; what cannot be reached, in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

from rowplane.errors import RowplaneError

A = TypeVar("A")
B = TypeVar("B")
AT_ONCE = 32
"""Requests to a remote store that are under way together: each waits far longer than it works."""


def open_place(place: str) -> tuple[Any, str]:
    """File system and absolute path of a local path or a URL. Raises RowplaneError where its kind needs a missing package."""
    import fsspec

    try:
        fs, root = fsspec.core.url_to_fs(place)
    except (ImportError, ValueError, OSError) as error:
        raise unreachable(place, error) from None
    # Other processes write to the same place: an older listing would hide what they did.
    fs.invalidate_cache()
    return fs, root.rstrip("/") or root


def protocols(fs: Any) -> set[str]:
    """The URL schemes a file system answers to."""
    return set(fs.protocol) if isinstance(fs.protocol, tuple) else {fs.protocol}


def is_local(fs: Any) -> bool:
    """Whether a file system is this machine's own."""
    return "file" in protocols(fs)


def address(fs: Any, path: str) -> str:
    """The path or URL under which another machine finds `path`."""
    return path if is_local(fs) else str(fs.unstrip_protocol(path))


def unreachable(place: str, error: BaseException, allowed: str = "a readable folder, manifest or URL") -> RowplaneError:
    """A place that cannot be used, in words; a URL whose package is missing names the extra."""
    words = " ".join(str(error).split())[:200] or type(error).__name__
    hint = "Check the path, and your rights to it."
    if "://" in place:
        hint = "Check the address, the network, and that credentials are set."
    if isinstance(error, ImportError):
        hint = "Install the extra for this kind of URL: rowplane[s3], [gs], [az] or [https]."
    return RowplaneError(place, f"no access ({words})", allowed, hint)


def each(fs: Any, work: Callable[[A], B], items: Iterable[A]) -> list[B]:
    """`work` on every item, in order; on a remote store many at once."""
    if is_local(fs):
        return [work(item) for item in items]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return list(pool.map(work, items))


def put_folder(fs: Any, folder: Path, root: str, mark: str) -> None:
    """The files of `folder` in place of what stands at `root`; the file `mark` goes first and comes last.

    A remote store has no rename: whatever lacks its mark is not whole, so a kill in between is seen.
    """
    if fs.exists(f"{root}/{mark}"):
        fs.rm_file(f"{root}/{mark}")
    names = sorted((path.name for path in folder.iterdir()), key=lambda name: (name == mark, name))
    for older in [path for path in fs.find(root) if path.rsplit("/", 1)[-1] not in names]:
        fs.rm_file(older)
    for name in names:
        fs.put_file(str(folder / name), f"{root}/{name}")
