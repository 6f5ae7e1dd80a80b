"""Similarities: there and back, one after the other, and what is none."""

import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.analysis.alignment import turn_by
from pipeline.model.similarity import Similarity

MOVE = Similarity.of(turn_by(np.array([0.3, -2.0, 0.7])), [4.0, -5.0, 60.0], 1.02)
OTHER = Similarity.of(turn_by(np.array([-1.0, 0.1, 0.2])), [0.5, 8.0, -3.0], 0.97)
POINTS = np.random.default_rng(3).normal(size=(20, 3)) * 50


def test_there_and_back() -> None:
    assert MOVE.inverse().apply(MOVE.apply(POINTS)) == pytest.approx(POINTS)
    both = MOVE.then(OTHER)
    assert both.apply(POINTS) == pytest.approx(OTHER.apply(MOVE.apply(POINTS)))
    assert both.scale == pytest.approx(1.02 * 0.97)


def test_a_plan_keeps_every_bit() -> None:
    assert Similarity.model_validate_json(MOVE.model_dump_json()) == MOVE


def test_angles_are_those_of_the_turn() -> None:
    assert MOVE.angle_deg == pytest.approx(np.degrees(np.linalg.norm([0.3, -2.0, 0.7])))
    assert Similarity().angle_deg == 0.0


def test_mirrors_and_nonsense_are_refused() -> None:
    for wrong in (np.diag([1.0, 1.0, -1.0]), 2.0 * np.eye(3), np.full((3, 3), np.nan)):
        with pytest.raises(ValidationError):
            Similarity.of(wrong, [0, 0, 0])
    with pytest.raises(ValidationError):
        Similarity.of(np.eye(3), [0, 0, 0], 0.0)
