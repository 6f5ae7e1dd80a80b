"""Raw binary volumes: voxels in C order, described by a YAML file beside them or by options."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

from pipeline.errors import SourceError
from pipeline.model.header import DTYPES, ReadOptions
from pipeline.readers.filesource import make_header
from pipeline.readers.flat import FlatSource, check_size
from pipeline.readers.units import Voxel, voxel_of

KEYS = ("shape", "dtype", "byte_order", "offset_bytes", "voxel_um")
REMEDY = (
    "Give --shape Z,Y,X and --dtype, or write a file {} with the keys "
    f"{', '.join(KEYS)} (the last three may be left out)."
)


def sidecar_path(path: Path) -> Path:
    """Return where the description of a raw file is looked for: its full name and ``.yaml``.

    Examples
    --------
    >>> sidecar_path(Path("scan.raw")).name
    'scan.raw.yaml'
    """
    return path.with_name(path.name + ".yaml")


def open_raw(path: Path, options: ReadOptions) -> FlatSource:
    """Open a raw file; each option goes before the same key of the description.

    ``byte_order`` is ``little`` and ``offset_bytes`` 0 where neither says otherwise.

    Parameters
    ----------
    path : Path
        The file of voxels; ``<path>.yaml`` may describe it.
    options : ReadOptions
        Shape, dtype, byte order, offset, voxel size.

    Returns
    -------
    FlatSource
        Boxes cost what that class says.

    Raises
    ------
    SourceError
        No shape or dtype, an unknown key, a value that does not fit, or a file that is shorter or
        longer than they say.
    """
    stated = _sidecar(path)
    shape = options.shape if options.shape is not None else stated.get("shape")
    dtype = options.dtype if options.dtype is not None else stated.get("dtype")
    missing = [key for key, value in (("shape", shape), ("dtype", dtype)) if value is None]
    if missing:
        raise SourceError(
            f"{path} is a raw file of unknown {' and '.join(missing)}.",
            REMEDY.format(sidecar_path(path).name),
        )
    if options.byte_order is not None:
        byte_order = options.byte_order
    else:
        byte_order = stated.get("byte_order", "little")
    offset = options.offset_bytes
    if offset is None:
        offset = stated.get("offset_bytes", 0)
    _check_values(path, shape, dtype, byte_order, offset)
    header = make_header(
        str(path),
        "raw",
        shape or (),
        str(dtype),
        voxel_um=_voxel(path, stated.get("voxel_um")),
        n_bytes=path.stat().st_size,
        options=options,
        attributes={"byte_order": byte_order, "offset_bytes": str(offset)},
    )
    check_size(path, offset, header, exact=True)
    return FlatSource(header, path, offset, "<" if byte_order == "little" else ">")


def _sidecar(path: Path) -> dict[str, Any]:
    side = sidecar_path(path)
    if not side.is_file():
        return {}
    try:
        stated = yaml.safe_load(side.read_text(encoding="utf-8"))
    except (yaml.YAMLError, OSError, UnicodeDecodeError) as err:
        raise SourceError(f"{side} is not readable YAML: {err}.", REMEDY.format(side.name)) from err
    if not isinstance(stated, dict):
        raise SourceError(
            f"{side} holds {type(stated).__name__}, wanted keys and values.",
            REMEDY.format(side.name),
        )
    unknown = [str(key) for key in stated if key not in KEYS]
    if unknown:
        raise SourceError(
            f"{side} has the unknown key {', '.join(unknown)}, wanted only {', '.join(KEYS)}.",
            "Correct or remove it.",
        )
    return stated


def _check_values(path: Path, shape: Any, dtype: Any, byte_order: Any, offset: Any) -> None:
    def refuse(key: str, got: Any, wanted: str) -> SourceError:
        return SourceError(f"{key} of {path} is {got!r}, wanted {wanted}.", "Correct it.")

    def whole(value: Any) -> bool:
        return isinstance(value, int) and not isinstance(value, bool)

    if not isinstance(shape, list | tuple) or not all(whole(n) for n in shape):
        raise refuse("shape", shape, "three whole numbers [z, y, x]")
    if dtype not in DTYPES:
        raise refuse("dtype", dtype, f"one of {', '.join(DTYPES)}")
    if byte_order not in {"little", "big"}:
        raise refuse("byte_order", byte_order, "little or big")
    if not whole(offset) or offset < 0:
        raise refuse("offset_bytes", offset, "a whole number of at least 0")


def _voxel(path: Path, value: Any) -> Voxel | None:
    if value is None:
        return None
    voxel = voxel_of(value, "um")
    if voxel is None:
        raise SourceError(
            f"voxel_um of {sidecar_path(path)} is {value!r}, wanted one number or three [z, y, x].",
            "Correct it.",
        )
    return voxel
