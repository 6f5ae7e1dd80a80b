"""Options that several commands take, each with one meaning."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from pipeline.errors import UsageError
from pipeline.model.grid import Triple
from pipeline.model.header import Ingest

Workspace = Annotated[
    Path | None,
    typer.Option(
        help="Folder that holds everything made [default: CASTCENSUS_WORKSPACE, "
        "or ./castcensus-workspace].",
        show_default=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON on standard output.")]
Version = Annotated[
    int | None,
    typer.Option("--as-of", metavar="VERSION", help="An older version.", show_default=False),
]
Where = Annotated[
    str,
    typer.Option(
        metavar="SQL",
        help="Only scans that fit a condition on columns of scans.",
        show_default=False,
    ),
]
OnePhase = Annotated[
    str, typer.Option("--phase", help="Only that phase [default: all].", show_default=False)
]
WithBorder = Annotated[bool, typer.Option("--with-border", help="Count cut particles, too.")]
RowFormat = Annotated[
    Literal["table", "csv", "json", "parquet"], typer.Option("--format", help="Of the rows.")
]
Source = Annotated[
    str,
    typer.Argument(
        help="A file, a folder of slices, or a container such as scan.h5:/entry/data/data.",
        show_default=False,
    ),
]
RecipeName = Annotated[
    str | None,
    typer.Option("--recipe", help="Name of a shipped recipe, or a YAML file.", show_default=False),
]
Overrides = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        help="Override a key of the recipe, such as segment.method=manual; repeatable.",
        show_default=False,
    ),
]
VoxelUm = Annotated[
    str | None,
    typer.Option(
        "--voxel-um",
        help="Edge length of a voxel in um: V or Z,Y,X. Goes before what the file states.",
        show_default=False,
    ),
]
MetadataFile = Annotated[
    Path | None,
    typer.Option(
        "--metadata",
        help="YAML file of facts [default: <file>.meta.yaml or scan.yaml beside the source].",
        show_default=False,
    ),
]
Shape = Annotated[str | None, typer.Option(help="Raw files: voxels Z,Y,X.", show_default=False)]
Dtype = Annotated[
    str | None,
    typer.Option(help="Raw files: uint8, int16, uint16 or float32.", show_default=False),
]
ByteOrder = Annotated[
    str | None, typer.Option(help="Raw files: little or big.", show_default=False)
]
OffsetBytes = Annotated[
    int | None, typer.Option(help="Raw files: bytes before the first voxel.", show_default=False)
]
IngestMode = Annotated[
    Ingest,
    typer.Option(
        "--ingest",
        help="auto: use a Zarr source in place where tiles consist of its whole chunks; "
        "copy: always copy.",
    ),
]
ClusterName = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        help="local (processes), threads, loop, or a YAML file.",
        show_default=False,
    ),
]
Workers = Annotated[
    int | None,
    typer.Option(min=1, help="Workers [default: what cores and memory allow].", show_default=False),
]
MemoryLimit = Annotated[
    str | None,
    typer.Option(help="Memory of one worker, such as 2GiB.", show_default=False),
]


def read_triple(text: str | None, option: str) -> Triple | None:
    """Return three whole numbers written Z,Y,X, or one that stands for all.

    Raises
    ------
    UsageError
        If they are not whole and positive.

    Examples
    --------
    >>> read_triple("64", "--size"), read_triple("10,20,30", "--shape")
    ((64, 64, 64), (10, 20, 30))
    """
    if text is None:
        return None
    parts = [part.strip() for part in text.split(",")]
    edges = [int(part) for part in parts if part.isascii() and part.isdigit() and int(part) > 0]
    if len(edges) != len(parts) or len(edges) not in (1, 3):
        raise UsageError(f"{option} {text!r} wants positive whole numbers: Z,Y,X.")
    return (edges[0], edges[0], edges[0]) if len(edges) == 1 else (edges[0], edges[1], edges[2])
