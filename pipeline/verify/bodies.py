"""Bodies whose surface, volume and axes are known in closed form.

No general library estimates the surface of a voxel body without a systematic error (counting faces
exceeds a ball's by half; triangulated voxel surfaces by some 5 to 10 %), so that surfaces are held
against geometry, at a stated tolerance: that of the voxels, not of the arithmetic.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.verify.findings import Finding, compare_values
from pipeline.verify.passage import Outcome
from pipeline.verify.references import NUMPY, Reals
from pipeline.verify.volumes import Edges, Trial, manual_recipe

BALL_TOLERANCE = 0.02
"""Relative, for balls of at least 7 voxels radius: a smaller one has no good number of voxels."""

PLATE_TOLERANCE = 0.05
"""Relative, for tilted plates 7 voxels thick: a face comes out 7 % too small to 2 % too large by
its direction and right in the mean of all directions; sharp edges lose 2 to 4 % of these plates."""

BALL_RADII_VX = (7.5, 9.0, 11.0, 14.0)
PLATE_EDGES_VX = (30.0, 24.0, 7.0)

# Weights of the 13 directions for cubic voxels as published (Ohser & Muecklich 2000; Legland, Kieu
# and Devaux 2007), each for one sense: steps along edges, face diagonals and space diagonals.
PUBLISHED_WEIGHTS = {1: 0.04577789120476, 2: 0.03698062787608, 3: 0.03519563978232}


@dataclass(frozen=True, slots=True)
class KnownBodies:
    """A volume of bodies far apart, in raster order of their ids, and their geometry.

    Parameters
    ----------
    trial : Trial
        The volume.
    kind : str
        What they are.
    surface_um2, volume_um3 : ndarray
        Closed form, in the order of particle ids.
    tolerance : float
        Relative difference accepted.
    """

    trial: Trial
    kind: str
    surface_um2: Reals
    volume_um3: Reals
    tolerance: float


def build_known_bodies() -> Iterator[KnownBodies]:
    """Yield the volumes one by one.

    Yields
    ------
    KnownBodies
        A volume with what is known of it.
    """
    yield _balls("balls-cubic", (2.0, 2.0, 2.0))
    yield _balls("balls-oblong", (1.5, 1.0, 1.25))
    yield _plates()


def compare_known(known: KnownBodies, outcome: Outcome) -> Iterator[Finding]:
    """Compare surfaces, volumes and, for cubic voxels, the surface formula itself.

    Parameters
    ----------
    known : KnownBodies
        The volume.
    outcome : Outcome
        What its run left.

    Yields
    ------
    Finding
        One a quantity.
    """
    columns = outcome.particles["pore"]
    for name, wanted in (("surface_um2", known.surface_um2), ("volume_um3", known.volume_um3)):
        yield compare_values(
            f"{name} of {known.kind}", "closed form", columns[name], wanted, known.tolerance,
            "relative",
        )  # fmt: skip
    if len(set(known.trial.voxel_um)) == 1:
        labels = outcome.labels["pore"]
        areas = [
            crofton_surface(labels == i + 1, known.trial.voxel_um[0])
            for i in range(len(columns["n_voxels"]))
        ]
        yield compare_values(
            "surface_um2, 26 neighbours", f"{NUMPY}, Crofton", columns["surface_um2"],
            areas, 1e-9, "relative",
        )  # fmt: skip


def crofton_surface(body: NDArray[np.bool_], edge_um: float) -> float:
    """Return the surface of a body of cubic voxels by Crofton's formula, from the whole volume.

    Parameters
    ----------
    body : ndarray of bool
        The body.
    edge_um : float
        Edge of a voxel.

    Returns
    -------
    float
        Surface in um2: twice the weighted sum of border crossings per length along 13 directions.

    Examples
    --------
    >>> round(crofton_surface(np.ones((1, 1, 1), bool), 1.0), 3)
    3.004
    """
    padded = np.pad(body, 1)
    total = 0.0
    for z, y, x in np.ndindex(3, 3, 3):
        step = (z - 1, y - 1, x - 1)
        rank = sum(map(abs, step))
        if rank:
            crossings = np.count_nonzero(padded & ~np.roll(padded, step, (0, 1, 2)))
            # Both senses of a line are stepped along, and each meets only where it leaves.
            total += 4 * PUBLISHED_WEIGHTS[rank] * crossings / np.sqrt(rank)
    return float(total * edge_um**2)


def _places(shape: tuple[int, int, int]) -> Reals:
    return np.stack(np.meshgrid(*map(np.arange, shape), indexing="ij"), -1).astype(np.float64)


def _known(name: str, inside: NDArray[np.bool_], voxel_um: Edges) -> Trial:
    voxels = np.where(inside, 40, 200).astype(np.uint8)
    return Trial(name, voxels, voxel_um, manual_recipe((120.0,), 26, (21, 30, 47)))


def _balls(name: str, voxel_um: Edges) -> KnownBodies:
    """Balls in space: ellipsoids of voxels where these are oblong."""
    edge = np.array(voxel_um)
    radii = np.array(BALL_RADII_VX) * edge.max()
    reach = int(np.ceil(radii.max() / edge.min())) + 3
    shape = (2 * reach, 2 * reach, 2 * reach * len(radii))
    place = _places(shape)
    inside = np.zeros(shape, np.bool_)
    first = []
    for k, radius in enumerate(radii):
        centre = np.array([reach + 0.3 * k, reach - 0.21 * k, (2 * k + 1) * reach + 0.13 * k])
        ball = np.linalg.norm((place - centre) * edge, axis=-1) <= radius
        inside |= ball
        first.append(int(np.argmax(ball)))
    radii = radii[np.argsort(first)]
    return KnownBodies(
        trial=_known(name, inside, voxel_um),
        kind="balls",
        surface_um2=4 * np.pi * radii**2,
        volume_um3=4 / 3 * np.pi * radii**3,
        tolerance=BALL_TOLERANCE,
    )


def _plates() -> KnownBodies:
    """Equal plates in random directions."""
    rng = np.random.default_rng(3)
    n, reach = 6, 21
    shape = (2 * reach, 2 * reach * 2, 2 * reach * n // 2)
    place = _places(shape)
    inside = np.zeros(shape, np.bool_)
    half = np.array(PLATE_EDGES_VX) / 2
    for k in range(n):
        axes = np.linalg.qr(rng.standard_normal((3, 3)))[0]
        middle = np.array([1, 1 + 2 * (k % 2), 1 + 2 * (k // 2)]) * reach + rng.uniform(-1, 1, 3)
        inside |= np.all(np.abs((place - middle) @ axes) <= half, axis=-1)
    a, b, c = PLATE_EDGES_VX
    return KnownBodies(
        trial=_known("plates-tilted", inside, (1.0, 1.0, 1.0)),
        kind="plates",
        surface_um2=np.full(n, 2 * (a * b + b * c + c * a)),
        volume_um3=np.full(n, a * b * c),
        tolerance=PLATE_TOLERANCE,
    )
