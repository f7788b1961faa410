"""One numeric thread for tests, as for the job: on arrays this small a second one only spins and waits."""

from __future__ import annotations

import os

# Read by the libraries when they are loaded, so before any test module; a test of threads sets its own.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
