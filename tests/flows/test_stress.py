"""``castcensus stress`` as a user meets it."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flows.cli.stress import read_axis
from pipeline.errors import UsageError
from pipeline.model.stress import CAUTION
from pipeline.run import run


def test_a_direction_is_three_numbers() -> None:
    assert read_axis("0,0.5,-1") == (0.0, 0.5, -1.0)
    for text in ("1,0", "a,b,c", "0,0,0", "nan,0,0", "inf,0,0"):
        with pytest.raises(UsageError, match="--load-axis"):
            read_axis(text)


@pytest.mark.cluster
def test_particles_are_ranked_and_the_caution_is_shown(
    castcensus: Any, plan_job: Any, tmp_path: Path
) -> None:
    volume = np.zeros((24, 24, 24), np.uint8)
    volume[10:14, 6:18, 6:18] = 1
    np.save(tmp_path / "plate.npy", volume)
    phases = [{"name": "matrix", "kind": "background"}, {"name": "iron-rich", "kind": "particles"}]
    recipe = {
        "condition": {"mask": "none", "denoise": {"method": "none"}},
        "segment": {"method": "manual", "thresholds": [0.5]},
        "phases": phases,
    }
    run(plan_job(tmp_path / "w", tmp_path / "plate.npy", recipe, scan_id="s").path)
    ask = ("stress", "s", "--cluster", "loop", "--workspace", "w", "--pictures")
    out, err = castcensus(*ask, "--set", "elastic.iron-rich.youngs_gpa=190")
    assert "solved" in out
    assert CAUTION in err
    place = tmp_path / "w" / "reports" / "stress" / "s"
    names = sorted(path.name for path in place.iterdir())
    assert names == ["iron-rich-1-directions.png", "iron-rich-1-surface.png"]
