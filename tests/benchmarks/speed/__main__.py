"""`python -m tests.benchmarks.speed`: see `tests.benchmarks.speed.suite`."""

from __future__ import annotations

from tests.benchmarks.speed.suite import main

if __name__ == "__main__":
    main()
