"""How long a job takes to stop when it is told to, in every stage, by either way.

`python -m tests.benchmarks.cancels --tries 10` cancels one job again and again, each time in
another stage and in turns with `castcensus cancel` and by setting its Prefect run to CANCELLING,
and prints the seconds until no process is left.  In the end the job is resumed and compared.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import psutil

from tests.limits.faults import (
    GIVEN,
    POLL_S,
    Job,
    ask,
    count_rows,
    free_port,
    prefect_server,
    run_undisturbed,
    wait_until,
)

LIMIT_S = 10.0
"""What is promised."""


def cancel_by_prefect(api: str, job: Job) -> None:
    """Set the run under way to CANCELLING, as a button of Prefect's pages does."""
    assert job.folder is not None
    runs = ask(api, "/flow_runs/filter", {"flow_runs": {"name": {"any_": [job.folder.name]}}})
    (run,) = [run["id"] for run in runs if run["state_type"] in ("RUNNING", "PENDING")]
    ask(api, f"/flow_runs/{run}/set_state", {"state": {"type": "CANCELLING"}})


def stop_in_a_stage(
    job: Job, api: str, by_prefect: bool, seen: Counter[str], choose: random.Random
) -> tuple[str, float, float, int, str] | None:
    """Go on with a job, cancel it in the stage that was cancelled least, and time its end.

    Returns
    -------
    tuple or None
        Stage, seconds until the wish was told, and from there until no process was left, processes
        left after twice the limit, and what the driver said; None if the job was done before.
    """
    before = job.n_records()
    driver = job.start()
    try:
        wait_until("the job", lambda: job.folder is not None or driver.poll() is not None)
        least = choose.randint(1, 6)
        while driver.poll() is None:
            stage = job.under_way(least)
            if stage and not seen[stage] and job.n_records() > before:
                break
            time.sleep(POLL_S)
        else:
            return None
        servants = [psutil.Process(driver.pid)]
        servants += servants[0].children(recursive=True)
        began = time.monotonic()
        if by_prefect:
            cancel_by_prefect(api, job)
        else:
            try:
                job.ask("cancel", job.scan)
            except AssertionError:
                if driver.poll() is None:
                    raise
        told = time.monotonic()
        _, err = driver.communicate(timeout=120)
        if driver.returncode == 0:
            return None
        _, alive = psutil.wait_procs(servants[1:], timeout=2 * LIMIT_S)
        return stage, told - began, time.monotonic() - told, len(alive), err
    finally:
        if driver.poll() is None:
            driver.kill()


def main() -> None:
    """Cancel, time, resume, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=64)
    parser.add_argument("--tile", type=int, default=8)
    given = parser.parse_args()
    slowest, n_left, choose = 0.0, 0, random.Random(given.seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source, wanted, rows = run_undisturbed(folder, given.size, given.tile, given.seed)
        with prefect_server(folder, free_port()) as api:
            done, n_scans = 0, 0
            print(f"{'by':12}{'stage':14}{'told s':>8}{'ended s':>8}{'left':>6}")
            while done < given.tries:
                n_scans += 1
                environment = {"PREFECT_API_URL": api}
                job = Job(folder / f"w{n_scans}", source, tile=given.tile, environment=environment)
                job.more = (*GIVEN, "--workers", "2")
                seen = Counter[str]()
                while done < given.tries:
                    by_prefect = done % 2 == 1
                    found = stop_in_a_stage(job, api, by_prefect, seen, choose)
                    if found is None:
                        break
                    stage, told, seconds, left, err = found
                    seen[stage] += 1
                    done += 1
                    slowest, n_left = max(slowest, told + seconds), n_left + left
                    by = "Prefect" if by_prefect else "command"
                    print(f"{by:12}{stage:14}{told:8.1f}{seconds:8.1f}{left:6}", flush=True)
                    if "castcensus resume" not in err or "Traceback" in err:
                        print(err, file=sys.stderr)
                job.run()
                if job.fingerprint() != wanted or count_rows(job.workspace)[job.scan] != rows:
                    print("ANOTHER RESULT")
                    sys.exit(1)
    print(f"slowest {slowest:.1f} s, processes left {n_left}; resumed: the undisturbed fingerprint")
    sys.exit(n_left > 0 or slowest > LIMIT_S)


if __name__ == "__main__":
    main()
