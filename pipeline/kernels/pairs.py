"""Amounts by pairs of whole numbers: what tiles count, sorted and added up."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.distance import Int32s, Int64s


def add_up_pairs(
    first: NDArray[np.integer], second: NDArray[np.integer], amount: Int64s
) -> tuple[Int32s, Int32s, Int64s]:
    """Return amounts sorted by pair, those of equal pairs added up.

    Parameters
    ----------
    first, second : ndarray of int, shape (n,)
        The pairs, from 0 and under 2^31.
    amount : ndarray of int64, shape (n,)
        What each counts.

    Returns
    -------
    first, second : ndarray of int32
        Each pair once, in ascending order.
    amount : ndarray of int64
        Sums.

    Examples
    --------
    >>> pairs = np.array([2, 1, 2]), np.array([5, 9, 5])
    >>> [column.tolist() for column in add_up_pairs(*pairs, np.array([10, 20, 30]))]
    [[1, 2], [9, 5], [20, 40]]
    """
    keys, place = np.unique((first.astype(np.int64) << 32) | second, return_inverse=True)
    total = np.zeros(keys.size, np.int64)
    np.add.at(total, place, amount)
    return (keys >> 32).astype(np.int32), (keys & 0xFFFFFFFF).astype(np.int32), total
