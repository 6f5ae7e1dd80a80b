"""Volumes of simulated bodies: analytic where a formula is exact, else counted on a lattice."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.phantom.coverage import air_, cover_bodies_
from pipeline.phantom.lattice import BENT_PLATE, CAPSULE, PLATE, Bodies
from pipeline.phantom.specimen import SpecimenSpec

LATTICE_PER_VX = 6  # points along a voxel's edge when a volume is counted


def body_volumes_vx(bodies: Bodies) -> NDArray[np.float64]:
    """Return the analytic volumes of single bodies in voxels.

    A plate is an elliptic cylinder, bent or not; a fragment is the part of it between two planes
    normal to its longer axis: thickness times a b [asin t + t sqrt(1 - t^2)] between t = span / a.
    Holes that lie in it are taken off.

    Parameters
    ----------
    bodies : structured array of `pipeline.phantom.lattice.BODY_DTYPE`
        Each counts on its own, also the capsules of one tree, which overlap.

    Returns
    -------
    (n,) float64
        Volumes; not exact where `has_formula` says so.
    """
    a, b, c = bodies["semi"].T
    longer = np.where(a > 0, a, 1.0)  # of a capsule that is a sphere it is zero
    t = np.clip(bodies["span"] / longer[:, None], -1.0, 1.0)
    primitive = np.arcsin(t) + t * np.sqrt(1.0 - t * t)
    plate = 2 * c * a * b * (primitive[:, 1] - primitive[:, 0])
    u, _, r = np.moveaxis(bodies["holes"], 2, 0)
    within = (u >= bodies["span"][:, :1]) & (u <= bodies["span"][:, 1:])
    plate -= 2 * c * np.sum(np.where(within, math.pi * r * r, 0.0), axis=1)
    capsule = math.pi * c * c * (4 / 3 * c + 2 * a)
    shape = bodies["shape"]
    volume = np.where(shape == CAPSULE, capsule, 4 / 3 * math.pi * a * b * c)
    return np.where((shape == PLATE) | (shape == BENT_PLATE), plate, volume)


def has_formula(bodies: Bodies) -> NDArray[np.bool_]:
    """Tell for which single bodies the analytic volume is exact: no hole is cut by an end."""
    u, _, r = np.moveaxis(bodies["holes"], 2, 0)
    low, high = bodies["span"][:, :1], bodies["span"][:, 1:]
    cut = (r > 0) & ((np.abs(u - low) < r) | (np.abs(u - high) < r))
    return ~cut.any(axis=1)


def counted_volume_vx(parts: Bodies, spec: SpecimenSpec | None = None) -> float:
    """Return the volume of a union of bodies, counted on a lattice of a sixth of a voxel.

    Parameters
    ----------
    parts : structured array of `pipeline.phantom.lattice.BODY_DTYPE`
        The parts of one body.
    spec : SpecimenSpec, optional
        Count only what lies in the cylinder and in the volume of this specimen.

    Returns
    -------
    float
        Volume in voxels; its error is about that of 216 points a voxel, below 0.1 % from 100
        voxels on.
    """
    fine = parts.copy()
    # Two fine voxels an edge, their faces on those of the voxels, three sub-samples an edge each.
    for name in ("centre", "low", "high"):
        fine[name] = 2 * parts[name] + 0.5
    for name in ("semi", "span", "holes"):
        fine[name] *= 2
    fine["bend"] /= 2
    low = np.floor(fine["low"].min(axis=0)).astype(np.int64)
    high = np.ceil(fine["high"].max(axis=0)).astype(np.int64) + 1
    if spec is not None:
        low = np.maximum(low, 0)
        high = np.minimum(high, 2 * np.asarray(spec.size_vx))
        if (high <= low).any():
            return 0.0
    words = np.zeros(tuple(high - low), np.uint32)
    cover_bodies_(words, low, fine)
    if spec is not None:
        air = np.empty(words.shape[1:], np.uint32)
        y, x = (2 * v + 0.5 for v in spec.axis_vx)
        air_(air, low, y, x, 2 * spec.radius_vx)
        words &= ~air
    return int(np.bitwise_count(words).sum(dtype=np.int64)) / LATTICE_PER_VX**3
