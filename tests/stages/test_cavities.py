"""Cavities through the real stages: one answer and one fingerprint for every tiling."""

import numpy as np
import pytest

from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan

SHAPE = (48, 52, 50)
TILINGS = ("[64, 64, 64]", "[19, 23, 17]", "[24, 26, 25]", "[48, 9, 50]")
GREY = {"pore": 20, "matrix": 100, "iron-rich": 160, "copper-rich": 210}


def nested_bodies():
    """Shells in one another about a pore, across eight tiles; a coil; a ring through a ring."""
    z, y, x = np.indices(SHAPE) - np.reshape([23.5, 25.5, 24.5], (3, 1, 1, 1))
    reach = np.sqrt(z * z + y * y + x * x)
    volume = np.full(SHAPE, GREY["matrix"], np.uint8)
    for radius, kind in (
        (23, "iron-rich"), (21, "matrix"), (18, "copper-rich"), (16, "matrix"),
        (9, "iron-rich"), (7, "matrix"), (5, "iron-rich"), (3, "pore"),
    ):  # fmt: skip
        volume[reach <= radius] = GREY[kind]
    ring = np.hypot(np.hypot(y, x) - 12.5, z) <= 1.6
    other = np.hypot(np.hypot(z, y) - 12.5, x) <= 1.6
    volume[ring & (x > 0)] = GREY["copper-rich"]
    volume[other & (y < 0)] = GREY["iron-rich"]
    return volume


def test_nested_bodies_have_one_fingerprint(make_job):
    marks, tables = set(), []
    for i, tile in enumerate(TILINGS):
        folder = make_job(
            f"job-{i}",
            nested_bodies(),
            f"tiling.tile_shape={tile}",
            "condition={mask: none, flatten: none, denoise: {method: none}}",
            "segment={method: manual, thresholds: [60, 130, 190], edges: plain}",
        )
        run(folder.path)
        marks.add(fingerprint_scan(folder.workspace, "scan"))
        tables.append(Catalogue(folder.workspace / "catalogue").read("particles").to_pylist())
    assert len(marks) == 1
    columns = ("n_voxels", "n_cavities", "n_tunnels", "cavity_volume_um3", "cavity_holds_pore")
    iron = [[r[c] for c in columns] for r in tables[0] if r["phase"] == "iron-rich"]
    z, y, x = np.indices(SHAPE) - np.reshape([23.5, 25.5, 24.5], (3, 1, 1, 1))
    reach = np.sqrt(z * z + y * y + x * x)
    hollow = 8.0 * np.array([np.count_nonzero(reach <= r) for r in (21, 7, 3)])
    closed = [row for row in iron if row[1]]
    assert [row[1:] for row in closed] == [[1, 0, pytest.approx(volume), True] for volume in hollow]


def test_without_a_phase_named_pore_the_flag_is_null(make_job, binary_recipe):
    volume = np.zeros((12, 12, 12), np.uint8)
    volume[2:9, 2:9, 2:9] = 1
    volume[4:6, 4:6, 4:6] = 0
    folder = make_job("job", volume, "tiling.tile_shape=[8, 8, 8]", recipe=binary_recipe)
    run(folder.path)
    row = Catalogue(folder.workspace / "catalogue").read("particles").to_pylist()[0]
    assert (row["n_cavities"], row["n_tunnels"], row["cavity_volume_um3"]) == (1, 0, 64.0)
    assert row["cavity_holds_pore"] is None
