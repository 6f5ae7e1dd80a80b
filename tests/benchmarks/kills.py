"""A worker and the driver killed in the middle of the label stage of a larger volume.

`python -m tests.benchmarks.kills --size 512 --tile 64` prints the fingerprint after each.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.limits.test_kills import check_kills


def main() -> None:
    """Kill, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--tile", type=int, default=64)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        found = check_kills(Path(name), given.size, given.tile)
    for what, value in found.items():
        print(f"{what:24}{value}")
    sys.exit(len(set(found.values())) != 1)


if __name__ == "__main__":
    main()
