"""Multi-Otsu against brute force, methods for two phases against scikit-image, edges."""

import itertools
from fractions import Fraction

import numpy as np
import pytest
import SimpleITK
from scipy import ndimage
from skimage import filters
from skimage.filters import threshold_multiotsu

from pipeline.errors import DataError, UsageError
from pipeline.kernels.classes import threshold_edge, threshold_multi_otsu, threshold_two
from pipeline.kernels.histograms import fold_gradients, fold_histogram, grey_bins


def mixture(seed, n=200_000):
    rng = np.random.default_rng(seed)
    parts = [rng.normal(m, s, n) for m, s in ((9_000, 900), (17_000, 1_100), (30_000, 1_500))]
    return np.concatenate(parts).clip(0, 65535).astype(np.uint16)


def spread(counts, cuts):
    """Return the variance between classes, less a constant, exactly; -1 for an empty class."""
    total = Fraction(0)
    for a, b in itertools.pairwise((0, *cuts, counts.size)):
        weight = int(counts[a:b].sum())
        if weight == 0:
            return Fraction(-1)
        total += Fraction(int((counts[a:b] * np.arange(a, b)).sum()) ** 2, weight)
    return total


def scikit_image_cuts(counts, n_classes):
    # It returns the last bin of each lower class: the upper class starts one bin later.
    last = threshold_multiotsu(hist=(counts, np.arange(counts.size)), classes=n_classes)
    return [int(i) + 1 for i in last]


@pytest.mark.parametrize("n_classes", [2, 3, 4])
@pytest.mark.parametrize("seed", range(5))
def test_multi_otsu_equals_scikit_image(n_classes, seed):
    rng = np.random.default_rng(seed)
    histogram = np.zeros(65536, np.int64)
    histogram[500:530] = rng.integers(1, 1000, 30)
    # scikit-image gives the lowest bin the grey of the second: leave little in it.
    histogram[500] = 1
    wanted = scikit_image_cuts(histogram[500:530], n_classes)
    assert [t - 500 for t in threshold_multi_otsu(histogram, n_classes).thresholds] == wanted


@pytest.mark.parametrize("n_classes", [2, 3, 4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_multi_otsu_is_never_below_scikit_image_on_the_same_256_bins(n_classes, seed):
    """scikit-image sums in single precision and misses the optimum by 1e-7 in a flat valley."""
    histogram = fold_histogram(mixture(seed))
    edges, counts = grey_bins(histogram)
    found = threshold_multi_otsu(histogram, n_classes)
    assert found.found == (True,) * n_classes
    ours = spread(counts, np.searchsorted(edges, found.thresholds).tolist())
    theirs = spread(counts, scikit_image_cuts(counts, n_classes))
    assert 0 <= 1 - theirs / ours < 1e-6


@pytest.mark.parametrize("n_classes", [2, 3, 4, 5])
def test_multi_otsu_is_the_exact_optimum(n_classes):
    rng = np.random.default_rng(n_classes)
    counts = rng.integers(0, 50, 14)
    counts[[0, 13]] = 7
    histogram = np.zeros(65536, np.int64)
    histogram[100:114] = counts
    best = max(spread(counts, c) for c in itertools.combinations(range(1, 14), n_classes - 1))
    found = threshold_multi_otsu(histogram, n_classes)
    assert spread(counts, [t - 100 for t in found.thresholds]) == best


def test_multi_otsu_with_many_classes_ends_and_uses_every_level_of_grey():
    histogram = fold_histogram(mixture(4))
    found = threshold_multi_otsu(histogram, 12)
    assert len(found.thresholds) == 11
    assert list(found.thresholds) == sorted(set(found.thresholds))


def test_multi_otsu_refuses_more_classes_than_levels_and_an_empty_histogram():
    histogram = np.zeros(65536, np.int64)
    with pytest.raises(DataError, match="empty"):
        threshold_multi_otsu(histogram, 2)
    histogram[[5, 9]] = 3
    assert threshold_multi_otsu(histogram, 2).thresholds == (6,)
    with pytest.raises(DataError, match="2 bins"):
        threshold_multi_otsu(histogram, 3)
    with pytest.raises(UsageError):
        threshold_multi_otsu(histogram, 1)


@pytest.mark.published
def test_real_cast_block_is_parted_where_others_part_it(data_folder):
    image = SimpleITK.ReadImage(str(data_folder / "cast-block-ct.nii.gz"))
    grey = SimpleITK.GetArrayFromImage(image).astype(np.uint16)
    histogram = fold_histogram(grey)
    (threshold,) = threshold_multi_otsu(histogram, 2).thresholds
    # Otsu's threshold is 68: the metal is all that is brighter, 1 177 142 voxels.
    assert threshold == 69
    assert histogram[threshold:].sum() == 1_177_142
    # scikit-image says 37 and 109 are the last dark levels; giving the lowest bin the grey of the
    # second moves it, here the fullest bin of all, one level off the optimum.
    found = threshold_multi_otsu(histogram, 3).thresholds
    np.testing.assert_allclose(found, (38, 110), atol=1)
    assert spread(histogram[:256], found) > spread(histogram[:256], (38, 110))


def two_modes(seed):
    """A histogram of 256 grey levels, in which bins and levels are the same."""
    rng = np.random.default_rng(seed)
    grey = np.concatenate([rng.normal(90, 14, 60_000), rng.normal(170, 20, 15_000)])
    image = grey.clip(1, 254).astype(np.uint16)
    image[:2] = 0, 255
    return image, fold_histogram(image)


@pytest.mark.parametrize("method", ["otsu", "li", "yen", "isodata", "triangle", "minimum"])
@pytest.mark.parametrize("seed", [1, 2])
def test_two_phases_are_parted_where_scikit_image_parts_them(method, seed):
    image, histogram = two_modes(seed)
    theirs = getattr(filters, f"threshold_{method}")(image)
    found = threshold_two(histogram, method)
    assert found.method == ("multi-otsu" if method == "otsu" else method)
    # What exceeds theirs reaches ours; bins of theirs are 255/256 wide.
    assert abs(found.thresholds[0] - (np.floor(theirs) + 1)) <= 1
    dark, bright = found.levels
    assert dark < found.thresholds[0] <= bright


def test_triangle_looks_to_the_longer_side():
    counts = np.zeros(65536, np.int64)
    counts[100:200] = np.arange(100) ** 2
    counts[200:210] = 50
    (threshold,) = threshold_two(counts, "triangle").thresholds
    assert threshold < 195


def test_two_phases_want_a_valley_and_two_greys():
    counts = np.zeros(65536, np.int64)
    counts[40] = 9
    with pytest.raises(DataError, match="single grey level"):
        threshold_two(counts, "li")
    counts[41:80] = 9
    with pytest.raises(DataError, match="no valley"):
        threshold_two(counts, "minimum")
    with pytest.raises(UsageError, match="'huang'"):
        threshold_two(counts, "huang")


def blurred_balls(levels, seed=5):
    """Balls in a matrix: dark ones, bright ones, brightest ones."""
    rng = np.random.default_rng(seed)
    grey = np.full((60, 60, 60), levels[1])
    index = np.indices(grey.shape)
    for number in range(9):
        level = levels[(0, 2, 3)[number % 3]]
        centre = 10 + 20 * np.array([number // 3, number % 3, (2 * number) % 3])
        grey[sum((i - c) ** 2 for i, c in zip(index, centre, strict=True)) < 64] = level
    grey = ndimage.gaussian_filter(grey, 1.0) + rng.normal(0, 60, grey.shape)
    return np.rint(grey).clip(0, 65535).astype(np.uint16)


def test_edges_are_steepest_halfway_between_two_levels():
    grey = blurred_balls((20_000, 20_000, 30_000, 30_000))
    inside = np.ones(grey.shape, np.uint8)
    found = threshold_edge(fold_histogram(grey), *fold_gradients(grey, inside), 2)
    # Convex bodies: half the contrast is reached a little inside the true edge.
    assert found.thresholds[0] == pytest.approx(25_000, abs=700)
    assert found.levels[0] == pytest.approx(20_000, abs=400)


def test_edges_of_three_phases_part_them_and_four_are_refused():
    grey = blurred_balls((8_000, 20_000, 30_000, 30_000))
    slopes = fold_gradients(grey, np.ones(grey.shape, np.uint8))
    histogram = fold_histogram(grey)
    dark, bright = threshold_edge(histogram, *slopes, 3).thresholds
    assert dark == pytest.approx(14_000, abs=900)
    assert bright == pytest.approx(25_000, abs=900)
    assert threshold_edge(histogram, *slopes, 2).notes == (
        "the gradient has 2 maxima, the 1 most prominent were taken",
    )
    with pytest.raises(DataError, match="2 grey levels, wanted 3"):
        threshold_edge(histogram, *slopes, 4)
    with pytest.raises(UsageError):
        threshold_edge(histogram, *slopes, 1)
