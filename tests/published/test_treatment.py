"""A heat treatment that dissolves most of a phase, in the figures of the trade.

Common practice, no source: solution treatment with ageing can lower the iron-rich fraction of an
Al-Si-Cu alloy from 7.89 % to 1.22 %, that is by a factor of 6.5.
"""

import numpy as np
import pytest

from pipeline.analysis.comparison import compare_groups
from pipeline.analysis.designs import Design, Unit
from pipeline.analysis.fates import tell_share
from pipeline.analysis.measures import Measured, Quantity

AS_CAST, TREATED = 0.0789, 0.0122
SCATTER = np.array([0.9, 0.95, 1.0, 1.05, 1.1])  # of five specimens about their mean


@pytest.mark.parametrize("paired", [False, True])
def test_a_treatment_that_leaves_a_sixth_of_a_phase_is_told_as_that(paired: bool) -> None:
    units = tuple(
        Unit(temper, f"bar-{i}" if paired else f"bar-{temper}{i}", (f"scan-{temper}{i}",))
        for temper in ("F", "T6")
        for i in range(5)
    )
    fraction = Quantity("scan", "iron-rich", "volume_fraction", "", "value", "1")
    values = np.concatenate([AS_CAST * SCATTER, TREATED * SCATTER[::-1]])[:, None]
    design = Design("temper", ("F", "T6"), units, "specimen" if paired else "", "", (), ())
    found = compare_groups(design, Measured((fraction,), values, {}), 10.0)
    (row,) = found.rows.to_pylist()
    assert (row["value_a"], row["value_b"]) == pytest.approx((AS_CAST, TREATED), rel=1e-12)
    assert 1 / row["ratio"] == pytest.approx(6.5, rel=0.01)
    assert row["ratio_low"] < TREATED / AS_CAST < row["ratio_high"] < 0.2
    assert row["p_value"] == pytest.approx(2 / 32 if paired else 2 / 252)
    assert row["cliffs_delta"] == -1.0


def test_what_dissolved_is_told_in_percent() -> None:
    assert tell_share(1 - TREATED / AS_CAST) == "85 % of the volume dissolved"
