"""The plan: what will be done, computed from a header and a recipe before any voxel is read.

Everything a run needs is in the plan, and executors merely interpret it.  Bytes are projected per
stage, so that a run that cannot fit is refused before it starts; a test holds measured peaks under
the projection.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

from pydantic import BaseModel, ConfigDict

from pipeline.errors import PlanError
from pipeline.model.distances import MOST_OBLONG, distance_bytes
from pipeline.model.expectation import Expectation
from pipeline.model.grid import TileGrid, Triple
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.model.match import MatchTask
from pipeline.model.metadata import ScanMetadata
from pipeline.model.recipe import Denoise, Recipe, hash_values
from pipeline.model.stress import StressTask

GREY_LEVELS = 65536
"""Levels of the conditioned grey scale (uint16)."""

EDGE_REACH_VX = 3
"""Voxels around a voxel on which its phase depends where edges are decided with care."""

EVENNESS_BINS = 48
"""Grey bins in which the matrix is counted to tell how even it is."""

EVENNESS_CELLS = 2 * 16 * EVENNESS_BINS
"""Counters of one plane: two halves of the specimen, 16 zones about its axis, grey bins."""

MIB = 1 << 20

WORKER_BASE_BYTES = 620 * MIB
"""Resident size of a worker with all libraries loaded and kernels compiled (500 MiB measured), and
what its allocator keeps between tiles."""

SAMPLE_BLOCKS, CONTACT_BLOCKS, SMALLEST_BLOCK_VX = 128, 16, 4
"""Most blocks along a volume's longest axis on which voxels and contacts of phases are counted, and
their smallest edge."""

TALLY_BYTES = 48 * 8
"""Bytes of one body's tally."""


class StagePlan(BaseModel):
    """One stage of a scan.

    Attributes
    ----------
    name : str
        Name of the stage.
    n_tiles : int
        Units of work; 0 for a stage that only folds what tiles left.
    halo_vx : int
        Voxels around a tile's core that it only reads.
    read_bytes, write_bytes : int
        Bytes before compression that the stage moves.
    worker_bytes : int
        Projected peak resident size of a worker process in this stage.
    key : str
        Hash of all that the stage's result depends on, with the tiling: a record of finished work
        counts only under the same key.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    n_tiles: int
    halo_vx: int
    read_bytes: int
    write_bytes: int
    worker_bytes: int
    key: str


class Plan(BaseModel):
    """Everything that a run needs to know, frozen.

    `durable` says whether what is written is forced to disk; no stage key depends on it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    scan_id: str
    source: str
    options: ReadOptions
    header: VolumeHeader
    recipe: Recipe
    metadata: ScanMetadata
    code_version: str
    stages: tuple[StagePlan, ...]
    in_place: bool = False
    stress: StressTask | None = None
    expectation: Expectation | None = None
    match: MatchTask | None = None
    durable: bool = True

    @property
    def counts_scan(self) -> bool:
        """Whether the job counts its scan; others ask a question of one that is counted."""
        return self.stress is None and self.match is None

    @property
    def grid(self) -> TileGrid:
        """The tiles of the full-resolution volume."""
        return TileGrid(self.header.shape, self.tile_shape)

    @property
    def tile_shape(self) -> Triple:
        """Shape of a tile, cut down to a volume that is smaller than one."""
        return fit_tile(self.recipe.tiling.tile_shape, self.header.shape)

    @property
    def voxel_um(self) -> tuple[float, float, float]:
        """Edge lengths of a voxel in um, (z, y, x)."""
        return self.header.require_voxel_um()

    @property
    def worker_bytes(self) -> int:
        """Projected peak resident size of a worker over all stages."""
        return max(stage.worker_bytes for stage in self.stages)

    @property
    def disk_bytes(self) -> int:
        """Disk that the run may need at worst: every array uncompressed at the same time.

        The coarser levels of a pyramid add less than a seventh to its finest one.
        """
        return sum(stage.write_bytes for stage in self.stages) * 8 // 7

    def stage(self, name: str) -> StagePlan:
        """Return the stage of that name."""
        return next(stage for stage in self.stages if stage.name == name)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a machine offers.

    Parameters
    ----------
    worker_bytes : int or None
        Memory limit of a worker process; None where none is set.
    disk_free_bytes : int or None
        Free space of the workspace; None where it cannot be told.
    """

    worker_bytes: int | None = None
    disk_free_bytes: int | None = None


def fit_tile(tile_shape: Triple, shape: Triple) -> Triple:
    """Return `tile_shape` cut down to a volume that is smaller along an axis."""
    edges = [min(t, n) for t, n in zip(tile_shape, shape, strict=True)]
    return (edges[0], edges[1], edges[2])


def block_edge_vx(shape: Triple, most: int) -> int:
    """Return the edge of blocks that a volume is cut into, whatever its tiles.

    Parameters
    ----------
    shape : tuple of int
        Voxels along (z, y, x).
    most : int
        Most blocks along the longest axis.

    Returns
    -------
    int
        The smallest power of two from 4 that makes no more.

    Examples
    --------
    >>> block_edge_vx((100, 200, 300), 128), block_edge_vx((64, 1024, 1025), 128)
    (4, 16)
    """
    block = SMALLEST_BLOCK_VX
    while -(-max(shape) // block) > most:
        block *= 2
    return block


def denoise_halo(recipe: Recipe) -> int:
    """Return the voxels around a core that the recipe's filter reads."""
    denoise = recipe.condition.denoise
    if denoise.method == "auto":
        return max(method_halo(denoise, method) for method in ("median", "nlm"))
    return method_halo(denoise, denoise.method)


def slope_margin(recipe: Recipe) -> int:
    """Return the filtered voxels around a core that are wanted: slopes of grey need neighbours."""
    return 1 if recipe.segment.method == "edge" else 0


def method_halo(denoise: Denoise, method: str) -> int:
    """Return the voxels around a core that a filter reads with the recipe's parameters."""
    halos = {
        "median": denoise.radius_vx,
        "gaussian": math.ceil(4 * denoise.sigma_vx),
        "bilateral": denoise.window_vx,
        "nlm": denoise.patch_vx + denoise.window_vx,
        "tv": denoise.iterations,
    }
    return halos.get(method, 0)


def clean_up_halo(recipe: Recipe) -> int:
    """Return the voxels around a voxel on which its phase depends through clean-up.

    A ball reaches twice: to where it may lie, and from there.  All phases are opened, then all are
    closed, then holes are filled: the halos of the steps add up.
    """
    opening = max(int(phase.opening_vx) for phase in recipe.phases)
    closing = max(int(phase.closing_vx) for phase in recipe.phases)
    return 2 * opening + 2 * closing + max(phase.fill_holes_vx for phase in recipe.phases)


def plan_scan(
    scan_id: str,
    source: str,
    options: ReadOptions,
    header: VolumeHeader,
    recipe: Recipe,
    metadata: ScanMetadata,
    code_version: str,
    *,
    in_place: bool = False,
    expectation: Expectation | None = None,
) -> Plan:
    """Plan the whole way of a scan from its header alone.

    Parameters
    ----------
    scan_id : str
        Checked identifier of the scan.
    source : str
        What opens the source again, in any process.
    options : ReadOptions
        What the caller stated about the source.
    header : VolumeHeader
        Header of the source; it must state a voxel size.
    recipe : Recipe
        Parameters of the run.
    metadata : ScanMetadata
        Facts about the scan.
    code_version : str
        Version of the code, part of every stage key.
    in_place : bool
        Whether stages read the source itself, and ingest copies none of it.
    expectation : Expectation, optional
        How the phases should stand to each other in grey.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    PlanError
        If the volume is smaller than the halo of a filter.
    SourceError
        If no voxel size is known.
    """
    header.require_voxel_um()
    halo = denoise_halo(recipe) + slope_margin(recipe)
    if halo and min(header.shape) <= halo:
        raise PlanError(
            f"{header.location} of shape {header.shape} is not larger than the halo of "
            f"{halo} voxels that denoise.method={recipe.condition.denoise.method} reads.",
            "Scan a larger field, or set condition.denoise.method=none.",
        )
    stages = _plan_stages(header, options, recipe, halo, code_version, in_place, expectation)
    return Plan(
        scan_id=scan_id,
        source=source,
        options=options,
        header=header,
        recipe=recipe,
        metadata=metadata,
        code_version=code_version,
        stages=stages,
        in_place=in_place,
        expectation=expectation,
    )


def check_limits(plan: Plan, limits: Limits) -> None:
    """Refuse a plan that does not fit a machine.

    Raises
    ------
    PlanError
        If the projected memory of a worker or the disk exceeds what there is.
    """
    if limits.worker_bytes is not None and plan.worker_bytes > limits.worker_bytes:
        worst = max(plan.stages, key=lambda stage: stage.worker_bytes)
        raise PlanError(
            f"stage {worst.name} of {plan.scan_id} needs {worst.worker_bytes / MIB:.0f} MiB per "
            f"worker with tiles of {plan.tile_shape}, but the limit is "
            f"{limits.worker_bytes / MIB:.0f} MiB.",
            _remedy(plan, limits.worker_bytes),
        )
    if limits.disk_free_bytes is not None and plan.disk_bytes > limits.disk_free_bytes:
        raise PlanError(
            f"{plan.scan_id} may need {plan.disk_bytes / MIB:.0f} MiB of disk, but only "
            f"{limits.disk_free_bytes / MIB:.0f} MiB are free in the workspace.",
            "Free some space or name a --workspace on a larger disk.",
        )


def _remedy(plan: Plan, limit_bytes: int) -> str:
    """Return what makes a worker fit: smaller tiles help only above what it needs without any."""
    wanted = f"workers at least {-(-plan.worker_bytes // MIB)} MiB."
    if limit_bytes <= WORKER_BASE_BYTES or max(plan.tile_shape) <= 64:
        return f"Give {wanted}"
    edge = max(64, max(plan.tile_shape) // 64 * 32)
    tiles = f"--set 'tiling.tile_shape=[{edge},{edge},{edge}]'"
    return f"Set smaller tiles, such as {tiles}, or give {wanted}"


def _plan_stages(
    header: VolumeHeader,
    options: ReadOptions,
    recipe: Recipe,
    halo: int,
    code_version: str,
    in_place: bool,
    expectation: Expectation | None,
) -> tuple[StagePlan, ...]:
    tile_shape = fit_tile(recipe.tiling.tile_shape, header.shape)
    n_tiles = len(TileGrid(header.shape, tile_shape))
    tile = math.prod(tile_shape)
    haloed = math.prod(n + 2 * halo for n in tile_shape)
    shared = math.prod(n + 1 for n in tile_shape)
    # The edge rule reads a halo of grey and plain phases, padded once where it leaves the volume.
    # So do the tallies of quality, which also hold two more phase maps, one with its halo.
    edge, clean = EDGE_REACH_VX, clean_up_halo(recipe)
    edged = (2 * 3 + 2) * math.prod(n + 1 + 2 * (edge + clean) for n in tile_shape)
    # Clean-up: grey and phases with their halo, padded once where it leaves the volume; maps before
    # and after a step; a set before and after each pass, and squares of distances.
    cleaned = (2 + 8) * math.prod(n + 1 + 2 * clean for n in tile_shape) if clean else 0
    n, size = header.n_voxels, header.itemsize
    phases = len(recipe.particle_phases)
    # A compressed single-stream file is decoded whole, once a process: its reader says so.
    resident = int(header.attributes.get("resident_bytes", 0))
    scratch = _filter_scratch(recipe.condition.denoise, haloed)
    # Of a source in place only coarser levels are written: a seventh, with what all pyramids add.
    copied = n * size // 8 if in_place else n * size
    uneven, flat = _flatten_bytes(recipe, tile_shape, header, halo)
    # Bytes a tile holds at the same time in each stage; each term names an array of that stage,
    # and the storing of a shard holds its encoded copy once more.
    rows: list[tuple[str, int, int, int, int, int]] = [
        ("ingest", n_tiles, 0, n * size, copied, resident + 3 * tile * size + 8 * GREY_LEVELS),
    ]
    if header.dtype == "float32":
        rows.append(("survey", n_tiles, 0, n * size, 0, tile * (2 * size + 2) + 8 * GREY_LEVELS))
    if uneven:
        rows.append(("flatten", n_tiles, 0, n * size, 0, tile * (2 * size + 2) + uneven))
    rows += [
        (
            "condition",
            n_tiles,
            halo,
            n * size,
            n * 2,
            haloed * (2 * size + 2)
            + scratch
            + flat
            + tile * (2 + 2 + 1 + 2)
            + 8 * GREY_LEVELS
            # Filtered grey with its margin, its contiguous copy, and the mask of both.
            + slope_margin(recipe) * (haloed * (2 + 2 + 1 + 1) + 2 * 8 * GREY_LEVELS),
        ),
        ("segment", 0, 0, 0, 0, 0),
        (
            "label",
            n_tiles,
            1 + edge + clean,
            n * 2,
            n * 5,
            shared * (2 + 2 + 1 + 4 + 8 + 1)
            + tile * 10
            + edged
            + cleaned
            + _sample_bytes(header, recipe)
            # Regions between bodies on the shared layers of a tile, as found and as stored.
            + phases * 6 * 8 * shared // min(n + 1 for n in tile_shape),
        ),
        ("seams", n_tiles, 0, 0, 0, 12 * 4 * max(tile // min(tile_shape), 1)),
        ("reduce", 0, 0, 0, 0, 0),
        *_anatomy(recipe, n_tiles, n, tile),
        *_distances(header, recipe, tile_shape, n_tiles),
        ("statistics", 0, 0, 0, 0, 0),
        ("catalogue", 0, 0, 0, 0, 0),
        ("present", n_tiles, 0, n * 4, n * 4 * phases, tile * (4 + 4 + 8) + tile * size * 2),
    ]
    planned: list[StagePlan] = []
    # Without the voxel size: voxels are the same whatever their size, until bodies are measured.
    stated = {k: v for k, v in asdict(options).items() if k != "voxel_um"}
    key = hash_values(
        [header.location, header.shape, header.dtype, header.n_bytes, header.attributes, stated]
        + [tile_shape, code_version]
        + ["in place"] * in_place
    )
    for name, n_items, halo_vx, read, write, tile_bytes in rows:
        told = [expectation.model_dump(mode="json")] if expectation and name == "segment" else []
        key = hash_values([key, name, _parameters(recipe, name, header), *told])
        planned.append(
            StagePlan(
                name=name,
                n_tiles=n_items,
                halo_vx=halo_vx,
                read_bytes=read,
                write_bytes=write,
                worker_bytes=WORKER_BASE_BYTES + tile_bytes if n_items else 0,
                key=key,
            )
        )
    return tuple(planned)


def _anatomy(
    recipe: Recipe, n_tiles: int, n_voxels: int, tile: int
) -> list[tuple[str, int, int, int, int, int]]:
    """Return the row of the anatomy stage; none where nothing is asked of it."""
    asked = recipe.describe
    if not (asked.bending or asked.skeleton or asked.members):
        return []
    # A tile's local ids and rows; the same of a box, its mask, and what is made of that.
    # Members are sought in bodies that fill an eighth of the largest box at most.
    a_voxel = 4 + 4 + 1 + max(2 * asked.bending, 16 * asked.skeleton, 40 * asked.members)
    n_bytes = tile * (4 + 4) + asked.largest_box * a_voxel
    return [("anatomy", n_tiles, 0, n_voxels * 4, 0, n_bytes)]


def _distances(
    header: VolumeHeader, recipe: Recipe, tile_shape: Triple, n_tiles: int
) -> list[tuple[str, int, int, int, int, int]]:
    """Return the row of the distances stage; none where the recipe asks for no distances."""
    if not recipe.describe.distances:
        return []
    voxel_um = header.require_voxel_um()
    if recipe.describe.curvature and max(voxel_um) > MOST_OBLONG * min(voxel_um):
        raise PlanError(
            f"{header.location} has voxels of {voxel_um} um, longer than {MOST_OBLONG:g} times "
            "their shortest edge, on which describe.curvature cannot be told.",
            "Set describe.curvature=false.",
        )
    halo, most = distance_bytes(recipe, voxel_um, tile_shape)
    return [("distances", n_tiles, halo, header.n_voxels * 4, 0, most)]


def _sample_bytes(header: VolumeHeader, recipe: Recipe) -> int:
    """Return the bytes of a tile's counts on blocks, kept twice while they are written."""
    tile_shape = fit_tile(recipe.tiling.tile_shape, header.shape)
    n = len(recipe.phases)
    block = block_edge_vx(header.shape, SAMPLE_BLOCKS)
    wide = block_edge_vx(header.shape, CONTACT_BLOCKS)
    blocks = math.prod(-(-edge // block) + 1 for edge in tile_shape)
    contacts = math.prod(-(-edge // wide) + 1 for edge in tile_shape)
    return 2 * (4 * n * blocks + 8 * n * n * (contacts + 13))


def _filter_scratch(denoise: Denoise, haloed: int) -> int:
    """Return the bytes that a filter holds beside its input and its output."""
    # The median of an `auto` recipe copies a tile whose halo is wider than it reads.
    terms = {
        "gaussian": 4 * haloed,
        "nlm": 4 * MIB,
        "auto": 4 * MIB + 2 * haloed,
        # Planes of every iteration in flight, of 128 rows of 384 voxels and their halo.
        "tv": 4 * 384 * (128 + 2 * denoise.iterations) * (5 * denoise.iterations + 9),
    }
    return terms.get(denoise.method, 0)


def _flatten_bytes(
    recipe: Recipe, tile_shape: Triple, header: VolumeHeader, halo: int
) -> tuple[int, int]:
    """Return what counting the matrix holds beside a tile, and what correcting it does."""
    if not recipe.condition.artefacts:
        return 0, 0
    nz, ny, nx = tile_shape
    diagonal = header.shape[1] + header.shape[2]
    # Tables of planes and of radii, with the copy that is stored; maps of a plane; the mask.
    tables = 2 * 4 * EVENNESS_CELLS * nz + 2 * 4 * 2 * EVENNESS_BINS * diagonal
    blocks = 2 * min(math.prod(-(-n // 4) for n in header.shape), 1 << 24)
    wz, wy, wx = (n + 2 * halo for n in tile_shape)
    return tables + 48 * ny * nx + blocks, 2 * wz * wy * wx + 64 * wy * wx


def _parameters(recipe: Recipe, stage: str, header: VolumeHeader) -> object:
    """Return what a stage's result depends on beyond its predecessors."""
    condition, phases = recipe.condition, recipe.phases
    parts: dict[str, object] = {
        "ingest": [condition.mask, condition.open_pores_vx, condition.nonfinite],
        "survey": bool(condition.artefacts),
        "flatten": condition.model_dump(mode="json", exclude={"denoise"}),
        "condition": [condition.model_dump(mode="json"), slope_margin(recipe)],
        "segment": [recipe.segment.model_dump(mode="json"), [phase.kind for phase in phases]],
        "label": [
            recipe.label.connectivity,
            [phase.model_dump(mode="json") for phase in phases],
            [float(edge) for edge in header.require_voxel_um()],
        ],
        "reduce": list(recipe.load_axis),
        "anatomy": recipe.describe.model_dump(mode="json"),
        "distances": recipe.describe.model_dump(mode="json"),
        "statistics": recipe.statistics.model_dump(mode="json"),
    }
    return parts.get(stage)
