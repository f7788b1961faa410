"""Where open data of other people's roofs lie: in the folder that ROWPLANE_OPEN_DATA names, else in shared/data beside the checkout."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

NAMED = os.environ.get("ROWPLANE_OPEN_DATA")
OPEN_DATA = Path(NAMED) if NAMED else Path(__file__).parents[2] / "shared" / "data"

# A folder that was asked for and is not there is a failure; only without one are these tests left out.
needs_open_data = pytest.mark.skipif(not NAMED and not OPEN_DATA.is_dir(), reason="no open data: set ROWPLANE_OPEN_DATA")
