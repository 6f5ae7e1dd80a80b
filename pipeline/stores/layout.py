"""How volumes are cut into chunks, shards and levels; whether a source needs a copy cut like that.

Arithmetic alone: a plan asks for it and loads no library that reads or writes voxels.
"""

from __future__ import annotations

from pipeline.model.grid import Triple
from pipeline.model.header import VolumeHeader
from pipeline.model.plan import denoise_halo, fit_tile
from pipeline.model.recipe import Recipe

INNER_MIN, INNER_MAX = 32, 64
"""Edges of inner chunks.  A tile of 256 voxels with its halo decodes 3.4 times its voxels in chunks
of 64, 8 times in chunks of 128; in chunks under 32, opening them takes longer than decoding."""

IN_PLACE_MAX = 128
"""Longest edge of chunks of a source that is used in place: what is decoded more than of a copy
takes less than making one."""

LEVELS_MAX = 4
"""Levels of a pyramid, the full resolution included."""

CHUNK_VOXELS_MIN = 32**3
"""Voxels of a chunk below which opening chunks takes longer than copying their voxels once."""


def inner_edge(edge: int, longest: int = INNER_MAX) -> int:
    """Return the edge of the inner chunks of a shard.

    Parameters
    ----------
    edge : int
        Edge of the shard.
    longest : int, optional
        Longest edge that is wanted.

    Returns
    -------
    int
        The shard's largest divisor up to that; where it is under `INNER_MIN`, one up to twice that
        if there is one.

    Examples
    --------
    >>> [inner_edge(n) for n in (48, 64, 96, 101, 160, 224, 256)]
    [48, 64, 48, 101, 40, 56, 64]
    """
    divisors = [edge // n for n in range(1, edge + 1) if edge % n == 0]
    wanted = next(n for n in divisors if n <= longest)
    larger = [n for n in divisors if longest < n <= 2 * longest]
    return larger[-1] if wanted < INNER_MIN and larger else wanted


def lay_out(shape: Triple, tile_shape: Triple, longest: int = INNER_MAX) -> tuple[Triple, Triple]:
    """Return the shapes of inner chunks and shards.

    A shard is a tile; along an axis that one tile spans, it may reach a little beyond the volume,
    so that a volume of 139 voxels is stored as 3 chunks of 47 and not as 139 of one.

    Parameters
    ----------
    shape, tile_shape : tuple of int
        Voxels of the volume and of a tile, (z, y, x).
    longest : int, optional
        Longest edge of a chunk that is wanted.

    Returns
    -------
    tuple of tuples of int
        Chunk and shard.

    Examples
    --------
    >>> lay_out((139, 512, 90), (139, 256, 90))
    ((47, 64, 45), (141, 256, 90))
    """
    inner, shards = [], []
    for n, edge in zip(shape, tile_shape, strict=True):
        n_chunks = -(-edge // longest)
        inner.append(inner_edge(edge, longest) if edge < n else -(-edge // n_chunks))
        shards.append(edge if edge < n else inner[-1] * n_chunks)
    return (inner[0], inner[1], inner[2]), (shards[0], shards[1], shards[2])


def plan_levels(shape: Triple, tile_shape: Triple) -> list[tuple[Triple, Triple]]:
    """Return shape and shard of each level, as far as every tile halves evenly.

    A tile fills one shard on every level, so levels cost no second pass and no lock.

    Examples
    --------
    >>> plan_levels((300, 256, 256), (128, 128, 128))[1:3]
    [((150, 128, 128), (64, 64, 64)), ((75, 64, 64), (32, 32, 32))]
    """
    levels = [(shape, tile_shape)]
    while len(levels) < LEVELS_MAX:
        shape, tile_shape = levels[-1]
        cut = [t < n for t, n in zip(tile_shape, shape, strict=True)]
        even = all(t % 2 == 0 or not c for t, c in zip(tile_shape, cut, strict=True))
        if not even or min(tile_shape) < 16:
            break
        half = tuple(-(-n // 2) for n in shape), tuple(-(-t // 2) for t in tile_shape)
        levels.append(((half[0][0], half[0][1], half[0][2]), (half[1][0], half[1][1], half[1][2])))
    return levels


def why_copied(header: VolumeHeader, recipe: Recipe) -> str | None:
    """Return why a source is copied and not used in place; None where it can be used in place.

    A source is used in place where every tile consists of whole chunks, and a tile with the halo
    of the filter decodes no more of it than of chunks of `IN_PLACE_MAX` voxels an edge.

    Parameters
    ----------
    header : VolumeHeader
        The source.
    recipe : Recipe
        Its tiles and its filter.

    Returns
    -------
    str or None
        The reason, as the rest of a sentence.

    Examples
    --------
    >>> from pipeline.model.recipe import read_recipe
    >>> recipe = read_recipe("phases: [{name: a, kind: background},"
    ...                      " {name: b, kind: particles}]", "example")
    >>> def header(chunk):
    ...     return VolumeHeader("s", "zarr", (512,) * 3, "uint8", None, 1, chunk_vx=chunk)
    >>> why_copied(header((128, 128, 128)), recipe) is None
    True
    >>> why_copied(header((100, 100, 100)), recipe)
    'tiles of 256 x 256 x 256 are not made of whole chunks of 100 x 100 x 100'
    """
    chunk, shape = header.chunk_vx, header.shape
    if chunk is None:
        return "it cannot be read tile by tile where it lies"
    tile = fit_tile(recipe.tiling.tile_shape, shape)
    whole = all(t % c == 0 or t == n for t, c, n in zip(tile, chunk, shape, strict=True))
    if not whole:
        return f"tiles of {_edges(tile)} are not made of whole chunks of {_edges(chunk)}"
    if chunk[0] * chunk[1] * chunk[2] < CHUNK_VOXELS_MIN and chunk != shape:
        return f"its chunks of {_edges(chunk)} are too small"
    halo = denoise_halo(recipe)
    largest = lay_out(shape, tile, IN_PLACE_MAX)[0]
    if _decoded(chunk, tile, shape, halo) > _decoded(largest, tile, shape, halo):
        return f"chunks of {_edges(chunk)} are too long for tiles of {_edges(tile)}"
    if len(plan_levels(shape, tile)) < 2:
        return "the volume or its tiles are too small for a coarser level beside it"
    return None


def _decoded(chunk: Triple, tile: Triple, shape: Triple, halo: int) -> int:
    """Return the voxels that are decoded for a tile with its halo, away from the border."""
    total = 1
    for c, t, n in zip(chunk, tile, shape, strict=True):
        n_chunks = -(-n // c) if t == n else t // c + 2 * -(-halo // c)
        total *= n_chunks * c
    return total


def _edges(shape: Triple) -> str:
    return " x ".join(str(n) for n in shape)
