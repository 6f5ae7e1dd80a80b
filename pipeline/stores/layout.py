"""Whether a source is stored so that tiles are read from it as well as from a copy."""

from __future__ import annotations

from pipeline.model.grid import Triple
from pipeline.model.header import VolumeHeader
from pipeline.model.plan import denoise_halo, fit_tile
from pipeline.model.recipe import Recipe
from pipeline.stores.ome import plan_levels
from pipeline.stores.volume import lay_out

CHUNK_VOXELS_MIN = 32**3
"""Voxels of a chunk below which opening chunks takes longer than copying their voxels once."""


def why_copied(header: VolumeHeader, recipe: Recipe) -> str | None:
    """Return why a source is copied and not used in place; None where it can be used in place.

    A source is used in place where every tile consists of whole chunks, and a tile with the halo
    of the filter decodes no more of it than of the copy that would be made.

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
    copy = lay_out(shape, tile)[0]
    if _decoded(chunk, tile, shape, halo) > _decoded(copy, tile, shape, halo):
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
