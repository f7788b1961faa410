"""The scan files before they are opened: can they be read, and which bytes are they."""

from __future__ import annotations

import hashlib
from pathlib import Path

from rowplane.errors import RowplaneError


def check_file(path: Path, suffixes: tuple[str, ...]) -> None:
    """Raises RowplaneError unless `path` is a readable file with bytes in it and one of `suffixes`."""
    subject = str(path)
    known = ", ".join(suffixes)
    try:
        # A link that leads round in a circle raises here: RuntimeError or OSError, by version.
        if not path.resolve(strict=True).exists():
            raise FileNotFoundError
        is_dir, size = path.is_dir(), path.stat().st_size
    except FileNotFoundError:
        link = "a link to a file that is not there" if path.is_symlink() else "no such file"
        raise RowplaneError(subject, link, "a scan file", "Check the name and the folder.") from None
    except PermissionError:
        raise RowplaneError(
            subject, "a file or folder that may not be read", "a readable file", "Change its permissions."
        ) from None
    except (OSError, RuntimeError):
        raise RowplaneError(
            subject, "a link that leads back to itself", "a scan file", "Replace the link by the file."
        ) from None
    if is_dir:
        raise RowplaneError(subject, "a folder", f"one scan file ({known})", "Name the file inside it.")
    if path.suffix.lower() not in suffixes:
        found = f"the ending '{path.suffix}'" if path.suffix else "a name without an ending"
        raise RowplaneError(subject, found, f"one of {known}", "Export the scan in one of these formats.")
    if not path.is_file():
        raise RowplaneError(subject, "something that is not a file", "a scan file", "Name a file on disk.")
    if size == 0:
        raise RowplaneError(subject, "an empty file (0 bytes)", "a scan file", "Copy the file again.")
    try:
        with path.open("rb") as stream:
            stream.read(1)
    except OSError as error:
        raise RowplaneError(
            subject, f"a file that may not be read ({error.strerror})", "a readable file", "Change its permissions."
        ) from None


def sha256(path: Path) -> str:
    """Hex digest of the file's bytes, read in pieces."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
