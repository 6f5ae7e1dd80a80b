"""What a DICOM or DICONDE file says of its frames: where they lie, where they stood, their scale.

DICONDE (ASTM E2339, E2767 for CT) keeps the file format, the tags and the millimetres of DICOM.
Single-frame files carry one set of values; multi-frame (enhanced CT) ones carry functional groups,
shared by all frames or one for each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.errors import InvalidDicomError

from pipeline.errors import SourceError
from pipeline.readers.filesource import READ_ERRORS

DICOM_ERRORS = (InvalidDicomError, *READ_ERRORS, TypeError, AttributeError, NotImplementedError)

REDO = "Copy the file again from the original, or export the series again."

UNENCODED = {
    "1.2.840.10008.1.2": "<",
    "1.2.840.10008.1.2.1": "<",
    "1.2.840.10008.1.2.2": ">",
}
"""Transfer syntaxes whose voxels lie as they are, with their byte order."""

ENCODED = {
    "1.2.840.10008.1.2.4.57": "JPEG lossless",
    "1.2.840.10008.1.2.4.70": "JPEG lossless",
    "1.2.840.10008.1.2.4.80": "JPEG-LS",
    "1.2.840.10008.1.2.4.81": "JPEG-LS near-lossless",
    "1.2.840.10008.1.2.4.90": "JPEG 2000",
    "1.2.840.10008.1.2.4.91": "JPEG 2000 lossy",
    "1.2.840.10008.1.2.5": "RLE",
}
"""Transfer syntaxes that are decoded, with their names (DICOM PS3.5, annex A)."""

FLOAT_PIXELS, PIXELS = 0x7FE00008, 0x7FE00010
UNDEFINED_BYTES = 0xFFFFFFFF

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Stored:
    """How the pixels of a file are stored; alike in all files of a volume.

    Parameters
    ----------
    n_rows, n_columns : int
        Shape of a frame.
    n_bits, n_bits_used : int
        Bits of a stored pixel, and how many of them (the low ones) hold its value.
    kind : str
        ``u``, ``i`` or ``f``.
    """

    n_rows: int
    n_columns: int
    n_bits: int
    n_bits_used: int
    kind: str

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame that is not encoded."""
        return self.n_rows * self.n_columns * self.n_bits // 8

    @property
    def limits(self) -> tuple[int, int]:
        """Lowest and highest value of whole numbers."""
        if self.kind == "i":
            return -(1 << (self.n_bits_used - 1)), (1 << (self.n_bits_used - 1)) - 1
        return 0, (1 << self.n_bits_used) - 1

    def __str__(self) -> str:
        kind = {"u": "unsigned", "i": "signed", "f": "floating"}[self.kind]
        return f"{self.n_rows} x {self.n_columns} pixels of {self.n_bits_used} bits, {kind}"


@dataclass(frozen=True, slots=True)
class Frame:
    """One plane of a volume.

    Parameters
    ----------
    path : Path
        Its file.
    index : int
        Its position in the file.
    number : int or None
        InstanceNumber, or the position in a stack.
    position_mm : tuple of float or None
        ImagePositionPatient: centre of the first pixel.
    decimals : int
        Places after the point to which the position is written.
    orientation : tuple of float or None
        Direction of a row, then of a column.
    spacing_mm : tuple of float or None
        Distance of rows, then of columns.
    step_mm : float or None
        SpacingBetweenSlices.
    slope, intercept : float
        Grey = slope * stored + intercept.
    """

    path: Path
    index: int
    number: int | None
    position_mm: Vector | None
    decimals: int
    orientation: tuple[float, ...] | None
    spacing_mm: tuple[float, float] | None
    step_mm: float | None
    slope: float
    intercept: float


@dataclass(frozen=True, slots=True)
class DicomFile:
    """What the header of one file says.

    Parameters
    ----------
    path : Path
        The file.
    n_bytes : int
        Its size.
    series : str
        SeriesInstanceUID.
    syntax : str
        UID of the transfer syntax.
    offset_bytes : int
        Where the pixels, or the first item of encoded ones, lie.
    stored : Stored
        How a pixel is stored.
    frames : tuple of Frame
        Its planes in stored order.
    facts : dict of str to str
        Further facts, for provenance; none about persons.
    """

    path: Path
    n_bytes: int
    series: str
    syntax: str
    offset_bytes: int
    stored: Stored
    frames: tuple[Frame, ...]
    facts: dict[str, str]


def read_dicom_file(path: Path) -> DicomFile | None:
    """Read the header of a file; a millisecond or two, and no pixel.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    DicomFile or None
        None for an object without pixels (an index, a report).

    Raises
    ------
    SourceError
        Not readable, truncated, no grey-scale image, an encoding that is not taken.
    """
    try:
        n_bytes = path.stat().st_size
        with path.open("rb") as file:
            dataset = dcmread(file, stop_before_pixels=True)
            syntax = str(dataset.file_meta.get("TransferSyntaxUID", ""))
            if not _is_image(path, dataset):
                return None
            order = _check_syntax(path, dataset, syntax)
            tag, offset, length = _pixel_element(file, order, syntax == "1.2.840.10008.1.2")
        stored = _stored(path, dataset, tag)
        frames = tuple(_frames(path, dataset))
    except DICOM_ERRORS as err:
        raise SourceError(f"{path} is no readable DICOM file: {err}.", REDO) from err
    _check_length(path, syntax, stored.frame_bytes * len(frames), offset, length, n_bytes)
    return DicomFile(
        path=path,
        n_bytes=n_bytes,
        series=str(dataset.get("SeriesInstanceUID", "")),
        syntax=syntax,
        offset_bytes=offset,
        stored=stored,
        frames=frames,
        facts=_facts(dataset, syntax),
    )


def _is_image(path: Path, dataset: Dataset) -> bool:
    """Tell an image from an object without pixels; refuse one cut off before its shape."""
    if "Rows" in dataset:
        return True
    kind = dataset.file_meta.get("MediaStorageSOPClassUID")
    if kind is None or "Image" in kind.name:
        raise SourceError(
            f"{path} is truncated, or states no rows: {path.stat().st_size} bytes.", REDO
        )
    return False


def _check_syntax(path: Path, dataset: Dataset, syntax: str) -> str:
    if syntax not in UNENCODED and syntax not in ENCODED:
        raise SourceError(
            f"{path} is encoded as {dataset.file_meta.TransferSyntaxUID.name} ({syntax}), wanted "
            f"uncompressed, {', '.join(sorted(set(ENCODED.values())))}.",
            "Export the series uncompressed or losslessly compressed.",
        )
    return UNENCODED.get(syntax, "<")


def _pixel_element(file: Any, order: str, implicit: bool) -> tuple[int, int, int]:
    """Return tag, offset and length of the element at which reading stopped (PS3.5, 7.1)."""
    endian: Any = "little" if order == "<" else "big"
    start = file.read(8)
    group, element = (int.from_bytes(start[k : k + 2], endian) for k in (0, 2))
    tag = group << 16 | element
    if tag not in {FLOAT_PIXELS, PIXELS}:
        raise ValueError(f"no pixels, but element {tag:08X} after the header")
    length = int.from_bytes(start[4:8] if implicit else file.read(4), endian)
    return tag, int(file.tell()), length


def _stored(path: Path, dataset: Dataset, tag: int) -> Stored:
    samples = int(dataset.get("SamplesPerPixel", 1))
    photometric = str(dataset.get("PhotometricInterpretation", ""))
    if samples != 1 or photometric not in {"MONOCHROME1", "MONOCHROME2"}:
        raise SourceError(
            f"{path} is no grey-scale image: {samples} samples a pixel, "
            f"{photometric or 'unknown'}.",
            "Export grey-scale slices.",
        )
    if "ModalityLUTSequence" in dataset:
        raise SourceError(
            f"{path} turns stored values into grey by a table (ModalityLUTSequence).",
            "Export the series with rescale slope and intercept.",
        )
    n_bits = int(dataset.BitsAllocated)
    n_used = n_bits if tag == FLOAT_PIXELS else int(dataset.BitsStored)
    kind = "f" if tag == FLOAT_PIXELS else "ui"[int(dataset.PixelRepresentation)]
    if n_bits not in ({32} if kind == "f" else {8, 16}) or not 1 <= n_used <= n_bits:
        raise SourceError(
            f"{path} holds pixels of {n_bits} bits, wanted 8 or 16, or 32 of floating point.",
            "Export the series as 16-bit grey levels.",
        )
    if kind != "f" and int(dataset.get("HighBit", n_used - 1)) != n_used - 1:
        raise SourceError(
            f"{path} keeps its values in bits up to {dataset.HighBit}, wanted {n_used - 1}.",
            "Export the series with its values in the low bits.",
        )
    return Stored(int(dataset.Rows), int(dataset.Columns), n_bits, n_used, kind)


def _check_length(path: Path, syntax: str, wanted: int, offset: int, got: int, size: int) -> None:
    """Refuse a file that ends early, or whose pixels are not those of its rows and columns."""
    if syntax in ENCODED:
        if got != UNDEFINED_BYTES:
            raise SourceError(f"{path} says it is encoded, but its pixels are not.", REDO)
        return
    if size < offset + wanted:
        raise SourceError(
            f"{path} is truncated: got {size} bytes, wanted at least {offset + wanted}.", REDO
        )
    if not wanted <= got <= wanted + 1:
        raise SourceError(f"{path} holds {got} bytes of pixels, wanted {wanted}.", REDO)


def _frames(path: Path, dataset: Dataset) -> list[Frame]:
    n_frames = int(dataset.get("NumberOfFrames", 1) or 1)
    shared = _first(dataset, "SharedFunctionalGroupsSequence")
    each = list(dataset.get("PerFrameFunctionalGroupsSequence") or ())
    if each and len(each) != n_frames:
        raise SourceError(f"{path} describes {len(each)} of {n_frames} frames.", REDO)
    groups: list[Dataset | None] = [*each] if each else [None] * n_frames
    return [_frame(path, k, dataset, shared, own) for k, own in enumerate(groups)]


def _frame(
    path: Path, index: int, dataset: Dataset, shared: Dataset | None, own: Dataset | None
) -> Frame:
    """Gather what is said of a frame: by itself, by its file for all frames, or by the file."""

    def look(group: str, name: str) -> Any:
        for place in (own, shared):
            found = _first(place, group)
            if found is not None and found.get(name) is not None:
                return found.get(name)
        return dataset.get(name)

    position = look("PlanePositionSequence", "ImagePositionPatient")
    orientation = look("PlaneOrientationSequence", "ImageOrientationPatient")
    spacing = look("PixelMeasuresSequence", "PixelSpacing")
    step = look("PixelMeasuresSequence", "SpacingBetweenSlices")
    slope = look("PixelValueTransformationSequence", "RescaleSlope")
    intercept = look("PixelValueTransformationSequence", "RescaleIntercept")
    in_stack = look("FrameContentSequence", "InStackPositionNumber")
    number = in_stack if in_stack is not None else dataset.get("InstanceNumber")
    slope = 1.0 if slope is None else float(slope)
    intercept = 0.0 if intercept is None else float(intercept)
    if slope == 0.0 or not (math.isfinite(slope) and math.isfinite(intercept)):
        raise ValueError(f"rescale slope {slope} and intercept {intercept}")
    return Frame(
        path=path,
        index=index,
        number=None if number is None else int(number),
        position_mm=None if not position else _vector(position),
        decimals=max((_decimals(v) for v in position), default=0) if position else 0,
        orientation=None if not orientation else tuple(float(v) for v in orientation),
        spacing_mm=None if not spacing else (float(spacing[0]), float(spacing[1])),
        step_mm=None if step is None else abs(float(step)),
        slope=slope,
        intercept=intercept,
    )


def _first(dataset: Dataset | None, name: str) -> Dataset | None:
    items = dataset.get(name) if dataset is not None else None
    return items[0] if items else None


def _vector(values: Any) -> Vector:
    x, y, z = (float(v) for v in values)
    return (x, y, z)


def _decimals(value: Any) -> int:
    """Return the places after the point to which a decimal string is written."""
    try:
        exponent = Decimal(str(getattr(value, "original_string", value))).as_tuple().exponent
    except InvalidOperation:
        return 0
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _facts(dataset: Dataset, syntax: str) -> dict[str, str]:
    names = {
        "modality": "Modality",
        "manufacturer": "Manufacturer",
        "model": "ManufacturerModelName",
        "software": "SoftwareVersions",
        "kvp": "KVP",
        "series": "SeriesInstanceUID",
    }
    facts = {key: str(dataset.get(name)) for key, name in names.items() if dataset.get(name)}
    return facts | ({"encoding": ENCODED[syntax]} if syntax in ENCODED else {})
