"""What the machine, the environment and the shipped files say: the only reader of all three.

The order is: an option of the call, an environment variable, the service file, the default.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import psutil
import yaml
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import NotFoundError, PlanError, UsageError
from pipeline.model.plan import MIB, WORKER_BASE_BYTES, Plan
from pipeline.model.recipe import Recipe, read_recipe

_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([kMGT]?i?)B?", re.IGNORECASE)
_POWERS = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9, "t": 10**12}
_BINARY = {"ki": 1 << 10, "mi": 1 << 20, "gi": 1 << 30, "ti": 1 << 40}

Parsed = TypeVar("Parsed", bound=BaseModel)


def parse_bytes(text: str | int) -> int:
    """Return the bytes that a size such as ``2GiB`` or ``500MB`` states.

    Raises
    ------
    UsageError
        If it is no such size.

    Examples
    --------
    >>> parse_bytes("2GiB"), parse_bytes("500 MB"), parse_bytes(4096)
    (2147483648, 500000000, 4096)
    """
    match = _SIZE.fullmatch(str(text).strip())
    unit = match[2].lower() if match else ""
    factor = {**_POWERS, **_BINARY}.get(unit)
    size = int(float(match[1]) * factor) if match and factor else 0
    if size <= 0:
        raise UsageError(f"{text!r} is no size in bytes.", "Write it as 2GiB, 800MiB or 1.5GB.")
    return size


def _auto_bytes(value: object) -> object:
    if value == "auto" or not isinstance(value, str):
        return value
    try:
        return parse_bytes(value)
    except UsageError as error:
        raise ValueError(str(error)) from None


class ClusterConfig(BaseModel):
    """On what a job's tiles are mapped.

    Attributes
    ----------
    kind : str
        ``loop``: this process, one tile after the other; ``threads``: threads of this process;
        ``local``: worker processes of this machine; ``existing``: a running scheduler.
    n_workers, threads_per_worker : int or "auto"
        Worker processes and the threads of each.
    memory_limit : int or "auto"
        Bytes that one worker process may take; auto leaves half as much again as the plan
        projects.
    tiles_in_flight : int
        Tiles handed out to a thread and not yet finished.
    scratch : str or None
        Folder for Dask's own files.
    address : str or None
        Address of the scheduler of kind ``existing``.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["loop", "threads", "local", "existing"]
    n_workers: Annotated[int, Field(ge=1, le=4096)] | Literal["auto"] = "auto"
    threads_per_worker: Annotated[int, Field(ge=1, le=1024)] | Literal["auto"] = 1
    memory_limit: Annotated[
        Annotated[int, Field(ge=1)] | Literal["auto"], BeforeValidator(_auto_bytes)
    ] = "auto"
    tiles_in_flight: Annotated[int, Field(ge=1, le=16)] = 3
    scratch: str | None = None
    address: str | None = None

    @model_validator(mode="after")
    def _kind_fits(self) -> ClusterConfig:
        if (self.kind == "existing") != (self.address is not None):
            raise ValueError("address goes with kind: existing; give both or neither")
        return self

    def adjusted(self, workers: int | None, memory_limit: str | None) -> ClusterConfig:
        """Return this cluster with a number of workers and a memory limit stated by the caller.

        Parameters
        ----------
        workers : int or None
            Worker processes; threads where the kind is ``threads``.
        memory_limit : str or None
            Such as ``2GiB``.

        Returns
        -------
        ClusterConfig
            The cluster, validated again.
        """
        values = self.model_dump()
        if workers is not None:
            if self.kind in ("loop", "existing"):
                raise UsageError(
                    f"a cluster of kind {self.kind} takes no number of workers.",
                    "Leave --workers out, or name --cluster local or --cluster threads.",
                )
            values["threads_per_worker" if self.kind == "threads" else "n_workers"] = workers
        if memory_limit is not None:
            values["memory_limit"] = parse_bytes(memory_limit)
        return _validated(ClusterConfig, values, "the cluster")


class QueryLimits(BaseModel):
    """Limits of one SQL query over the catalogue."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    timeout_s: Annotated[float, Field(gt=0)] = 30.0
    memory_limit: str = "1GiB"


class Settings(BaseModel):
    """Settings of an installation; see ``configs/service.yaml`` for what each means."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    workspace: Path = Path("castcensus-workspace")
    recipe: str = "cast-al-si-cu"
    cluster: str = "local"
    query: QueryLimits = QueryLimits()


@dataclass(frozen=True, slots=True)
class Machine:
    """What this machine offers to this process.

    Parameters
    ----------
    n_cores : int
        Cores that may be used, by affinity and by the container's quota.
    memory_bytes, available_bytes : int
        Memory that may be used at most, and that is free now.
    """

    n_cores: int
    memory_bytes: int
    available_bytes: int


@dataclass(frozen=True, slots=True)
class ClusterSize:
    """Workers of a cluster, fitted to a plan and a machine.

    Parameters
    ----------
    n_workers, threads_per_worker : int
        Worker processes and the threads of each.
    memory_limit_bytes : int
        Bytes at which a worker process is stopped.
    """

    n_workers: int
    threads_per_worker: int
    memory_limit_bytes: int


def load_settings(
    workspace: Path | None = None, environment: Mapping[str, str] = os.environ
) -> Settings:
    """Read the settings in force.

    Parameters
    ----------
    workspace : Path, optional
        Stated by the caller; comes before everything else.
    environment : mapping of str to str, optional
        ``CASTCENSUS_SERVICE`` names a service file; ``CASTCENSUS_WORKSPACE``,
        ``CASTCENSUS_RECIPE`` and ``CASTCENSUS_CLUSTER`` override its keys.

    Returns
    -------
    Settings
        The settings; the workspace as an absolute path.

    Raises
    ------
    UsageError
        If the service file does not validate.
    """
    named = environment.get("CASTCENSUS_SERVICE")
    origin = named or "configs/service.yaml"
    shipped = files("configs").joinpath("service.yaml").read_text(encoding="utf-8")
    text = _read_file(Path(named), "service file") if named else shipped
    values = _mapping(text, origin)
    for key in ("workspace", "recipe", "cluster"):
        if environment.get(f"CASTCENSUS_{key.upper()}"):
            values[key] = environment[f"CASTCENSUS_{key.upper()}"]
    if workspace is not None:
        values["workspace"] = workspace
    settings = _validated(Settings, values, origin)
    return settings.model_copy(update={"workspace": settings.workspace.expanduser().absolute()})


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
    return _validated(ClusterConfig, _mapping(_find_text("clusters", name), name), name)


def read_machine() -> Machine:
    """Return what this machine, or the container that this process runs in, offers."""
    memory = psutil.virtual_memory()
    limits = [
        _read_limit(f"/sys/fs/cgroup/{n}") for n in ("memory.max", "memory/memory.limit_in_bytes")
    ]
    total = min([memory.total, *(n for n in limits if n is not None)])
    affinity = getattr(os, "sched_getaffinity", None)
    n_cores = len(affinity(0)) if affinity else (os.cpu_count() or 1)
    quota = _read_words("/sys/fs/cgroup/cpu.max")
    if len(quota) == 2 and quota[0].isdigit():
        n_cores = max(1, min(n_cores, int(quota[0]) // int(quota[1])))
    return Machine(n_cores, total, min(memory.available, total))


def fit_cluster(config: ClusterConfig, plan: Plan, machine: Machine) -> ClusterSize:
    """Fit the workers of a cluster to a plan's projected memory, its tiles and the machine.

    Parameters
    ----------
    config : ClusterConfig
        The cluster; what it states is kept, what it leaves ``auto`` is chosen.
    plan : Plan
        The plan.
    machine : Machine
        The machine.

    Returns
    -------
    ClusterSize
        No more workers than tiles; at least one.

    Raises
    ------
    PlanError
        If a stated number of workers cannot fit the machine's memory.
    """
    tile_bytes = plan.worker_bytes - WORKER_BASE_BYTES
    most_tiles = max(1, *(stage.n_tiles for stage in plan.stages))
    room = int(0.9 * machine.available_bytes)
    limit = config.memory_limit if isinstance(config.memory_limit, int) else None
    n_threads = n_workers = 1
    if config.kind == "threads":
        share = min(limit or room, room) - WORKER_BASE_BYTES
        fitting = max(1, min(machine.n_cores, share // max(tile_bytes, 1)))
        n_threads = min(_stated(config.threads_per_worker, fitting), most_tiles)
    elif config.kind == "local":
        n_threads = _stated(config.threads_per_worker, 1)
    process_bytes = WORKER_BASE_BYTES + n_threads * tile_bytes
    if config.kind == "local":
        fitting = max(1, min(machine.n_cores // n_threads, room // process_bytes))
        n_workers = min(_stated(config.n_workers, fitting), most_tiles)
    if config.kind != "existing" and n_workers * process_bytes > machine.memory_bytes:
        raise PlanError(
            f"{n_workers} workers of {n_threads} threads need "
            f"{n_workers * process_bytes / MIB:.0f} MiB, but this machine offers "
            f"{machine.memory_bytes / MIB:.0f} MiB.",
            "Ask for fewer --workers, or set smaller tiles, such as "
            "--set 'tiling.tile_shape=[128,128,128]'.",
        )
    return ClusterSize(
        n_workers, n_threads, limit or min(machine.memory_bytes, process_bytes * 3 // 2)
    )


def _stated(value: int | Literal["auto"], fitting: int) -> int:
    return fitting if value == "auto" else value


def prepare_environment(workspace: Path, environment: dict[str, str] | None = None) -> None:
    """Set up what Prefect, Dask and Numba read from the environment; before they are imported.

    Nothing reports anything to anybody.  Without ``PREFECT_API_URL`` Prefect starts a temporary
    server of its own, whose files lie in the workspace; with it, that server is used.  What the
    user has set is kept, except for telemetry.

    Parameters
    ----------
    workspace : Path
        Folder below which Prefect keeps its files.
    environment : dict of str to str, optional
        Environment to change; this process's own if left out.
    """
    target: Any = os.environ if environment is None else environment
    target.update({"DO_NOT_TRACK": "1", "PREFECT_SERVER_ANALYTICS_ENABLED": "false"})
    defaults = {
        # A failed tile is told once, by us, with its remedy: not as Prefect's tracebacks.
        "PREFECT_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "PREFECT_CLI_PROMPT": "false",
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "180",
        "PREFECT_SERVER_ALLOW_EPHEMERAL_MODE": "true",
        # What a killed worker leaves is cleared up; that this was necessary is nobody's concern.
        "PYTHONWARNINGS": "ignore:resource_tracker",
    }
    if "PREFECT_API_URL" not in target:
        defaults["PREFECT_HOME"] = str(workspace / "prefect")
    kernels = Path(str(files("pipeline").joinpath("kernels")))
    if not os.access(kernels, os.W_OK):
        defaults["NUMBA_CACHE_DIR"] = str(workspace / "kernels")
    for key, value in defaults.items():
        target.setdefault(key, value)


def code_version() -> str:
    """Return the version of castcensus that is installed."""
    try:
        return version("castcensus")
    except PackageNotFoundError:
        return "unknown"


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


def _mapping(text: str, origin: str) -> dict[str, Any]:
    try:
        values = yaml.safe_load(text) or {}
    except yaml.YAMLError as error:
        raise UsageError(f"{origin} is not valid YAML: {error}.") from None
    if not isinstance(values, dict):
        raise UsageError(f"{origin} holds {type(values).__name__}, wanted a mapping.")
    return values


def _validated(model: type[Parsed], values: Mapping[str, Any], origin: str) -> Parsed:
    try:
        return model.model_validate(values)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(p) for p in first["loc"]) or "its keys"
        raise UsageError(
            f"{origin} does not validate: {where}: {first['msg']}, got {first['input']!r}.",
            "Known keys: " + ", ".join(model.model_fields) + ".",
        ) from None


def _read_words(path: str) -> list[str]:
    try:
        return Path(path).read_text(encoding="ascii").split()
    except OSError:
        return []


def _read_limit(path: str) -> int | None:
    words = _read_words(path)
    return int(words[0]) if words and words[0].isdigit() else None
