"""Seams: the equivalences of each tile with the tiles above it."""

from __future__ import annotations

from itertools import product

from pipeline.kernels.seams import match_faces
from pipeline.model.plan import Plan
from pipeline.stages.cavities import PAIRS, match_regions
from pipeline.stores.job import JobFolder, read_arrays, write_arrays

STEPS: tuple[tuple[int, int, int], ...] = tuple(
    (z, y, x) for z, y, x in product((0, 1), repeat=3) if z or y or x
)
"""Places of the seven tiles above a tile, relative to it."""

LOW_FACES = ("low_z", "low_y", "low_x")
HIGH_FACES = ("high_z", "high_y", "high_x")


class SeamsStage:
    """Shared layers to pairs of local ids."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Match one tile with the tiles above it."""
        grid = self.plan.grid
        tile = grid.tile(number)
        mine = read_arrays(self.folder.side("label", number), HIGH_FACES)
        pairs = {}
        for step in STEPS:
            place = tuple(p + s for p, s in zip(tile.place, step, strict=True))
            if all(p < n for p, n in zip(place, grid.counts, strict=True)):
                neighbour = grid.number((place[0], place[1], place[2]))
                other = read_arrays(self.folder.side("label", neighbour), LOW_FACES)
                pairs[str(neighbour)] = match_faces(step, mine, other)
                pairs[f"{PAIRS}{neighbour}"] = match_regions(self.folder, step, number, neighbour)
        write_arrays(self.folder.side("seams", number), pairs)
        return tile.core.n_voxels

    def fold(self) -> None:
        """Leave the pairs to the reduce stage."""
