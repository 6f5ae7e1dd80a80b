"""How particles lie: orientation tensor of their shortest axes, its anisotropy, and its test."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Reals = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Orientation:
    """Orientation of n axes.

    Parameters
    ----------
    tensor : ndarray of float64, shape (3, 3)
        Mean of the outer product of the unit vectors, (z, y, x); its trace is 1.
    eigenvalues : tuple of float
        Largest first; 1/3 each where no direction is preferred.
    anisotropy : float
        1 - least / largest eigenvalue: 0 for none, 1 where all axes lie in a plane.
    p_value : float
        Chance of a tensor as uneven from axes without preference (Bingham's test: 15 n / 2 times
        the sum of squares of eigenvalue - 1/3 is chi-square with 5 degrees of freedom; Mardia &
        Jupp 2000, ch. 10); weighted axes count for as many as they are worth, (sum w)^2 / sum w^2.
    n : int
        Axes.
    """

    tensor: Reals
    eigenvalues: tuple[float, float, float]
    anisotropy: float
    p_value: float
    n: int


def orient_axes(axes: Reals, weight: Reals | None = None) -> Orientation | None:
    """Return the orientation of unit vectors whose sign has no meaning.

    Parameters
    ----------
    axes : ndarray of float64, shape (n, 3)
        Unit vectors, (z, y, x).
    weight : ndarray of float64, shape (n,), optional
        What each stands for, all positive; the same when None.

    Returns
    -------
    Orientation or None
        None without any axis.
    """
    n = len(axes)
    if n == 0:
        return None
    w = np.ones(n) if weight is None else weight
    total = float(w.sum())
    tensor = np.array([[float((w * (axes[:, i] * axes[:, j])).sum()) / total for j in range(3)]
                       for i in range(3)])  # fmt: skip
    values = eigenvalues_of(tensor)
    worth = total * total / float((w * w).sum())
    uneven = 7.5 * worth * sum((v - 1.0 / 3.0) ** 2 for v in values)
    return Orientation(
        tensor=tensor,
        eigenvalues=values,
        anisotropy=1.0 - values[2] / values[0],
        p_value=float(stats.chi2.sf(uneven, 5)),
        n=n,
    )


def eigenvalues_of(matrix: Reals) -> tuple[float, float, float]:
    """Return the eigenvalues of a symmetric 3x3 matrix, largest first (Smith 1961, closed form).

    Examples
    --------
    >>> [round(v, 12) for v in eigenvalues_of(np.diag([1.0, 3.0, 2.0]))]
    [3.0, 2.0, 1.0]
    """
    m = float(matrix[0, 0] + matrix[1, 1] + matrix[2, 2]) / 3.0
    centred = matrix - m * np.eye(3)
    p = math.sqrt(float((centred * centred).sum()) / 6.0)
    if p < 1e-15:
        return m, m, m
    (a, b, c), (_, d, e), (_, _, f) = (centred / p).tolist()
    half = (a * (d * f - e * e) - b * (b * f - e * c) + c * (b * e - d * c)) / 2.0
    angle = math.acos(min(1.0, max(-1.0, half))) / 3.0
    first = m + 2.0 * p * math.cos(angle)
    last = m + 2.0 * p * math.cos(angle + 2.0 * math.pi / 3.0)
    found = sorted((first, 3.0 * m - first - last, last), reverse=True)
    return found[0], found[1], found[2]
