"""Settings, recipes and clusters, by name or by file.

The order is: an option of the call, an environment variable, the service file, the default.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from flows.settings.machine import ClusterConfig
from flows.settings.values import read_bytes, read_mapping, validated
from pipeline.errors import NotFoundError
from pipeline.model.recipe import Recipe, read_recipe
from pipeline.stores.places import Place, is_remote, need_disk, open_workspace


class QueryLimits(BaseModel):
    """Limits of one SQL query over the catalogue."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    timeout_s: Annotated[float, Field(gt=0)] = 30.0
    memory_limit: str = "1GiB"


class WorkspaceLimits(BaseModel):
    """Limits of a workspace.

    Attributes
    ----------
    running_jobs : int or None
        Jobs that may run at once; others wait.
    disk : int or None
        Bytes that all its files may take; a job that may need more is refused.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    running_jobs: Annotated[int, Field(ge=1)] | None = 2
    disk: Annotated[Annotated[int, Field(ge=1)] | None, BeforeValidator(read_bytes)] = None


class Settings(BaseModel):
    """Settings of an installation; see ``configs/service.yaml`` for what each means."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    workspace: Path = Path("castcensus-workspace")
    recipe: str = "cast-al-si-cu"
    cluster: str = "local"
    durable: bool = True
    limits: WorkspaceLimits = WorkspaceLimits()
    query: QueryLimits = QueryLimits()


def load_settings(
    workspace: Path | None = None,
    environment: Mapping[str, str] = os.environ,
    *,
    reading: bool = False,
) -> Settings:
    """Read the settings in force.

    Parameters
    ----------
    workspace : Path, optional
        Stated by the caller; comes before everything else.
    environment : mapping of str to str, optional
        ``CASTCENSUS_SERVICE`` names a service file; ``CASTCENSUS_WORKSPACE``,
        ``CASTCENSUS_RECIPE``, ``CASTCENSUS_CLUSTER`` and ``CASTCENSUS_DURABLE`` override its keys.
    reading : bool
        Whether the workspace is only read, so that it may lie in object storage.

    Returns
    -------
    Settings
        The settings; the workspace as an absolute path, or as an address.

    Raises
    ------
    UsageError
        If the service file does not validate, or the workspace to write lies in object storage.
    """
    named = environment.get("CASTCENSUS_SERVICE")
    origin = named or "configs/service.yaml"
    shipped = files("configs").joinpath("service.yaml").read_text(encoding="utf-8")
    text = _read_file(Path(named), "service file") if named else shipped
    values = read_mapping(text, origin)
    for key in ("workspace", "recipe", "cluster", "durable"):
        if environment.get(f"CASTCENSUS_{key.upper()}"):
            values[key] = environment[f"CASTCENSUS_{key.upper()}"]
    if workspace is not None:
        values["workspace"] = workspace
    settings = validated(Settings, values, origin)
    if is_remote(settings.workspace):
        if not reading:
            need_disk(settings.workspace)
        return settings
    return settings.model_copy(update={"workspace": settings.workspace.expanduser().absolute()})


def load_place(workspace: Path | None = None) -> Place:
    """Return the workspace to read from, a folder or one in object storage."""
    return open_workspace(load_settings(workspace, reading=True).workspace)


def find_recipe(name: str, overrides: Iterable[str] = ()) -> Recipe:
    """Return the recipe of that name, or in that file, with overrides applied.

    Parameters
    ----------
    name : str
        Name of a file in ``configs/recipes`` without its suffix, or path of a YAML file.
    overrides : iterable of str
        ``key.path=value`` pairs.

    Returns
    -------
    Recipe
        The frozen recipe.

    Raises
    ------
    NotFoundError
        If there is none.
    RecipeError
        If it does not validate.
    """
    return read_recipe(_find_text("recipes", name), name, overrides)


def find_cluster(name: str) -> ClusterConfig:
    """Return the cluster of that name, or in that file.

    Parameters
    ----------
    name : str
        Name of a file in ``configs/clusters`` without its suffix, path of a YAML file, or
        ``loop`` for the plain loop.

    Returns
    -------
    ClusterConfig
        The cluster.

    Raises
    ------
    NotFoundError
        If there is none.
    UsageError
        If it does not validate.
    """
    if name == "loop":
        return ClusterConfig(kind="loop")
    return validated(ClusterConfig, read_mapping(_find_text("clusters", name), name), name)


def _find_text(folder: str, name: str) -> str:
    shipped = files("configs").joinpath(folder)
    if re.fullmatch(r"[A-Za-z0-9_-]+", name) and shipped.joinpath(f"{name}.yaml").is_file():
        return shipped.joinpath(f"{name}.yaml").read_text(encoding="utf-8")
    if Path(name).is_file():
        return _read_file(Path(name), folder[:-1])
    known = sorted(f.name.removesuffix(".yaml") for f in shipped.iterdir())
    raise NotFoundError(
        f"there is no {folder[:-1]} {name!r}, neither shipped nor as a file.",
        f"Shipped: {', '.join(known)}; or give the path of a YAML file.",
    )


def _read_file(path: Path, what: str) -> str:
    try:
        return path.expanduser().read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise NotFoundError(f"the {what} {path} cannot be read: {error}.") from None
