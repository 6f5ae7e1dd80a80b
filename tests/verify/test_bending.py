"""Bending is compared where it is told, and a changed value is seen."""

from pathlib import Path

import numpy as np

from pipeline.verify.bending import compare_bending
from pipeline.verify.passage import pass_through
from pipeline.verify.volumes import build_trials


def test_bending_of_platelets_agrees_and_a_change_is_seen(tmp_path: Path) -> None:
    trial = next(t for t in build_trials() if t.name == "rod-in-air")
    outcome = pass_through(trial, tmp_path)
    columns, labels = outcome.particles["iron-rich"], outcome.labels["iron-rich"]
    findings = list(compare_bending(columns, labels, trial.voxel_um))
    assert [f.passed for f in findings] == [True, True]
    assert findings[0].n_compared >= 1
    changed = columns["bending_um"].copy()
    changed[np.flatnonzero(~np.isnan(changed))[0]] *= 1.0001
    findings = list(compare_bending({**columns, "bending_um": changed}, labels, trial.voxel_um))
    assert [f.passed for f in findings] == [False, True]
