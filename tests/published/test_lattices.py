"""Random lattices: voxels set independently with probability p, where exact values are known.

Densities of small clusters are sums over lattice animals, exact: with q = 1 - p each form of s
voxels with t neighbours gives p^s q^t (those of pairs are enumerated below).  Percolation
thresholds, where clusters of all sizes cross every tile: 0.3116077 for 6 neighbours, Wang, Zhou,
Zhang, Garoni & Deng, Phys. Rev. E 87 (2013) 052107; 0.1372 for 18 and 0.0976 for 26, Kurzawski &
Malarz, Rep. Math. Phys. 70 (2012) 163.
"""

from itertools import product

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.cells import CORNERS, EULER, build_cell_tables
from pipeline.model.grid import Box
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.volume import open_volume, read_box

pytestmark = pytest.mark.published

THRESHOLD = {6: 0.3116077, 18: 0.1372, 26: 0.0976}
STRUCTURE = {n: ndimage.generate_binary_structure(3, i) for n, i in ((6, 1), (18, 2), (26, 3))}
ISOLATED_VARIANCE = {6: 0.0430999, 26: 0.0079193}
"""Variance per voxel of the number of isolated voxels at the threshold: an exact sum over pairs."""


def cluster_densities(p, connectivity):
    """Exact number per voxel of clusters of 1, 2, (3) voxels."""
    q = 1 - p
    return {
        6: (p * q**6, 3 * p**2 * q**10, p**3 * (3 * q**14 + 12 * q**13)),
        18: (p * q**18, p**2 * (3 * q**26 + 6 * q**28)),
        26: (p * q**26, p**2 * (3 * q**34 + 6 * q**40 + 4 * q**44)),
    }[connectivity]


def euler_densities(p):
    """Exact Euler number per voxel, for 6 and for 26 neighbours."""

    def six(p):
        return p - 3 * p**2 + 3 * p**4 - p**8

    return six(p), six(1 - p)


def expected_euler(n, p, connectivity):
    """Exact mean Euler number of a block of n^3 voxels with nothing around it."""
    if connectivity == 6:
        m = n - 1
        return n**3 * p - 3 * n**2 * m * p**2 + 3 * n * m**2 * p**4 - m**3 * p**8
    # Closed cubes: along each axis an element of the lattice spans one voxel, or lies between two
    # voxels or on the block's face; it is there if any voxel at it is.
    kinds = ((n, 1, -1), (n - 1, 2, 1), (2, 1, 1))
    total = 0.0
    for axes in product(kinds, repeat=3):
        counts, touched, signs = (np.prod(v) for v in zip(*axes, strict=True))
        total += signs * counts * (1 - (1 - p) ** touched)
    return total


def density_scores(rows, n, p, connectivity):
    """Count, expectation and z-score of small clusters by size.

    A cluster counts by the low corner of its bounding box: where that leaves a layer below and
    room above for the cluster and its neighbours, the exact density holds.
    """
    corner = np.stack([np.asarray(rows[f"bbox_{a}_start_vx"]) for a in "zyx"])
    size = np.asarray(rows["n_voxels"])
    scores = {}
    for s, density in enumerate(cluster_densities(p, connectivity), start=1):
        edge = n - s - 1
        mine = (size == s) & ((corner >= 1) & (corner < n - s)).all(0)
        count, expected = np.count_nonzero(mine), density * edge**3
        if s == 1 and connectivity in ISOLATED_VARIANCE:
            sd = np.sqrt(ISOLATED_VARIANCE[connectivity] * edge**3)
        else:
            # Clusters are correlated over a few voxels only: blocks vary independently.
            block = np.ravel_multi_index((corner[:, mine] - 1) * 8 // edge, (8, 8, 8))
            sd = np.sqrt(np.bincount(block, minlength=512).var(ddof=1) * 512)
        scores[s] = (count, expected, (count - expected) / sd)
    return scores


def test_exact_values_are_those_on_record():
    assert cluster_densities(0.3116077, 6) == pytest.approx(
        (0.0331607393, 0.0069614171, 0.0033177052), rel=1e-8
    )
    assert cluster_densities(0.1372, 18) == pytest.approx((0.0096324456, 0.0030303399), rel=1e-8)
    assert cluster_densities(0.0976, 26) == pytest.approx((0.0067581227, 0.0022253464), rel=1e-8)
    for p, values in {
        0.1: (0.07029999, 0.00783279),
        0.2: (0.08479744, -0.05897216),
        0.3116077: (0.0485055877, -0.1099914483),
        0.5: (-0.06640625, -0.06640625),
    }.items():
        assert euler_densities(p) == pytest.approx(values, abs=1e-9)
    assert expected_euler(60, 0.2, 6) == pytest.approx(18714.0, abs=0.1)
    assert expected_euler(60, 0.2, 26) == pytest.approx(-11347.9, abs=0.1)


def test_perimeters_of_pairs_by_enumeration():
    # Every pair of neighbouring voxels, its neighbours counted: the exponents of q above.
    for connectivity, wanted in {
        6: {10: 3},
        18: {26: 3, 28: 6},
        26: {34: 3, 40: 6, 44: 4},
    }.items():
        found = {}
        for step in product((-1, 0, 1), repeat=3):
            if step <= (0, 0, 0) or not STRUCTURE[connectivity][tuple(np.array(step) + 1)]:
                continue
            body = np.zeros((7, 7, 7), bool)
            body[3, 3, 3] = body[tuple(np.array(step) + 3)] = True
            rim = ndimage.binary_dilation(body, STRUCTURE[connectivity]).sum() - 2
            found[int(rim)] = found.get(int(rim), 0) + 1
        assert found == wanted


@pytest.mark.parametrize("connectivity", [6, 26])
def test_job_at_the_threshold(connectivity, tmp_path, plan_job, binary_recipe):
    n, p = 192, THRESHOLD[connectivity]
    lattice = np.random.default_rng(connectivity).random((n, n, n), np.float32) < p
    np.save(tmp_path / "lattice.npy", lattice.astype(np.uint8))
    folder = plan_job(
        tmp_path,
        tmp_path / "lattice.npy",
        binary_recipe,
        f"label.connectivity={connectivity}",
        "tiling.tile_shape=[64, 64, 64]",
    )
    run(folder.path)
    labels = open_volume(tmp_path / "scans" / "scan.zarr" / "labels" / "grain" / "0")
    reference, n_bodies = ndimage.label(lattice, STRUCTURE[connectivity])
    assert np.array_equal(read_box(labels, Box((0, 0, 0), (n, n, n))), reference)
    rows = Catalogue(tmp_path / "catalogue").read("particles", scan_id="scan")
    assert rows.num_rows == n_bodies
    columns = {name: rows[name].to_numpy() for name in rows.column_names if "bbox" in name}
    columns["n_voxels"] = rows["n_voxels"].to_numpy()
    assert np.array_equal(columns["n_voxels"], np.bincount(reference.ravel())[1:])
    for s, (count, expected, z) in density_scores(columns, n, p, connectivity).items():
        assert abs(z) < 3, (s, count, expected, z)


def test_densities_with_18_neighbours(count_bodies):
    n, p = 160, THRESHOLD[18]
    lattice = (np.random.default_rng(18).random((n, n, n)) < p).astype(np.uint8)
    rows = count_bodies(lattice, None, (64, 80, 96), 18).rows
    for s, (count, expected, z) in density_scores(rows, n, p, 18).items():
        assert abs(z) < 3, (s, count, expected, z)


@pytest.mark.parametrize("p", [0.1, 0.2, 0.3116077, 0.5])
@pytest.mark.parametrize("connectivity", [6, 26])
def test_euler_number_of_a_lattice(count_bodies, connectivity, p):
    n, n_blocks = 48, 16
    rng = np.random.default_rng(int(1e6 * p) + connectivity)
    totals = []
    for _ in range(n_blocks):
        lattice = (rng.random((n, n, n)) < p).astype(np.uint8)
        rows = count_bodies(lattice, None, (20, 48, 31), connectivity).rows
        totals.append(rows["euler_number"].sum())
    error = np.std(totals, ddof=1) / np.sqrt(n_blocks)
    assert abs(np.mean(totals) - expected_euler(n, p, connectivity)) < 3.5 * error
    # The error itself is small beside the number, so the test can fail.
    assert error < 0.02 * n**3 * p


def test_euler_numbers_of_both_conventions_are_dual(count_bodies):
    # Set voxels with 6 neighbours and empty ones with 26 share one surface: chi6(p) = chi26(1 - p)
    # for densities; here cell by cell for one periodic lattice.
    lattice = np.random.default_rng(7).random((40, 40, 40)) < 0.4
    wrapped = np.pad(lattice, 1, mode="wrap")[:-1, :-1, :-1]
    cells = np.zeros(lattice.shape, np.int64)
    for bit, (z, y, x) in enumerate(CORNERS):
        cells |= wrapped[z : z + 40, y : y + 40, x : x + 40].astype(np.int64) << bit
    assert np.bincount(cells.ravel(), minlength=256).all()
    _, open_counts = build_cell_tables(6)
    _, closed_counts = build_cell_tables(26)
    chi_open = open_counts[cells.ravel(), EULER].sum() // 8
    chi_closed = closed_counts[255 - cells.ravel(), EULER].sum() // 8
    assert chi_open == chi_closed
