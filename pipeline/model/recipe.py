"""The recipe: the complete, frozen parameters of a run.

A recipe is validated once, where it enters; afterwards nobody checks it again.  Its hash is part of
every result and leaves the tiling out, because tiling never changes a result.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import re
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.errors import RecipeError
from pipeline.model.materials import Elastic

OUTSIDE = 255
"""Value of a phase map where a voxel lies outside the specimen."""

CHUNK_MIN, CHUNK_MAX = 16, 128
"""Edges of stored chunks that a tile longer than the larger one must be divisible into."""

TWO_PHASE_METHODS = ("otsu", "li", "yen", "isodata", "triangle", "minimum")
"""Methods of `segment` that know one threshold only."""

_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")
_MATERIAL = re.compile(r"[A-Za-z0-9.()]{1,60}@[0-9]{1,2}(\.[0-9]{1,6})?")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _later(default: Any) -> Any:
    """Return a later key: left out at its default, so that older recipes keep their hash."""
    return Field(default=default, exclude_if=lambda value: value == default)


class Denoise(_Part):
    """How grey noise is lowered before segmentation; every filter has finite support."""

    method: Literal["none", "gaussian", "median", "bilateral", "nlm", "tv", "auto"] = "auto"
    radius_vx: Annotated[int, Field(ge=1, le=3)] = 1
    sigma_vx: Annotated[float, Field(gt=0.0, le=8.0)] = 1.0
    strength: Annotated[float, Field(gt=0.0, le=20.0)] | None = None
    window_vx: Annotated[int, Field(ge=1, le=3)] = 2
    patch_vx: Annotated[int, Field(ge=1, le=2)] = 1
    iterations: Annotated[int, Field(ge=1, le=50)] = 20

    def strength_of(self, method: str) -> float:
        """Return the strength of a method in units of the noise; its own where none is stated."""
        if self.strength is not None:
            return self.strength
        return 2.0 if method == "bilateral" else 1.0


Artefact = Literal["planes", "radial", "rings"]
"""Drift from plane to plane, cupping, rings: in the order in which they are taken off."""

ARTEFACTS: tuple[Artefact, ...] = ("planes", "radial", "rings")


class Condition(_Part):
    """From the scan as it came to the volume that is segmented.

    `flatten` names what is taken off; ``auto`` takes off those artefacts that are clear.
    `open_pores_vx` is the radius of the ball that closes the mask over pores open to the surface.
    """

    mask: Literal["auto", "none"] = "auto"
    open_pores_vx: Annotated[int, Field(ge=0, le=64)] = 12
    flatten: Literal["auto", "none"] | tuple[Artefact, ...] = "auto"
    rotation_axis_vx: tuple[float, float] | None = None
    denoise: Denoise = Denoise()
    nonfinite: Literal["refuse", "outside"] = "refuse"

    @field_validator("flatten", mode="before")
    @classmethod
    def _artefacts_fit(cls, value: object) -> object:
        """Take one name for a list of one; the order of a list means nothing."""
        names = [value] if value in ARTEFACTS else value
        if not isinstance(names, list | tuple):
            if value in ("auto", "none"):
                return value
        elif names and all(n in ARTEFACTS and names.count(n) == 1 for n in names):
            return tuple(name for name in ARTEFACTS if name in names)
        raise ValueError(
            f"condition.flatten wants auto, none, or some of {', '.join(ARTEFACTS)}, got {value!r}"
        )

    @property
    def artefacts(self) -> tuple[Artefact, ...]:
        """The artefacts that are looked for."""
        if isinstance(self.flatten, tuple):
            return self.flatten
        return ARTEFACTS if self.flatten == "auto" else ()


class Segment(_Part):
    """How thresholds between phases are found; `thresholds` are grey levels of the scan itself.

    A voxel belongs to the phase whose position is the number of thresholds that its grey exceeds.
    On edges, ``edges: aware`` asks instead which two phases meet there; ``auto`` is that for method
    peaks with three phases or more, and ``plain`` for all others.  ``guide: auto`` lets method
    peaks name the levels it finds by what the phases' materials attenuate, where the scan states
    its beam.  With `sure`, a body gets a row only if its own extreme of grey lies that share of the
    way from the threshold to the pure level of its phase, or farther.
    """

    method: Literal[
        "peaks",
        "edge",
        "multi-otsu",
        "manual",
        "otsu",
        "li",
        "yen",
        "isodata",
        "triangle",
        "minimum",
    ] = "peaks"
    thresholds: tuple[float, ...] | None = None
    edges: Literal["auto", "aware", "plain"] = "auto"
    guide: Literal["auto", "none"] = _later("auto")
    sure: Annotated[float, Field(gt=0.0, le=1.0)] | None = _later(None)

    @model_validator(mode="after")
    def _thresholds_fit(self) -> Segment:
        if (self.method == "manual") != (self.thresholds is not None):
            raise ValueError(
                "segment.thresholds goes with segment.method=manual: give both or neither"
            )
        if self.method == "manual" and self.edges == "aware":
            raise ValueError(
                "segment.edges=aware wants the pure levels of phases, which thresholds given by "
                "hand do not tell: choose another method, or edges=plain"
            )
        if self.method == "manual" and self.sure is not None:
            raise ValueError(
                "segment.sure wants the pure levels of phases, which thresholds given by hand do "
                "not tell: choose another method, or leave it out"
            )
        levels = self.thresholds or ()
        if any(b <= a for a, b in itertools.pairwise(levels)):
            raise ValueError(f"segment.thresholds must ascend, got {list(levels)}")
        return self


class Phase(_Part):
    """A class of material by grey level.

    `material` is a formula with a density in g/cm3, such as ``Al2Cu@4.34``, or ``air``; without it
    a phase is what its name says, see `pipeline.analysis.expectation.KNOWN`.
    """

    name: str
    kind: Literal["particles", "background"]
    material: str | None = _later(None)
    min_voxels: Annotated[int, Field(ge=1)] = 27
    opening_vx: Annotated[float, Field(ge=0.0, le=8.0)] = 0.0
    closing_vx: Annotated[float, Field(ge=0.0, le=8.0)] = 0.0
    fill_holes_vx: Annotated[int, Field(ge=0, le=32)] = 0

    @property
    def cleaned(self) -> bool:
        """Whether bodies of the phase are opened, closed or filled."""
        return bool(self.opening_vx or self.closing_vx or self.fill_holes_vx)

    @field_validator("material")
    @classmethod
    def _material_fits(cls, text: str | None) -> str | None:
        if text not in (None, "air") and not _MATERIAL.fullmatch(text or ""):
            raise ValueError(
                f"material {text!r} wants FORMULA@DENSITY in g/cm3, such as Al2Cu@4.34, or air"
            )
        return text

    @field_validator("opening_vx", "closing_vx")
    @classmethod
    def _ball_fits(cls, radius: float) -> float:
        if 0.0 < radius < 1.0:
            raise ValueError("a ball of a radius under 1 is one voxel: give 0, or 1 to 8")
        return radius

    @field_validator("name")
    @classmethod
    def _name_fits(cls, name: str) -> str:
        if not _NAME.fullmatch(name) or name == "phases":
            raise ValueError(
                f"phase name {name!r} wants lower-case letters, digits and hyphens, starting with "
                "a letter, at most 40 characters, and not 'phases'"
            )
        return name


class Label(_Part):
    """Which neighbours make two voxels one body: across faces, edges or corners."""

    connectivity: Literal[6, 18, 26] = 26


class Tiling(_Part):
    """The unit of work and of storage; it never changes a result."""

    tile_shape: tuple[int, int, int] = (256, 256, 256)

    @field_validator("tile_shape")
    @classmethod
    def _edges_fit(cls, edges: tuple[int, int, int]) -> tuple[int, int, int]:
        if any(n < 8 or n > 1024 for n in edges):
            raise ValueError(f"tile edges lie between 8 and 1024 voxels, got {list(edges)}")
        for n in edges:
            if n > CHUNK_MAX and not any(n % d == 0 for d in range(CHUNK_MIN, CHUNK_MAX + 1)):
                raise ValueError(
                    f"a tile edge of {n} voxels cannot be stored in chunks of {CHUNK_MIN} to "
                    f"{CHUNK_MAX}; take a multiple of 32, such as {n // 32 * 32}"
                )
        return edges


class Statistics(_Part):
    """What the numbers of a whole scan are asked for; see `pipeline.analysis`."""

    component_mm3: Annotated[float, Field(gt=0.0)] = 1000.0
    wanted_error: Annotated[float, Field(gt=0.0, lt=1.0)] = 0.1


class Describe(_Part):
    """What is told of each particle beyond what its own voxels add up to.

    See stages `anatomy` and `distances`.
    """

    bending: bool = True
    skeleton: bool = False
    members: bool = False
    largest_box: Annotated[int, Field(ge=1000, le=2**28)] = 4_000_000
    thickness: bool = True
    thickness_max_vx: Annotated[float, Field(ge=8.0, le=256.0)] = 128.0
    neighbours: bool = True
    neighbour_reach_vx: Annotated[float, Field(ge=1.0, le=128.0)] = 32.0
    curvature: bool = _later(False)
    curvature_radius_vx: Annotated[float, Field(ge=3.0, le=8.0)] = _later(4.0)

    @property
    def distances(self) -> bool:
        """Whether anything is told that lies around a tile too."""
        return self.thickness or self.neighbours or self.curvature


class Recipe(_Part):
    r"""The complete parameters of a run.

    Examples
    --------
    >>> recipe = read_recipe("name: a\nphases: [{name: void, kind: background},"
    ...                      " {name: grain, kind: particles}]", "example")
    >>> recipe.label.connectivity, recipe.particle_phases
    (26, (1,))
    """

    name: str = "unnamed"
    condition: Condition = Condition()
    segment: Segment = Segment()
    phases: Annotated[tuple[Phase, ...], Field(min_length=2, max_length=64)]
    label: Label = Label()
    load_axis: tuple[float, float, float] = (1.0, 0.0, 0.0)
    describe: Describe = Describe()
    statistics: Statistics = Statistics()
    elastic: dict[str, Elastic] = {}
    tiling: Tiling = Tiling()

    @model_validator(mode="after")
    def _parts_agree(self) -> Recipe:
        names = [phase.name for phase in self.phases]
        if len(set(names)) != len(names):
            raise ValueError(f"phase names must differ, got {names}")
        if not self.particle_phases:
            raise ValueError("at least one phase must have kind: particles")
        wanted = len(self.phases) - 1
        levels = self.segment.thresholds
        if levels is not None and len(levels) != wanted:
            raise ValueError(
                f"{len(self.phases)} phases want {wanted} thresholds, got {len(levels)}"
            )
        backgrounds = len(self.phases) - len(self.particle_phases)
        if self.segment.method == "peaks" and backgrounds != 1:
            raise ValueError(
                "segment.method=peaks wants exactly one phase of kind background (the matrix), "
                f"got {backgrounds}"
            )
        if self.segment.sure is not None and backgrounds != 1:
            raise ValueError(
                "segment.sure wants exactly one phase of kind background, against which others are "
                f"bright or dark, got {backgrounds}: leave it out"
            )
        cleaned = [phase for phase in self.phases if phase.cleaned]
        if any(phase.kind == "background" for phase in cleaned):
            raise ValueError("opening, closing and filling are for phases of kind particles")
        if cleaned and backgrounds != 1:
            raise ValueError(
                "opening, closing and filling want exactly one phase of kind background, which "
                f"gives and takes the voxels, got {backgrounds}"
            )
        strangers = [name for name in self.elastic if name not in names]
        if strangers:
            raise ValueError(f"elastic.{strangers[0]} is no phase; the phases are {names}")
        if self.segment.method in TWO_PHASE_METHODS and len(self.phases) != 2:
            raise ValueError(
                f"segment.method={self.segment.method} parts two phases, got {len(self.phases)}: "
                "choose peaks, edge or multi-otsu"
            )
        if not any(self.load_axis):
            raise ValueError("load_axis must not be the zero vector")
        return self

    @property
    def particle_phases(self) -> tuple[int, ...]:
        """Positions of the phases whose bodies are counted."""
        return tuple(i for i, phase in enumerate(self.phases) if phase.kind == "particles")

    @property
    def background(self) -> int:
        """Position of the first phase that is not counted; -1 where every phase is."""
        backgrounds = (i for i, phase in enumerate(self.phases) if phase.kind == "background")
        return next(backgrounds, -1)

    @property
    def pore(self) -> int:
        """Position of the phase named ``pore``; -1 where there is none."""
        return next((i for i, phase in enumerate(self.phases) if phase.name == "pore"), -1)

    @property
    def edge_aware(self) -> bool:
        """Whether voxels on edges go to one of the two phases that meet there."""
        if self.segment.edges == "auto":
            return self.segment.method == "peaks" and len(self.phases) >= 3
        return self.segment.edges == "aware"

    @property
    def draws_shells(self) -> bool:
        """Whether blurred bright bodies get a shell of the phase between them and the background.

        So it is with plain thresholds and two phases or more brighter than the background.
        """
        brighter = len(self.phases) - 1 - self.background
        return self.background >= 0 and brighter >= 2 and not self.edge_aware

    @property
    def hash(self) -> str:
        """``sha256:`` of everything that can change the census: no name, tiling or elasticity."""
        return hash_values(self.model_dump(mode="json", exclude={"name", "tiling", "elastic"}))

    def to_yaml(self) -> str:
        """Return the recipe as YAML that `read_recipe` takes back unchanged."""
        text: str = yaml.safe_dump(self.model_dump(mode="json"), sort_keys=False)
        return text


def hash_values(values: object) -> str:
    """Return ``sha256:`` and the digest of plain values in canonical JSON."""
    text = json.dumps(values, sort_keys=True, separators=(",", ":"))
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


def read_recipe(text: str, origin: str, overrides: Iterable[str] = ()) -> Recipe:
    """Validate a recipe written in YAML.

    Parameters
    ----------
    text : str
        The YAML document.
    origin : str
        Where it came from, for messages.
    overrides : iterable of str
        ``key.path=value`` pairs, applied in order; values are YAML.  A phase is addressed by its
        name, as in ``phases.pore.min_voxels=8``.

    Returns
    -------
    Recipe
        The frozen recipe.

    Raises
    ------
    RecipeError
        If the text is no YAML mapping, a key is unknown or a value does not fit.
    """
    try:
        values = yaml.safe_load(text)
    except yaml.YAMLError as error:
        raise RecipeError(f"recipe {origin} is not valid YAML: {error}.") from None
    if not isinstance(values, dict):
        raise RecipeError(f"recipe {origin} holds {type(values).__name__}, wanted a mapping.")
    for pair in overrides:
        values = _override(values, pair)
    try:
        return Recipe.model_validate(values)
    except ValidationError as error:
        raise RecipeError(
            f"recipe {origin} does not validate: {_explain(error)}.",
            "See configs/recipes/cast-al-si-cu.yaml for every key with its meaning.",
        ) from None


def _override(values: Mapping[str, Any], pair: str) -> dict[str, Any]:
    key, equals, text = pair.partition("=")
    if not equals or not key.strip():
        raise RecipeError(f"--set {pair!r} wants the form key.path=value.")
    try:
        value = yaml.safe_load(text)
    except yaml.YAMLError as error:
        raise RecipeError(f"--set {pair!r}: the value is not valid YAML: {error}.") from None
    replaced: dict[str, Any] = _replaced(values, key.strip().split("."), value, pair)
    return replaced


def _replaced(values: object, path: list[str], value: object, pair: str) -> Any:
    if isinstance(values, list):
        # Parts of a list, such as phases, are addressed by their names.
        named = [isinstance(part, Mapping) and part.get("name") == path[0] for part in values]
        if len(path) > 1 and any(named):
            return [
                _replaced(part, path[1:], value, pair) if chosen else part
                for part, chosen in zip(values, named, strict=True)
            ]
    if not isinstance(values, Mapping):
        raise RecipeError(f"--set {pair!r}: there is nothing below {path[0]!r} to set.")
    head, rest = path[0], path[1:]
    inner = _replaced(values.get(head) or {}, rest, value, pair) if rest else value
    return {**values, head: inner}


def _explain(error: ValidationError) -> str:
    parts = []
    for item in error.errors(include_url=False):
        where = ".".join(str(p) for p in item["loc"])
        if item["type"] == "extra_forbidden":
            parts.append(f"unknown key {where!r}")
            continue
        got = "" if item["type"] == "value_error" else f", got {item['input']!r}"
        message = item["msg"].removeprefix("Value error, ")
        parts.append(f"{where}: {message}{got}" if where else message)
    return "; ".join(parts)
