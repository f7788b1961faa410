"""Broken copies of whole files, the same for the same seed: at random, and where the format keeps its counts and lengths."""

from __future__ import annotations

import random
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass

from fuzz import fields

NUMBERS = (
    b"0", b"-0", b"1", b"-1", b"2", b"255", b"65536", b"2147483647", b"-2147483648", b"4294967295", b"9223372036854775807",
    b"18446744073709551616", b"1e9", b"1e308", b"-1e308", b"1e400", b"1e-320", b"nan", b"-inf", b"inf", b"0x10", b"1_000",
    b"1,5", b".", b"-", b"+", b"", b"1e", b"1.2.3", b"9" * 400, "٣".encode(), "½".encode(), b"\xff\xfe", b"true", b"null",
)  # fmt: skip
"""What may stand where a number is expected."""

TEXTS = (
    b"\0", b"\xef\xbb\xbf", b"\r", b"\n", b"\r\n\r\n", b'"', b"'", b",", b";", b"\t", b" " * 70_000, b"a" * 70_000, b"[" * 3000, b"{" * 3000,
    b"../" * 40, b"/etc/passwd", b"file:///etc/passwd", b"=1+1", b"<script>", b"${HOME}", b"%s%n", "e\u0301\u202e\U0001f3e0".encode(),
    b"\xc3", b"\xed\xa0\x80", b"# ", b"//", b"[[", b"]]", b"x = 1\n",
)  # fmt: skip
"""What may stand anywhere in a text."""

NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
MOST_BYTES = 400_000
"""A mutant is cut here: readers are tried with many small files, not with a few large ones."""


@dataclass(frozen=True)
class Kind:
    """How files of one format are broken: `named` gives (offset, struct format) of counts and lengths; `text` where words stand.

    `mend` makes lengths true again after words of another length were put in, and `seal` checksums over the content, so that
    what is wrong inside gets past them.
    """

    named: Callable[[bytes], list[tuple[int, str]]] = lambda data: []
    text: Callable[[bytes], tuple[int, int]] | None = None
    opened: Callable[[bytes], bytes] = lambda data: data
    mend: Callable[[bytes], bytes] = lambda data: data
    seal: Callable[[bytes], bytes] = lambda data: data


def whole(data: bytes) -> tuple[int, int]:
    """All of a text file is text."""
    return 0, len(data)


KINDS: dict[str, Kind] = {
    "las": Kind(fields.las),
    "laz": Kind(fields.las),
    "ply": Kind(fields.after_text, fields.ply_text),
    "pcd": Kind(fields.after_text, fields.pcd_text),
    "e57": Kind(fields.e57, fields.e57_text, fields.e57_open, fields.e57_mend, fields.e57_seal),
    "tif": Kind(fields.tiff),
    "glb": Kind(fields.glb, fields.glb_text, mend=fields.glb_mend),
    "stl": Kind(fields.stl),
    "npz": Kind(fields.archive),
}
"""Formats that are more than text; every other ending is broken as text."""


def mutant(ending: str, seed: int, originals: list[bytes]) -> bytes:
    """One of `originals`, broken in one to four ways; the same for the same ending, seed and originals."""
    rng = random.Random(f"{ending} {seed}")
    kind = KINDS.get(ending, Kind(text=whole))
    data = kind.opened(originals[seed % len(originals)])
    for _ in range(rng.choice((1, 1, 2, 4))):
        ways = [_at_random]
        if kind.text:
            ways += [_in_text] * 2
        if kind.named(data):
            ways += [_in_fields] * 3
        data = rng.choice(ways)(data, kind, rng, originals)[:MOST_BYTES]
    return kind.seal(data)


def _in_fields(data: bytes, kind: Kind, rng: random.Random, _: list[bytes]) -> bytes:
    """Another number in one of the places that tell sizes."""
    at, form = rng.choice(kind.named(data))
    size = struct.calcsize(form)
    if at < 0 or at + size > len(data):
        return data
    (old,) = struct.unpack_from(form, data, at)
    if form[-1] in "df":
        new = rng.choice((0.0, -1.0, 1e-300, 1e300, float("inf"), float("nan"), -float(old), float(old) * 1e6))
        new = new if form[-1] == "d" or not abs(new) > 3e38 else float("inf")
    else:
        top = 256**size - 1
        near = (old - 1, old + 1, 2 * old, old // 2, old ^ (1 << rng.randrange(8 * size)))
        new = rng.choice((0, 1, top, top // 2, top // 2 + 1, 1 << rng.randrange(8 * size), rng.randrange(top + 1), len(data), *near))
        new = new & top if form[-1].isupper() else (new & top) - (top + 1) * ((new & top) > top // 2)
    return data[:at] + struct.pack(form, new) + data[at + size :]


def _in_text(data: bytes, kind: Kind, rng: random.Random, _: list[bytes]) -> bytes:
    """Another number, word or line somewhere in the text."""
    assert kind.text is not None
    start, end = kind.text(data)
    text = rng.choice((_number, _number, _number, _line, _word, _insert))(data[start:end], rng)
    return kind.mend(data[:start] + text + data[end:])


def _number(text: bytes, rng: random.Random) -> bytes:
    found = list(NUMBER.finditer(text))
    # The first numbers of a file are its counts more often than not.
    found = found[:12] if found and rng.random() < 0.5 else found
    if not found:
        return text
    here = rng.choice(found)
    return text[: here.start()] + rng.choice(NUMBERS) + text[here.end() :]


def _line(text: bytes, rng: random.Random) -> bytes:
    lines = text.splitlines(keepends=True)
    if not lines:
        return text
    # Headers stand at the top: break those as often as the rest.
    at = rng.randrange(min(len(lines), 8) if rng.random() < 0.5 else len(lines))
    other = rng.randrange(len(lines))
    how = rng.randrange(5)
    if how == 0:
        del lines[at]
    elif how == 1:
        lines.insert(other, lines[at])
    elif how == 2:
        lines[at], lines[other] = lines[other], lines[at]
    elif how == 3:
        lines[at] = lines[at] * rng.choice((2, 50))
    else:
        del lines[at:]
    return b"".join(lines)


def _word(text: bytes, rng: random.Random) -> bytes:
    found = list(re.finditer(rb"[A-Za-z_][\w-]*", text))
    found = found[:40] if found and rng.random() < 0.6 else found
    if not found:
        return text
    here, other = rng.choice(found), rng.choice(found)
    new = rng.choice((other[0], here[0].upper(), here[0] + b"x", b"", rng.choice(TEXTS)))
    return text[: here.start()] + new + text[here.end() :]


def _insert(text: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice(TEXTS) + text[at:]


def _at_random(data: bytes, _: Kind, rng: random.Random, originals: list[bytes]) -> bytes:
    """Bits, bytes and pieces, wherever they stand; half of the time near the start, where headers are."""
    if not data:
        return data
    reach = min(len(data), 600) if rng.random() < 0.5 else len(data)
    at, long = rng.randrange(reach), rng.choice((1, 4, 64, 1024))
    head, tail, other = data[:at], data[at + long :], rng.choice(originals)
    bits = bytearray(data)
    for here in (rng.randrange(reach) for _ in range(long)):
        bits[here] ^= 1 << rng.randrange(8)
    return rng.choice(
        (head, head + tail, head + data[at : at + long] * 2 + tail, head + bytes(long) + tail, head + rng.randbytes(long) + tail,
         head + other[rng.randrange(len(other)) :], bytes(bits), bytes(bits))
    )  # fmt: skip
