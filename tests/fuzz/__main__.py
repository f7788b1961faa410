"""Fuzz table of all readers, or of those named.

cd tests && python -m fuzz 1000                    # seeds 0 to 999 for every reader
cd tests && python -m fuzz 1000 laz tif --job      # what can be read goes through the whole job
cd tests && python -m fuzz 1000 --from 5000        # other seeds
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from fuzz.guard import Guard
from fuzz.hunt import HEAD, hunt
from fuzz.originals import CASES


def main() -> None:
    """Arguments, table; a line for every kind of bad end, and where a file of it is kept."""
    parser = argparse.ArgumentParser(prog="python -m fuzz")
    parser.add_argument("count", type=int)
    parser.add_argument("readers", nargs="*", default=list(CASES))
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--job", action="store_true")
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="rowplane-fuzz-"))
    print(HEAD, flush=True)
    with Guard() as guard:
        for name in given.readers:
            caught = hunt(name, range(given.first, given.first + given.count), folder, guard, given.job)
            print(caught.row(name), flush=True)
            for seed, end, path in {bad[1].seen[-60:]: bad for bad in reversed(caught.bad)}.values():
                print(f"    {path} seed {seed} {end.how}: {end.seen}", flush=True)


main()
