"""A result after field readings: every sheet and table anew, and a record that tells which readings led to it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from rowplane.deliverables.json_result import json_bytes
from rowplane.deliverables.write import put_files, rendered
from rowplane.errors import RowplaneError
from rowplane.model import FieldReadings, RoofResult


def write_revised(
    earlier: Path, result: RoofResult, readings: FieldReadings, out_dir: Path, overwrite: bool = False
) -> tuple[Path, ...]:
    """Writes every deliverable of the revised `result` into `out_dir`, all or none, and returns their paths.

    `earlier` is the folder it was read back from, which stays as it is; its record is kept and told of the readings. Without
    readings nothing but the record changes. Raises RowplaneError as `write_all`.
    """
    files = rendered(result, out_dir, overwrite)
    try:
        record: dict[str, Any] = json.loads((earlier / "record.json").read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        hint = "Give the folder that `rowplane run` named."
        raise RowplaneError(str(earlier), f"no record ({type(error).__name__})", "the folder of a result", hint) from None
    taken_in = {
        "file": readings.source, "sha256": readings.sha256, "readings": len(readings.readings), "revision": result.revision,
    }  # fmt: skip
    record |= {"revision": result.revision, "rechecks": [*record.get("rechecks", ()), taken_in]}
    return put_files(files | {"record.json": json_bytes(record)}, out_dir, overwrite)
