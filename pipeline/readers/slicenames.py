"""The order of a folder of slices, read from their names; a gap in it is refused."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from natsort import natsorted, ns

from pipeline.errors import SourceError

N_NAMED = 5
"""Missing slices that a message names one by one."""


def ordered_slices(folder: Path, names: Sequence[str]) -> list[str]:
    """Sort names of slices in natural order and check that none is missing.

    Names must be alike but for their numbers; the last number that varies is the number of the
    slice.  It may count in steps: the greatest common divisor of its differences, so that a lost
    slice leaves a gap wherever three or more remain.  The loss of the first or last slice leaves
    no gap, and cannot be seen.

    Parameters
    ----------
    folder : Path
        Where the names are, for messages.
    names : sequence of str
        Names of files with a suffix; at least two.

    Returns
    -------
    list of str
        The names, lowest slice first.

    Raises
    ------
    SourceError
        Names of several patterns, without a number or with the same number twice, or a gap: the
        missing names are said.

    Examples
    --------
    >>> ordered_slices(Path("scan"), ["s10.tif", "s9.tif", "s8.tif"])
    ['s8.tif', 's9.tif', 's10.tif']
    """
    ordered: list[str] = natsorted(names, alg=ns.IGNORECASE)
    parts = [_parts(name) for name in ordered]
    _check_patterns(folder, ordered, parts)
    varying = [k for k in range(1, len(parts[0]), 2) if len({int(p[k]) for p in parts}) > 1]
    if not varying:
        raise SourceError(
            f"the slices of {folder} carry no number that tells their order: {ordered[0]}, "
            f"{ordered[1]}.",
            "Number the slices: slice_0000.tif, slice_0001.tif, ...",
        )
    numbers = [int(p[varying[-1]]) for p in parts]
    for k in range(1, len(numbers)):
        if numbers[k] <= numbers[k - 1]:
            raise SourceError(
                f"{folder} holds more than one series of slices: {ordered[k]} follows "
                f"{ordered[k - 1]}.",
                "Keep one stack of slices in a folder.",
            )
    missing = _missing(numbers)
    if missing:
        shown = [_name_of(parts, varying[-1], numbers, n) for n in missing[:N_NAMED]]
        more = f" and {len(missing) - N_NAMED} more" if len(missing) > N_NAMED else ""
        raise SourceError(
            f"{folder} lacks {len(missing)} of {len(numbers) + len(missing)} slices: "
            f"{', '.join(shown)}{more}.",
            "Copy the missing slices, or renumber the others if they are one volume.",
        )
    return ordered


def _parts(name: str) -> list[str]:
    """Split a name, without its suffix, into text, number, text, number, ... text."""
    return re.split(r"(\d+)", Path(name).stem)


def _check_patterns(folder: Path, names: list[str], parts: list[list[str]]) -> None:
    patterns = ["#".join(part[::2]).lower() for part in parts]
    ((usual, n_usual),) = Counter(patterns).most_common(1)
    if n_usual < len(names):
        usual_name = names[patterns.index(usual)]
        odd = [name for name, p in zip(names, patterns, strict=True) if p != usual]
        raise SourceError(
            f"{folder} holds {len(odd)} images whose names do not belong to the series of "
            f"{usual_name}: {', '.join(odd[:N_NAMED])}.",
            "Keep one stack of slices in a folder, and other images outside.",
        )


def _missing(numbers: list[int]) -> list[int]:
    steps = [b - a for a, b in pairwise(numbers)]
    step = math.gcd(*steps)
    return [n for a, b in pairwise(numbers) for n in range(a + step, b, step)]


def _name_of(parts: list[list[str]], place: int, numbers: list[int], number: int) -> str:
    """Spell the name that a missing slice would have, after its lower neighbour."""
    below = max(k for k, n in enumerate(numbers) if n < number)
    model = list(parts[below])
    width = len(model[place])
    model[place] = f"{number:0{width}d}"
    return "".join(model)
