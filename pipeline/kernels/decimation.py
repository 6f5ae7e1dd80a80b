"""Fewer triangles within a stated distance: what is proposed is measured before it is taken.

Collapsing edges (`pipeline.kernels.collapse`) keeps a surface closed and its tunnels, but bounds
only the distance from planes and may let sides cross.  So every proposal is measured: shells and
tunnels as before, no triangles that cross, Hausdorff distance within the error.  The coarsest
proposal that holds all of it is the answer, or else the surface as it was.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.kernels.collapse import collapse_edges
from pipeline.kernels.surface import Surface, shift_to_volume
from pipeline.kernels.trianglegrid import distances_to, find_crossings, sort_triangles

_BUDGETS = ((4.0, 0.6), (3.0, 0.8), (2.0, 1.0), (1.0, 1.0), (0.5, 1.0), (0.25, 0.5))
"""Root of the largest quadric error, and reach, of collapses over the distance wanted."""


def decimate_surface(surface: Surface, max_error_um: float) -> tuple[Surface, float]:
    """Return a surface of fewer triangles, and how far it is from the one given.

    Parameters
    ----------
    surface : Surface
        Closed surface.
    max_error_um : float
        Largest Hausdorff distance; 0 leaves the surface as it is.

    Returns
    -------
    surface : Surface
        Closed, of the same volume, shells and tunnels, free of crossings if the given one is.
    error_um : float
        Hausdorff distance, as `hausdorff_distance` measures it.
    """
    if max_error_um <= 0.0:
        return surface, 0.0
    # Shell by shell: a shell of one voxel, which hardly gets simpler, shall not hold up the rest.
    found = [_decimate_shell(shell, max_error_um) for shell in split_shells(surface)]
    joined = join_shells([shell for shell, _ in found])
    if len(found) > 1 and _crosses(joined):
        # Shells came to cross each other: all get simpler together, by less.
        return _decimate_shell(surface, max_error_um)
    return joined, max(error for _, error in found)


def _decimate_shell(surface: Surface, max_error_um: float) -> tuple[Surface, float]:
    wanted = count_shells(surface), euler_number(surface)
    for budget, reach in _BUDGETS:
        found = _propose(surface, budget * max_error_um, reach * max_error_um)
        if (count_shells(found), euler_number(found)) != wanted or _crosses(found):
            continue
        error = hausdorff_distance(surface, found)
        if error <= max_error_um:
            return found, error
    return surface, 0.0


def _crosses(surface: Surface) -> bool:
    return len(find_crossings(sort_triangles(surface.vertices, surface.faces))) > 0


def split_shells(surface: Surface) -> list[Surface]:
    """Return each closed shell of a surface as a surface of its own, in the order of vertices."""
    shell = label_shells(surface)
    if shell.max() == 0:
        return [surface]
    number = np.empty(len(shell), np.int64)
    # Vertices and triangles by shell, in their own order within each.
    by_shell = np.argsort(shell, kind="stable")
    starts = np.searchsorted(shell[by_shell], np.arange(shell.max() + 2))
    number[by_shell] = np.arange(len(shell)) - starts[shell[by_shell]]
    of_face = shell[surface.faces[:, 0]]
    faces = surface.faces[np.argsort(of_face, kind="stable")]
    cuts = np.searchsorted(np.sort(of_face), np.arange(shell.max() + 2))
    return [
        Surface(surface.vertices[by_shell[a:b]], number[faces[c:d]])
        for a, b, c, d in zip(starts[:-1], starts[1:], cuts[:-1], cuts[1:], strict=True)
    ]


def join_shells(shells: Sequence[Surface]) -> Surface:
    """Return several surfaces as one."""
    if len(shells) == 1:
        return shells[0]
    starts = np.cumsum([0, *(len(s.vertices) for s in shells[:-1])])
    return Surface(
        np.concatenate([s.vertices for s in shells]),
        np.concatenate([s.faces + n for s, n in zip(shells, starts, strict=True)]),
    )


def hausdorff_distance(fine: Surface, coarse: Surface) -> float:
    """Return the Hausdorff distance of two surfaces in um, from samples.

    Parameters
    ----------
    fine : Surface
        Surface of small triangles, sampled at its vertices.
    coarse : Surface
        Surface of larger ones, sampled at its vertices, middles of edges and of triangles.

    Returns
    -------
    float
        Largest distance of a sample of one from the other.
    """
    t, edges = coarse.vertices[coarse.faces], coarse.faces < np.roll(coarse.faces, 1, 1)
    middles = ((t + np.roll(t, 1, 1)) / 2)[edges]  # each edge once
    samples = np.concatenate([coarse.vertices, middles, t.mean(1)])
    there = distances_to(sort_triangles(coarse.vertices, coarse.faces), fine.vertices).max()
    back = distances_to(sort_triangles(fine.vertices, fine.faces), samples).max()
    return float(max(there, back))


def count_shells(surface: Surface) -> int:
    """Return the number of closed shells that a surface consists of."""
    return int(label_shells(surface).max() + 1)


def label_shells(surface: Surface) -> NDArray[np.int64]:
    """Return the number of the shell of each vertex, from 0."""
    n, f = len(surface.vertices), surface.faces
    pairs = np.concatenate([f[:, [0, 1]], f[:, [1, 2]]])
    graph = coo_array((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), (n, n))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def euler_number(surface: Surface) -> int:
    """Return vertices minus edges plus faces: twice the shells minus twice the tunnels."""
    return len(surface.vertices) - len(surface.faces) // 2


def _propose(surface: Surface, budget_um: float, reach_um: float) -> Surface:
    """Collapse edges up to an error, and give the volume back."""
    middle = surface.vertices.mean(0)
    points, faces = collapse_edges(surface.vertices - middle, surface.faces, budget_um, reach_um)
    vertices, most = points + middle, np.full(3, budget_um)
    even = np.ones(len(vertices))
    vertices = shift_to_volume(vertices, faces, even, surface.volume_um3, most)
    return Surface(vertices, faces)
