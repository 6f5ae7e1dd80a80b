import numpy as np
import pytest

from pipeline.report.sizes import count_sizes, size_edges


def test_every_particle_falls_into_a_class() -> None:
    rng = np.random.default_rng(1)
    sizes = [rng.lognormal(2, 0.6, 500), rng.lognormal(1, 0.3, 40)]
    edges = size_edges(sizes)
    assert [count_sizes(s, edges, 1.0).counts.sum() for s in sizes] == [500, 40]
    assert np.diff(np.log10(edges)) == pytest.approx(0.1)


@pytest.mark.parametrize("size", [1.0, 10.0, 10**0.3, 10**0.7])
def test_a_size_on_a_limit_is_counted_once(size: float) -> None:
    sizes = np.array([size])
    edges = size_edges([sizes])
    assert count_sizes(sizes, edges, 1.0).counts.sum() == 1


def test_limits_do_not_depend_on_the_scan() -> None:
    narrow = size_edges([np.array([3.0, 4.0])])
    wide = size_edges([np.array([0.5, 4.0, 90.0])])
    assert all(np.isclose(wide, edge).any() for edge in narrow)


def test_no_particles_still_give_a_class() -> None:
    edges = size_edges([np.array([])])
    assert count_sizes(np.array([]), edges, 1.0).counts.tolist() == [0]


def test_density_is_per_cubic_millimetre() -> None:
    histogram = count_sizes(np.array([1.5, 1.6]), np.array([1.0, 2.0]), 5e8)
    assert histogram.density_mm3.tolist() == [4.0]


def test_intervals_of_small_counts() -> None:
    # 1-sigma limits of Poisson counts, Gehrels, ApJ 303 (1986) 336, tables 1 and 2 (from memory).
    edges = np.array([1.0, 2.0, 4.0, 8.0])
    sizes = np.array([3.0] + [5.0] * 3)
    low, high = count_sizes(sizes, edges, 1e9).interval_mm3
    assert low == pytest.approx([0.0, 0.173, 1.367], abs=1e-3)
    assert high == pytest.approx([1.841, 3.300, 5.918], abs=1e-3)
