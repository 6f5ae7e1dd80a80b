"""Which reader opens what: the one door through which volumes come in."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.errors import SourceError
from pipeline.model.header import ReadOptions
from pipeline.readers import tiff
from pipeline.readers.marks import (
    DICOM_SUFFIXES,
    HDF5_SUFFIXES,
    IMAGE_SUFFIXES,
    is_dicom,
    is_zarr,
)
from pipeline.readers.npy import open_npy
from pipeline.readers.raw import open_raw, sidecar_path
from pipeline.readers.source import Source
from pipeline.readers.tiff import open_tiff, open_tiff_folder

RAW_SUFFIXES = (".raw", ".bin", ".vol", ".img")
SELF_DESCRIBING = (*HDF5_SUFFIXES, *tiff.SUFFIXES, *IMAGE_SUFFIXES, ".npy")

TAKEN = (
    "a folder of TIFF slices or of a DICOM or DICONDE series, a TIFF file (.tif .tiff .btf), HDF5 "
    "(.h5 .hdf5 .nxs), multi-frame DICOM (.dcm), MetaImage (.mha .mhd), NRRD (.nrrd .nhdr), NIfTI "
    "(.nii .nii.gz), a Zarr folder, .npy, or raw voxels (.raw .bin .vol .img)"
)

# A path inside a container, after the colon that follows the container's suffix.
INSIDE = re.compile(r"(?P<file>.+\.(?:h5|hdf5?|he5|nxs|nx5)):(?P<inside>.*)", re.IGNORECASE)

N_NAMED = 5

DEFAULT_OPTIONS = ReadOptions()


def open_source(spec: str, options: ReadOptions = DEFAULT_OPTIONS) -> Source:
    """Open a volume, whatever its format; no voxel is read.

    Parameters
    ----------
    spec : str
        A file, a folder of slices, a Zarr folder, a folder that holds one volume file, or a
        container with a path such as ``scan.h5:/entry/data/data``.
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
        return _open_zarr(path, options) if is_zarr(path) else _open_folder(path, options)
    name = path.name.lower()
    stated = options.shape is not None or options.dtype is not None or sidecar_path(path).is_file()
    known = _known(path)
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
    if name.endswith(HDF5_SUFFIXES):
        return _open_hdf5(path, inside, options)
    if name.endswith(tiff.SUFFIXES):
        return open_tiff(path, options)
    if name.endswith(DICOM_SUFFIXES) or is_dicom(path):
        return _open_dicom(path, None, options)
    return open_npy(path, options) if name.endswith(".npy") else _open_image(path, options)


def _known(path: Path) -> bool:
    """Say whether a file is of a format that says itself how its voxels lie."""
    return path.name.lower().endswith((*SELF_DESCRIBING, *DICOM_SUFFIXES)) or is_dicom(path)


def _split(spec: str) -> tuple[Path, str]:
    """Tell a container from the path inside it; a file that really has that name goes first."""
    match = INSIDE.fullmatch(spec)
    if match is None or Path(spec).exists():
        return Path(spec), ""
    return Path(match["file"]), match["inside"]


def _open_folder(folder: Path, options: ReadOptions) -> Source:
    """Open a folder that is a series of slices, or that holds one volume beside other files."""
    entries = sorted(entry for entry in folder.iterdir() if not entry.name.startswith("."))
    if not entries:
        raise SourceError(f"folder {folder} is empty.", f"Name {TAKEN}.")
    files = [entry for entry in entries if entry.is_file()]
    slices = [f.name for f in files if f.name.lower().endswith(tiff.SUFFIXES)]
    if len(slices) > 1:
        return open_tiff_folder(folder, slices, options)
    described = [f for f in files if f.name.lower().endswith(SELF_DESCRIBING)]
    series = [f.name for f in files if f not in described and _is_slice(f)]
    if len(series) > 1:
        return _open_dicom(folder, series, options)
    raw = [f for f in files if f not in described and sidecar_path(f).is_file()]
    # Files go before Zarr folders: a phase map may lie beside the volume that it belongs to.
    volumes = [*described, *(folder / name for name in series), *raw]
    volumes = volumes or [e for e in entries if e.is_dir() and is_zarr(e)]
    if len(volumes) == 1:
        return _open_single(folder, volumes[0], options)
    if volumes:
        raise SourceError(
            f"folder {folder} holds {len(volumes)} volumes: {_names(volumes)}.",
            f"Name one of them, such as {volumes[0]}",
        )
    raise SourceError(
        f"folder {folder} holds no slice and no volume; it holds {_names(entries)}.",
        "Name one of its files or folders.",
    )


# The libraries of these formats take from a twentieth to a third of a second to load: only for
# those who have such a volume.


def _open_dicom(path: Path, names: list[str] | None, options: ReadOptions) -> Source:
    from pipeline.readers.dicom import open_dicom, open_dicom_folder  # noqa: PLC0415

    return open_dicom(path, options) if names is None else open_dicom_folder(path, names, options)


def _open_hdf5(path: Path, inside: str, options: ReadOptions) -> Source:
    from pipeline.readers.hdf5 import open_hdf5  # noqa: PLC0415

    return open_hdf5(path, inside, options)


def _open_image(path: Path, options: ReadOptions) -> Source:
    from pipeline.readers.image import open_image  # noqa: PLC0415

    return open_image(path, options)


def _open_zarr(path: Path, options: ReadOptions) -> Source:
    from pipeline.readers.ngff import open_zarr  # noqa: PLC0415

    return open_zarr(path, options)


def _is_slice(path: Path) -> bool:
    return path.name.lower().endswith(DICOM_SUFFIXES) or is_dicom(path)


def _open_single(folder: Path, path: Path, options: ReadOptions) -> Source:
    """Open the one volume of a folder; say of a single slice that it is one."""
    try:
        return open_source(str(path), options)
    except SourceError as error:
        if not path.name.lower().endswith((*tiff.SUFFIXES, *DICOM_SUFFIXES)):
            raise
        raise SourceError(
            f"folder {folder} holds a single slice or volume, {path.name}, which cannot be taken: "
            f"{error.what}",
            "Name a folder of two slices or more, or a file that holds a volume.",
        ) from error


def _names(paths: list[Path]) -> str:
    shown = ", ".join(path.name for path in paths[:N_NAMED])
    return f"{shown}, ..." if len(paths) > N_NAMED else shown


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
