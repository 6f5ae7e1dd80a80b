"""What libraries read from the environment, and what is installed."""

from __future__ import annotations

import hashlib
import os
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path
from typing import Any

CODE = ("run.py", "analysis", "kernels", "model", "readers", "stages", "stores")
"""Rooms of the pipeline that results come from."""


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
        "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
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


@lru_cache(maxsize=1)
def code_version() -> str:
    """Return the version of castcensus that runs, with a digest of the code that makes results.

    Two states of a checkout share a version number but never a result that is reused.
    """
    try:
        installed = version("castcensus")
    except PackageNotFoundError:
        installed = "unknown"
    code = files("pipeline")
    digest = hashlib.sha256()
    for room in CODE:
        path = Path(str(code.joinpath(room)))
        for file in sorted(path.rglob("*.py")) if path.is_dir() else [path]:
            digest.update(file.read_bytes())
    return f"{installed}+{digest.hexdigest()[:8]}"
