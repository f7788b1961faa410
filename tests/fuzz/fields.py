"""Where the formats keep their counts, lengths and offsets: (offset, struct format) pairs, found in the bytes themselves."""

from __future__ import annotations

import re
import struct

Named = list[tuple[int, str]]


def _run(start: int, forms: str) -> Named:
    """Fields that follow each other from `start`, little-endian."""
    named = []
    for form in forms:
        named.append((start, f"<{form}"))
        start += struct.calcsize(f"<{form}")
    return named


def _get(data: bytes, at: int, form: str) -> int:
    size = struct.calcsize(form)
    return int(struct.unpack_from(form, data, at)[0]) if at >= 0 and at + size <= len(data) else 0


def las(data: bytes) -> Named:
    """LAS 1.2 to 1.4 (ASPRS LAS 1.4 R15, table 3), the LASzip record, chunk table and first chunk (LASzip 2.2)."""
    named = [*_run(24, "BB"), *_run(90, "HHHIIBHI"), *_run(111, "IIIII"), *_run(131, "d" * 12), *_run(227, "QQIQ"), *_run(255, "Q")]
    at, start = _get(data, 94, "<H"), _get(data, 96, "<I")
    for _ in range(min(_get(data, 100, "<I"), 4)):
        named += _run(at + 18, "HH")
        if data[at + 2 : at + 18].startswith(b"laszip"):
            named += [*_run(at + 54, "HHBBHIIqqH"), *_run(at + 54 + 34, "H" * 9)]
        at += 54 + _get(data, at + 20, "<H")
    table = _get(data, start, "<q")
    width = _get(data, 105, "<H")
    return [*named, *_run(start, "q"), *_run(table, "IIBBBB"), *_run(start + 8 + width, "I" * 11)]


def after_text(data: bytes) -> Named:
    """The first numbers behind a text header: coordinates, or the sizes of a packed block."""
    end = max((data.find(mark) + len(mark) for mark in (b"end_header\n", b"DATA binary\n", b"DATA binary_compressed\n")), default=0)
    return [*_run(end, "IId"), *_run(end, "ff")] if end > 20 else []


def ply_text(data: bytes) -> tuple[int, int]:
    """Header of a PLY file, or all of one that is text."""
    return (0, len(data)) if b"format ascii" in data[:40] else (0, data.find(b"end_header") + 11)


def pcd_text(data: bytes) -> tuple[int, int]:
    """Header of a PCD file, or all of one that is text."""
    return (0, len(data)) if b"DATA ascii" in data[:400] else (0, data.find(b"DATA") + 12)


def tiff(data: bytes) -> Named:
    """Header and directory of a TIFF file (TIFF 6.0, section 2), and what each entry points at."""
    at = _get(data, 4, "<I")
    named = _run(2, "HI") + _run(at, "H")
    for i in range(min(_get(data, at, "<H"), 40)):
        entry = at + 2 + 12 * i
        named += _run(entry, "HHII")
        kind, count, value = _get(data, entry + 2, "<H"), _get(data, entry + 4, "<I"), _get(data, entry + 8, "<I")
        if kind == 12 and count <= 16:
            named += _run(value, "d" * count)
        elif kind in (3, 4) and 2 <= count <= 64:
            named += _run(value, {3: "H", 4: "I"}[kind] * min(count, 8))
    return named


def glb(data: bytes) -> Named:
    """Header and chunk headers of a binary glTF file (glTF 2.0, section 4.4)."""
    words = _get(data, 12, "<I")
    return _run(4, "IIII") + _run(20 + words, "II")


def glb_text(data: bytes) -> tuple[int, int]:
    """The JSON chunk."""
    return 20, 20 + _get(data, 12, "<I")


def glb_mend(data: bytes) -> bytes:
    """The lengths of the JSON chunk and the file, true again."""
    end = data.find(b"BIN\0", 20) - 4
    return data if end < 20 else data[:8] + struct.pack("<II", len(data), end - 20) + data[16:]


def stl(data: bytes) -> Named:
    """Count of triangles and the first corners of a binary STL file."""
    return _run(80, "I" + "f" * 12)


def archive(data: bytes) -> Named:
    """Local headers, central directory and end of a ZIP archive (APPNOTE 6.3.10, 4.3), and the NPY headers' length in it."""
    named = []
    for mark, forms, skip in ((b"PK\x03\x04", "HHHHHIIIHH", 4), (b"PK\x01\x02", "HHHHHHIIIHHHHHII", 4), (b"PK\x05\x06", "HHHHIIH", 4)):
        places = [m.start() for m in re.finditer(re.escape(mark), data)]
        for at in (places[:3] + places[-3:]) if len(places) > 6 else places:
            named += _run(at + skip, forms)
    for found in list(re.finditer(b"\x93NUMPY", data))[:4]:
        named += _run(found.start() + 6, "BBH")
    return named


# E57 keeps a checksum behind every 1020 bytes (ASTM E2807-11, section 6.3); between opening and sealing there are none.
PAGE = 1024


def e57_open(data: bytes) -> bytes:
    """The content without checksums."""
    return b"".join(data[i : i + PAGE - 4] for i in range(0, len(data), PAGE))


def e57_seal(data: bytes) -> bytes:
    """Pages with true checksums, and a file length that is true if it was before."""
    pages = [data[i : i + PAGE - 4].ljust(PAGE - 4, b"\0") for i in range(0, len(data), PAGE - 4)]
    return b"".join(page + struct.pack(">I", _crc32c(page)) for page in pages)


def e57_mend(data: bytes) -> bytes:
    """The lengths of the XML section and the file, true again; the section is the last one, as usual."""
    start, end = e57_text(data)
    data = data[:end] + bytes(-end % (PAGE - 4))
    pages = len(data) // (PAGE - 4)
    return data[:16] + struct.pack("<Q", pages * PAGE) + data[24:32] + struct.pack("<Q", end - start) + data[40:]


def e57(data: bytes) -> Named:
    """Header (ASTM E2807-11, section 7) and the first binary section with its first packet."""
    return [*_run(8, "IIQQQQ"), *_run(48, "BBHIQQQ"), *_run(80, "BBHH" + "H" * 6)]


def e57_text(data: bytes) -> tuple[int, int]:
    """The XML section; what a writer left in its last page does not count."""
    start, end = data.find(b"<?xml"), data.find(b"</e57Root>")
    return (start, end + 10 if end > 0 else len(data)) if start >= 0 else (0, 0)


def _table() -> list[int]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ (0x82F63B78 if value & 1 else 0)
        table.append(value)
    return table


_TABLE = _table()


def _crc32c(data: bytes) -> int:
    """CRC-32C (Castagnoli; RFC 3720, B.4)."""
    value = 0xFFFFFFFF
    for byte in data:
        value = (value >> 8) ^ _TABLE[(value ^ byte) & 0xFF]
    return value ^ 0xFFFFFFFF
