"""How a DICOM file is known, without the library that reads it."""

from __future__ import annotations

from pathlib import Path

SUFFIXES = (".dcm", ".dicom", ".dic", ".dcn", ".ima")

MAGIC_AT = 128


def is_dicom(path: Path) -> bool:
    """Say whether a file has the mark of DICOM; one that cannot be read has not."""
    try:
        with path.open("rb") as file:
            file.seek(MAGIC_AT)
            return file.read(4) == b"DICM"
    except OSError:
        return False
