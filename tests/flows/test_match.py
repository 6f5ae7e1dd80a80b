"""The command that matches two scans, from the command line."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flows.jobs.status import JobStatus, now, write_status
from pipeline.run import run
from tests.stages.test_match import RECIPE, make_after, make_before


@pytest.mark.cluster
def test_fates_are_told_and_queried(castcensus: Any, plan_job: Any, tmp_path: Path) -> None:
    before = make_before()
    for name, volume in (("b", before), ("a", make_after(before))):
        np.save(tmp_path / f"{name}.npy", volume)
        folder = plan_job(
            tmp_path / "w", tmp_path / f"{name}.npy", RECIPE, scan_id=name, job=f"job-{name}"
        )
        run(folder.path)
        done = JobStatus(
            job=folder.name, scan=name, state="done", created_at=now(), updated_at=now()
        )
        write_status(folder, done)
    ask = ("match", "b", "a", "--cluster", "loop", "--workspace", "w")
    found = castcensus.json(*ask, "--pictures")
    names = [Path(p).name for p in found["pictures"]]
    assert names == [f"b-a-{what}.png" for what in ("slice", "volume", "pieces", "offsets")]
    assert all((tmp_path / "w" / "reports" / "match" / name).is_file() for name in names)
    assert found["state"] == "done"
    # A question to a scan clears nothing away of the job that counted it.
    assert (tmp_path / "w" / "jobs" / "job-b" / "conditioned.zarr").is_dir()
    assert found["registration"]["error_vx"] < 0.5
    iron = next(p for p in found["phases"] if p["phase"] == "iron-rich")
    assert iron["n_by_fate"]["split"] == 1
    assert iron["n_by_fate"]["dissolved"] == 1
    assert iron["n_by_fate"]["new"] == 1
    rows = castcensus(
        "query",
        "SELECT fate, count(*) AS n FROM fates GROUP BY fate ORDER BY fate",
        "--format",
        "csv",
        "--workspace",
        "w",
    )[0]
    assert "split,1" in rows.replace('"', "")


def test_unknown_scans_are_told(castcensus: Any) -> None:
    _, err = castcensus("match", "no", "such", "--workspace", "w", status=3)
    assert "no" in err
