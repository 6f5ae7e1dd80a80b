"""The same numbers from whole volumes, by general libraries: slow, simple, independent.

Nothing here is cut into tiles and nothing is taken from `pipeline.kernels`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import cc3d
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.measure import euler_number, regionprops

from pipeline.model.recipe import Denoise
from pipeline.verify.volumes import Edges

SCIPY = f"SciPy {version('scipy')}"
SKIMAGE = f"scikit-image {version('scikit-image')}"
CC3D = f"cc3d {version('connected-components-3d')}"
NUMPY = f"NumPy {version('numpy')}"

RANK = {6: 1, 18: 2, 26: 3}
"""Connectivity by neighbours as SciPy and scikit-image count it: axes that may differ at once."""

Reals = NDArray[np.float64]
Labels = NDArray[Any]


def filter_whole(voxels: NDArray[Any], denoise: Denoise) -> NDArray[Any]:
    """Return the whole scan filtered by SciPy, in the scan's own grey levels.

    Parameters
    ----------
    voxels : ndarray, shape (z, y, x)
        The scan.
    denoise : Denoise
        The filter.

    Returns
    -------
    ndarray
        Median in the scan's type, Gaussian (cut off at 4 standard deviations) in float64.
    """
    if denoise.method == "median":
        return np.asarray(ndimage.median_filter(voxels, 2 * denoise.radius_vx + 1, mode="nearest"))
    if denoise.method == "gaussian":
        smooth = ndimage.gaussian_filter(
            voxels.astype(np.float64), denoise.sigma_vx, mode="nearest", truncate=4.0
        )
        return np.asarray(smooth)
    return voxels


@dataclass(frozen=True, slots=True)
class Bodies:
    """Bodies of one phase, as `scipy.ndimage.label` numbers them.

    Parameters
    ----------
    labels : ndarray of int
        Ids from 1; bodies that are too small are 0 and leave no gap in the numbers.
    n_small, n_voxels_small : int
        Bodies that are too small, and their voxels.
    """

    labels: Labels
    n_small: int
    n_voxels_small: int


def label_whole(inside: NDArray[np.bool_], connectivity: int, min_voxels: int) -> Bodies:
    """Label a phase of the whole volume at once.

    Parameters
    ----------
    inside : ndarray of bool
        Voxels of the phase.
    connectivity : int
        6, 18 or 26.
    min_voxels : int
        Smallest body that counts.

    Returns
    -------
    Bodies
        The bodies.
    """
    structure = ndimage.generate_binary_structure(3, RANK[connectivity])
    labels, _ = ndimage.label(inside, structure)
    size = np.bincount(labels.ravel())
    size[0] = 0
    kept = size >= min_voxels
    kept[0] = False
    number = np.where(kept, np.cumsum(kept), 0)
    small = ~kept
    small[0] = False
    return Bodies(number[labels], int(small.sum()), int(size[small].sum()))


def count_split(labels: Labels, inside: NDArray[np.bool_], connectivity: int) -> int:
    """Return how many ids do not stand for exactly one body of connected-components-3d.

    Parameters
    ----------
    labels : ndarray of int
        Particle ids; 0 for none.
    inside : ndarray of bool
        Voxels of the phase; those of bodies without an id are left out.
    connectivity : int
        6, 18 or 26.

    Returns
    -------
    int
        0 where both cut the voxels into the same sets.
    """
    kept = inside & (labels > 0)
    # Bodies without an id never touch one with an id: taking them out splits nothing.
    label: Any = cc3d.connected_components
    other = label(kept.astype(np.uint8), connectivity=connectivity)
    pairs = np.unique(np.stack([labels[kept], other[kept]]), axis=1)
    n_ids, n_bodies = len(np.unique(pairs[0])), len(np.unique(pairs[1]))
    return int(2 * pairs.shape[1] - n_ids - n_bodies)


@dataclass(frozen=True, slots=True)
class Regions:
    """What scikit-image says of every particle, in the order of ids.

    Parameters
    ----------
    columns : dict of str to ndarray
        By the name of the catalogue's column.
    covariance : ndarray, shape (n, 3, 3)
        Covariance of position over each particle in um2.
    """

    columns: dict[str, Reals]
    covariance: Reals


def measure_regions(
    labels: Labels, grey: NDArray[Any], voxel_um: Edges, connectivity: int
) -> Regions:
    """Measure every particle with scikit-image.

    Parameters
    ----------
    labels : ndarray of int
        Ids from 1, without gaps.
    grey : ndarray
        Grey levels of the scan after the filter.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    connectivity : int
        6, 18 or 26: decides the Euler number.

    Returns
    -------
    Regions
        One entry a particle.

    Notes
    -----
    scikit-image takes a particle for a cloud of voxel centres.  The catalogue takes it for the
    union of its voxels, so two things are added here: half a voxel to centroids, which count from
    the volume's low face, and 1/12 of the squared edge to the variance along each axis, which is
    a voxel's own.
    """
    properties = regionprops(labels, intensity_image=grey, spacing=voxel_um)
    edge = np.array(voxel_um)
    n = len(properties)

    def column(read: Callable[[Any], Any]) -> Reals:
        return np.array([read(p) for p in properties], np.float64)

    box = column(lambda p: p.bbox).reshape(n, 6)
    centroid = column(lambda p: p.centroid).reshape(n, 3) + 0.5 * edge
    columns = {
        "volume_um3": column(lambda p: p.area),
        "n_voxels": column(lambda p: p.num_pixels),
        "equivalent_diameter_um": column(lambda p: p.equivalent_diameter_area),
        "euler_number": column(lambda p: euler_of(p.image, connectivity)),
        "grey_mean": column(lambda p: p.intensity_mean),
        "grey_sd": column(lambda p: p.intensity_std),
        "grey_min": column(lambda p: p.intensity_min),
        "grey_max": column(lambda p: p.intensity_max),
    }
    for i, axis in enumerate("zyx"):
        columns[f"bbox_{axis}_start_vx"] = box[:, i]
        columns[f"bbox_{axis}_stop_vx"] = box[:, 3 + i]
        columns[f"centroid_{axis}_um"] = centroid[:, i]
    inertia = column(lambda p: p.inertia_tensor).reshape(n, 3, 3)
    # The inertia tensor is the trace of the covariance on the diagonal, less the covariance.
    trace = np.trace(inertia, axis1=1, axis2=2) / 2
    covariance = trace[:, None, None] * np.eye(3) - inertia + np.diag(edge**2 / 12)
    return Regions(columns, covariance)


def euler_of(image: NDArray[np.bool_], connectivity: int) -> int:
    """Return the Euler number of one body.

    Parameters
    ----------
    image : ndarray of bool
        The body.
    connectivity : int
        6, 18 or 26.

    Returns
    -------
    int
        scikit-image's for 6 and 26.  With 18 neighbours a cell of 2x2x2 voxels that holds just
        two voxels on a space diagonal joins nothing, where 26 neighbours make one body of them:
        each such cell adds one to the number for 26.

    Examples
    --------
    >>> ring = np.ones((1, 3, 3), bool); ring[0, 1, 1] = False
    >>> euler_of(ring, 6), euler_of(ring, 18), euler_of(ring, 26)
    (0, 0, 0)
    """
    if connectivity != 18:
        return int(euler_number(image, RANK[connectivity]))
    padded = np.pad(image, 1).astype(np.int64)
    corners = [
        padded[z : z - 1 or None, y : y - 1 or None, x : x - 1 or None]
        for z in (0, 1)
        for y in (0, 1)
        for x in (0, 1)
    ]
    pairs = sum(corners) == 2
    diagonal = sum(((corners[k] + corners[7 - k]) == 2) & pairs for k in range(4))
    return int(euler_number(image, 3)) + int(np.sum(diagonal))


def touches(labels: Labels, target: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    """Return which particles have one of their 26 neighbours in `target`.

    Parameters
    ----------
    labels : ndarray of int
        Ids from 1 to `n`.
    target : ndarray of bool
        Same shape.
    n : int
        Number of particles.

    Returns
    -------
    ndarray of bool, shape (n,)
        In the order of ids.
    """
    near = ndimage.binary_dilation(target, np.ones((3, 3, 3), np.bool_))
    hit = np.zeros(n + 1, np.bool_)
    hit[labels[near]] = True
    return hit[1:]
