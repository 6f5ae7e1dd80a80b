"""The comparison passes what the stages leave, and sees any single number that is changed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.model.recipe import OUTSIDE
from pipeline.model.records import PARTICLES
from pipeline.model.records.particles import ANATOMY, CURVATURE
from pipeline.verify.bodies import build_known_bodies, compare_known
from pipeline.verify.compare import compare_trial
from pipeline.verify.passage import Outcome, pass_through
from pipeline.verify.volumes import Trial, build_trials

PHASE = "iron-rich"
KEYS = {"scan_id", "job", "phase", "particle_id"}
# How particles answer to other thresholds is held in tests/stages/test_quality.py.
SENSITIVITY = ("n_voxels_kept_lowered", "n_voxels_kept_raised", "threshold_sensitive")
# Told of some particles, or when asked for; see tests/verify/test_bending.py and, in tests/kernels,
# test_skeleton.py and test_curvature.py.
ELSEWHERE = (*SENSITIVITY, *ANATOMY, *CURVATURE)
DESCRIPTORS = [c.name for c in PARTICLES.columns if c.name not in (*KEYS, *ELSEWHERE)]


@pytest.fixture(scope="module")
def passed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Trial, Outcome]:
    trial = next(t for t in build_trials() if t.name == "rod-in-air")
    return trial, pass_through(trial, tmp_path_factory.mktemp("verify"))


def failed(trial: Trial, outcome: Outcome) -> set[str]:
    return {f.quantity for f in compare_trial(trial, outcome) if not f.passed}


def test_what_the_stages_leave_passes(passed: tuple[Trial, Outcome]) -> None:
    trial, outcome = passed
    assert failed(trial, outcome) == set()
    assert (outcome.phases == OUTSIDE).any()
    assert any(columns["touches_mask_edge"].any() for columns in outcome.particles.values())


def test_the_trial_was_cut_into_many_tiles(passed: tuple[Trial, Outcome]) -> None:
    _, outcome = passed
    assert len(outcome.plan.grid) >= 18


@pytest.mark.parametrize("name", DESCRIPTORS)
def test_one_changed_number_is_seen(passed: tuple[Trial, Outcome], name: str) -> None:
    trial, outcome = passed
    values = outcome.particles[PHASE][name].copy()
    # A row whose axes have clear directions: the longest particle.
    worst = int(np.argmax(outcome.particles[PHASE]["major_um"]))
    if values.dtype == bool:
        values[worst] = not values[worst]
    elif values.dtype == object:
        values[worst] = "compact" if values[worst] == "needle" else "needle"
    elif values.dtype.kind == "i":
        values[worst] += 1
    else:
        values[worst] += 1e-4 * abs(values[worst]) + 1e-4
    particles = {**outcome.particles, PHASE: {**outcome.particles[PHASE], name: values}}
    assert failed(trial, replace(outcome, particles=particles))


def test_one_wrong_voxel_is_seen(passed: tuple[Trial, Outcome]) -> None:
    trial, outcome = passed
    labels = outcome.labels[PHASE].copy()
    labels[tuple(np.argwhere(labels == 3)[0])] = 4
    changed = replace(outcome, labels={**outcome.labels, PHASE: labels})
    assert {"ids, 26 neighbours", "bodies, 26 neighbours"} <= failed(trial, changed)
    conditioned = outcome.conditioned.copy()
    conditioned[20, 30, 30] += 1
    assert failed(trial, replace(outcome, conditioned=conditioned)) == {"median filter 3x3x3"}


def test_a_missing_particle_is_seen(passed: tuple[Trial, Outcome]) -> None:
    trial, outcome = passed
    rows = [
        {**row, "n_particles": row["n_particles"] - 1} if row["phase"] == PHASE else row
        for row in outcome.phase_rows
    ]
    assert failed(trial, replace(outcome, phase_rows=rows)) == {"phases: counts"}


def test_one_wrong_contact_is_seen(passed: tuple[Trial, Outcome]) -> None:
    trial, outcome = passed
    for name in ("n_faces_z", "contact_um2", "share"):
        rows = [dict(row) for row in outcome.contacts]
        rows[7][name] += 1
        assert failed(trial, replace(outcome, contacts=rows))
    assert failed(trial, replace(outcome, contacts=outcome.contacts[1:]))


def test_surfaces_are_held_against_geometry(tmp_path: Path) -> None:
    known = next(k for k in build_known_bodies() if k.trial.name == "balls-oblong")
    outcome = pass_through(known.trial, tmp_path)
    assert all(finding.passed for finding in compare_known(known, outcome))
    shrunk = replace(known, surface_um2=known.surface_um2 * 0.95)
    assert not all(finding.passed for finding in compare_known(shrunk, outcome))


def test_trials_meet_every_neighbourhood_shape_of_voxel_and_type() -> None:
    trials = list(build_trials())
    assert {t.recipe.label.connectivity for t in trials} == {6, 18, 26}
    assert {str(t.voxels.dtype) for t in trials} == {"uint8", "int16", "uint16", "float32"}
    assert {len(set(t.voxel_um)) == 1 for t in trials} == {True, False}
    assert {t.recipe.condition.denoise.method for t in trials} == {"none", "median", "gaussian"}


def test_a_wrong_gap_or_a_missing_neighbour_is_seen(passed: tuple[Trial, Outcome]) -> None:
    trial, outcome = passed
    rows = outcome.neighbours
    assert {r["other_phase"] for r in rows} == {"pore", "iron-rich", "outside"}
    longer = [{**r, "distance_um": r["distance_um"] + 0.01} for r in rows]
    fewer = [r for r in rows if r["other_phase"] != "outside"]
    for changed in (longer, fewer):
        assert failed(trial, replace(outcome, neighbours=changed)) == {"neighbours: distance_um"}
