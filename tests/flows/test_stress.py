"""``castcensus stress`` as a user meets it."""

from pathlib import Path
from typing import Any

import pytest

from flows.cli.stress import read_axis
from pipeline.errors import UsageError
from pipeline.model.stress import CAUTION


def test_a_direction_is_three_numbers() -> None:
    assert read_axis("0,0.5,-1") == (0.0, 0.5, -1.0)
    for text in ("1,0", "a,b,c", "0,0,0", "nan,0,0", "inf,0,0"):
        with pytest.raises(UsageError, match="--load-axis"):
            read_axis(text)


@pytest.mark.cluster
def test_particles_are_ranked_and_the_caution_is_shown(
    castcensus: Any, volume: Path, tmp_path: Path
) -> None:
    split = ("--recipe", "one-phase", "--set", "segment.method=manual")
    castcensus(
        "submit", volume, "--scan", "s", "--voxel-um", "2", "--cluster", "loop", *split,
        "--set", "segment.thresholds=[1500]",
        "--set", "condition.mask=none", "--workspace", "w",
    )  # fmt: skip
    ask = ("stress", "s", "--top", "1", "--cluster", "loop", "--workspace", "w")
    _, err = castcensus(*ask, status=2)
    assert "elastic constants of phase" in err
    assert "--set elastic." in err
    names = ("background", "particle")
    constants = [f"--set=elastic.{n}.youngs_gpa={e}" for n, e in zip(names, (70, 160), strict=True)]
    out, err = castcensus(*ask, "--maps", *constants)
    assert "solved" in out
    assert CAUTION in err
    assert len(list((tmp_path / "w" / "reports" / "stress" / "s").glob("*-directions.png"))) == 1
