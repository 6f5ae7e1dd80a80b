"""Which reader opens what: the one door through which volumes come in."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.errors import SourceError
from pipeline.model.header import ReadOptions
from pipeline.readers import hdf5, image, tiff
from pipeline.readers.hdf5 import open_hdf5
from pipeline.readers.image import open_image
from pipeline.readers.ngff import is_zarr, open_zarr
from pipeline.readers.npy import open_npy
from pipeline.readers.raw import open_raw, sidecar_path
from pipeline.readers.source import Source
from pipeline.readers.tiff import open_tiff, open_tiff_folder

RAW_SUFFIXES = (".raw", ".bin", ".vol", ".img")

TAKEN = (
    "a folder of TIFF slices, a TIFF file (.tif .tiff .btf), HDF5 (.h5 .hdf5 .nxs), MetaImage "
    "(.mha .mhd), NRRD (.nrrd .nhdr), NIfTI (.nii .nii.gz), a Zarr folder, .npy, or raw voxels "
    "(.raw .bin .vol .img)"
)

# A path inside a container, after the colon that follows the container's suffix.
INSIDE = re.compile(r"(?P<file>.+\.(?:h5|hdf5?|he5|nxs|nx5)):(?P<inside>.*)", re.IGNORECASE)

DEFAULT_OPTIONS = ReadOptions()


def open_source(spec: str, options: ReadOptions = DEFAULT_OPTIONS) -> Source:
    """Open a volume, whatever its format; no voxel is read.

    Parameters
    ----------
    spec : str
        A file, a folder of slices, a Zarr folder, or a container with a path such as
        ``scan.h5:/entry/data/data``.
    options : ReadOptions, optional
        What the caller states: the voxel size goes before the file's; shape, dtype, byte order
        and offset are for raw files, and refused for all others.

    Returns
    -------
    Source
        Picklable; its voxel size may be unknown (`VolumeHeader.require_voxel_um` refuses then).

    Raises
    ------
    SourceError
        Nothing there, a format that is not known, or a volume that cannot be taken.
    """
    path, inside = _split(spec)
    if not path.exists():
        raise SourceError(f"there is no file or folder {path}.", "Check the path.")
    if path.is_dir():
        _refuse_raw_options(path, options)
        return open_zarr(path, options) if is_zarr(path) else _open_folder(path, options)
    name = path.name.lower()
    stated = options.shape is not None or options.dtype is not None or sidecar_path(path).is_file()
    known = _known(name)
    if name.endswith(RAW_SUFFIXES) or (not known and stated):
        return open_raw(path, options)
    if not known:
        raise SourceError(
            f"{path} is of an unknown format (suffix {path.suffix or 'none'}), wanted {TAKEN}.",
            "Raw voxels under any suffix: give --shape and --dtype.",
        )
    _refuse_raw_options(path, options)
    if path.stat().st_size == 0:
        raise SourceError(f"{path} is empty: 0 bytes.", "Copy it again from the original.")
    if name.endswith(hdf5.SUFFIXES):
        return open_hdf5(path, inside, options)
    if name.endswith(tiff.SUFFIXES):
        return open_tiff(path, options)
    return open_npy(path, options) if name.endswith(".npy") else open_image(path, options)


def _known(name: str) -> bool:
    return name.endswith((*hdf5.SUFFIXES, *tiff.SUFFIXES, *image.SUFFIXES, ".npy"))


def _split(spec: str) -> tuple[Path, str]:
    """Tell a container from the path inside it; a file that really has that name goes first."""
    match = INSIDE.fullmatch(spec)
    if match is None or Path(spec).exists():
        return Path(spec), ""
    return Path(match["file"]), match["inside"]


def _open_folder(folder: Path, options: ReadOptions) -> Source:
    entries = [entry for entry in folder.iterdir() if not entry.name.startswith(".")]
    slices = [e.name for e in entries if e.is_file() and e.name.lower().endswith(tiff.SUFFIXES)]
    if not entries:
        raise SourceError(f"folder {folder} is empty.", f"Name {TAKEN}.")
    if not slices:
        names = ", ".join(sorted(e.name for e in entries)[:5])
        raise SourceError(
            f"folder {folder} holds no TIFF slice and is no Zarr array; it holds {names}"
            f"{', ...' if len(entries) > 5 else ''}.",
            "Name one of its files or folders.",
        )
    if len(slices) == 1:
        raise SourceError(
            f"folder {folder} holds a single TIFF file, {slices[0]}, wanted two slices or more.",
            f"Name a multi-page file itself: {folder / slices[0]}",
        )
    return open_tiff_folder(folder, slices, options)


def _refuse_raw_options(path: Path, options: ReadOptions) -> None:
    given = [
        name
        for name in ("shape", "dtype", "byte_order", "offset_bytes")
        if getattr(options, name) is not None
    ]
    if given:
        raise SourceError(
            f"{', '.join(given)} cannot be stated for {path}: its format says them itself.",
            "Leave these options out; they are for raw files.",
        )
