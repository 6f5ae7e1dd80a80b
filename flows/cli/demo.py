"""``castcensus demo``."""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from flows.cli import options
from flows.cli.console import say
from flows.cli.driving import drive
from flows.jobs.planning import plan_source
from flows.jobs.status import JobResult
from flows.jobs.submission import Wishes, create_job
from flows.settings import find_cluster, find_recipe, load_settings, read_machine
from pipeline.model.recipe import OUTSIDE
from pipeline.phantom.specimen import SpecimenSpec, Temper
from pipeline.phantom.truth import Census
from pipeline.phantom.writer import write_specimen
from pipeline.report.pictures import Shown, write_pictures
from pipeline.report.scan.dossier import write_report
from pipeline.report.truth import TruthRow, compare_truth
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.volume import open_volume

SPECIMEN = "bracket-07"
SCANS: dict[Temper, str] = {"F": "bracket-07-F", "T6": "bracket-07-T6"}
TITLES: dict[Temper, str] = {"F": "F, as cast", "T6": "T6, heat treated"}
VOXEL_UM = 0.8
SEED = 7
RECIPE = "cast-al-si-cu"
SIZE_MIN, SIZE_MAX = 64, 1024


@dataclass(frozen=True, slots=True)
class DemoScan:
    """One of the two simulated scans on disk.

    Parameters
    ----------
    spec : SpecimenSpec
        What was simulated.
    folder : Path
        Its TIFF slices, with ``scan.yaml``, the truth and the exact phase map.
    """

    spec: SpecimenSpec
    folder: Path

    @property
    def census(self) -> Census:
        """True voxels of each phase."""
        truth = json.loads((self.folder / "truth.json").read_bytes())
        return Census({name: int(n) for name, n in truth["n_voxels"].items()})

    @property
    def is_there(self) -> bool:
        """Whether exactly this was simulated before."""
        try:
            truth = json.loads((self.folder / "truth.json").read_bytes())
        except (OSError, ValueError):
            return False
        return bool(truth.get("specimen") == json.loads(json.dumps(asdict(self.spec))))


def demo(
    size: Annotated[
        int, typer.Option(min=SIZE_MIN, max=SIZE_MAX, help="Voxels along an edge.")
    ] = 256,
    workspace: options.Workspace = None,
) -> None:
    """Simulate a specimen as cast and heat treated, count both, set them beside the truth.

    Running it again replaces the two scans and nothing else in the workspace.

    Example:  castcensus demo --workspace try
    """
    place = load_settings(workspace).workspace
    say(
        f"Bracket 07, cast of the invented recycled alloy CC-319R: simulated in {place}, "
        f"as cast (F) and after heat treatment (T6), {size} voxels an edge of {VOXEL_UM:g} um."
    )
    scans = {temper: simulate_scan(place, temper, size) for temper in SCANS}
    results = {temper: count_scan(scan, place, size) for temper, scan in scans.items()}
    rows = {temper: read_truth(scan, place) for temper, scan in scans.items()}
    console = Console()
    console.print(tabulate_truth(rows), "")
    folder = place / "reports" / "demo"
    shown = Shown(place, {SCANS[temper]: TITLES[temper] for temper in SCANS})
    jobs = {result.scan: result.job for result in results.values()}
    pictures = write_pictures(shown, jobs, folder, "iron-rich")
    # The page and its numbers; the command `report` writes figures and tables as files too.
    pages = [write_report(place, scan, formats=("html", "json"))[0] for scan in SCANS.values()]
    tell_limits(console)
    console.print("Reports:", highlight=False)
    for page in pages:
        console.print(f"  {page}", highlight=False, soft_wrap=True)
    console.print("Pictures:", highlight=False)
    for picture in pictures:
        console.print(f"  {picture}", highlight=False, soft_wrap=True)
    tell_next(console, place)


def simulate_scan(place: Path, temper: Temper, size: int) -> DemoScan:
    """Simulate one scan, unless the same is there from an earlier demonstration."""
    spec = SpecimenSpec((size, size, size), VOXEL_UM, seed=SEED, temper=temper)
    scan = DemoScan(spec, place / "demo" / SCANS[temper])
    if scan.is_there:
        say(f"{scan.folder} is there from before.")
        return scan
    if scan.folder.exists():
        # Ours alone: the folder bears the name of the demonstration's own scan.
        shutil.rmtree(scan.folder)
    with Progress(console=Console(stderr=True), transient=True) as bars:
        bar = bars.add_task(f"simulate {temper}")
        made = write_specimen(
            spec,
            scan.folder,
            with_phases=True,
            on_progress=lambda done, total: bars.update(bar, completed=done, total=total),
            n_threads=min(read_machine().n_cores, 4),
        )
    say(f"{made.n_bodies} bodies simulated in {scan.folder}")
    return scan


def count_scan(scan: DemoScan, place: Path, size: int) -> JobResult:
    """Count a scan as `castcensus submit` does, in tiles of half an edge."""
    edge = max(32, -(-size // 2))
    plan = plan_source(
        str(scan.folder),
        SCANS[scan.spec.temper],
        find_recipe(RECIPE, [f"tiling.tile_shape=[{edge},{edge},{edge}]"]),
        facts={"specimen": SPECIMEN},
    )
    cluster = find_cluster(load_settings(place).cluster)
    result = drive(create_job(plan, place, cluster, Wishes(replace=True)))
    say(
        f"{result.scan} counted in {result.seconds:.1f} s: "
        + ", ".join(f"{n:,} {phase}" for phase, n in result.particles.items())
    )
    return result


def read_truth(scan: DemoScan, place: Path) -> list[TruthRow]:
    """Return the rows of the catalogue beside the truth."""
    recipe = find_recipe(RECIPE)
    phase_rows = Catalogue(place / "catalogue").read("phases", SCANS[scan.spec.temper])
    exact = np.asarray(open_volume(scan.folder / "phases.zarr" / "0")[...])
    store = place / "scans" / f"{SCANS[scan.spec.temper]}.zarr"
    searched = np.asarray(open_volume(store / "labels" / "phases" / "0")[...]) != OUTSIDE
    return compare_truth(
        phase_rows.to_pylist(),
        scan.census,
        exact,
        searched,
        scan.spec.voxel_um,
        recipe.label.connectivity,
    )


def tabulate_truth(rows: Mapping[Temper, list[TruthRow]]) -> Table:
    """Return the census beside the truth as a table for a terminal."""
    table = Table(box=None, pad_edge=False, title="Census beside truth", title_justify="left")
    table.add_column("phase", no_wrap=True)
    table.add_column("temper")
    for name in ("volume %", "true there", "of all %", "bodies", "true", "largest um3", "true um3"):
        table.add_column(name, justify="right", no_wrap=True)
    phases = [row.phase for row in rows["F"]]
    for i, phase in enumerate(phases):
        for temper, of_temper in rows.items():
            row = of_temper[i]
            table.add_row(
                phase if temper == "F" else "",
                temper,
                f"{100 * row.fraction:.3f}",
                f"{100 * row.true_fraction_searched:.3f}",
                f"{100 * row.true_fraction:.3f}",
                f"{row.n_particles:,}",
                f"{row.n_true:,}",
                f"{row.largest_um3:,.0f}",
                f"{row.largest_true_um3:,.0f}",
                end_section=temper == "T6",
            )
    return table


def tell_limits(console: Console) -> None:
    """Say what the two sides of the table are, and what parts them."""
    smallest = find_recipe(RECIPE).phases[0].min_voxels
    console.print(
        f"Bodies are connected ones of at least {smallest} voxels: platelets that cross or touch "
        "are one, in the census as in the truth, whose exact phase map is labelled the same way. "
        "The census leaves out the outermost 2 voxels of the skin, where half-filled voxels would "
        "pass for pores: 'true there' is true of what it searched, 'of all' and the true bodies of "
        "the whole specimen. Pores open to the surface end at that skin, and those only a "
        "few voxels deep, or too wide to be told from the specimen's shape, are missed.\n",
        highlight=False,
    )


def tell_next(console: Console, place: Path) -> None:
    """Say what to try next."""
    where = f" --workspace {shlex.quote(str(place))}"
    largest = (
        "SELECT scan_id, particle_id, volume_um3, sphericity FROM particles "
        "WHERE phase = 'iron-rich' ORDER BY volume_um3 DESC LIMIT 10"
    )
    for line in (
        "Next:",
        f"  castcensus scans{where}",
        f"  castcensus show {SCANS['F']}{where}",
        f'  castcensus query "{largest}"{where}',
        f"  castcensus fingerprint {SCANS['F']}{where}",
        "  castcensus plan YOUR-SLICES/ --voxel-um V",
        f"  castcensus submit YOUR-SLICES/ --scan ID --voxel-um V{where}",
        "  castcensus verify",
    ):
        console.print(line, highlight=False, soft_wrap=True, markup=False)
