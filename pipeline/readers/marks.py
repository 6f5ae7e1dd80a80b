"""How formats are known before the libraries that read them are loaded."""

from __future__ import annotations

from pathlib import Path

DICOM_SUFFIXES = (".dcm", ".dicom", ".dic", ".dcn", ".ima")
HDF5_SUFFIXES = (".h5", ".hdf5", ".hdf", ".he5", ".nxs", ".nx5")
IMAGE_SUFFIXES = (".mha", ".mhd", ".nrrd", ".nhdr", ".nii", ".nii.gz")

DICOM_MARK_AT = 128

ZARR_MARKS = ("zarr.json", ".zgroup", ".zarray")
"""Files that make a folder a Zarr array or group."""


def is_dicom(path: Path) -> bool:
    """Say whether a file has the mark of DICOM; one that cannot be read has not."""
    try:
        with path.open("rb") as file:
            file.seek(DICOM_MARK_AT)
            return file.read(4) == b"DICM"
    except OSError:
        return False


def is_zarr(folder: Path) -> bool:
    """Say whether a folder is a Zarr array or group."""
    return any((folder / mark).is_file() for mark in ZARR_MARKS)
