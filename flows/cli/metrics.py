"""``castcensus metrics``."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Annotated

import typer
from prometheus_client import generate_latest, start_http_server, write_to_textfile

from flows.cli import options
from flows.cli.console import say
from flows.jobs.metrics import make_registry
from flows.settings import load_settings
from pipeline.errors import StoreError, UsageError


def metrics(
    output: Annotated[
        Path | None,
        typer.Option(help="Write them to this file, whole or not at all.", show_default=False),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=0, max=65535, help="Serve them until interrupted; 0: any port.", show_default=False
        ),
    ] = None,
    host: Annotated[str, typer.Option(help="Address to serve them at.")] = "127.0.0.1",
    workspace: options.Workspace = None,
) -> None:
    """Tell Prometheus of the jobs of the workspace: print, write to a file, or serve.

    Example:  castcensus metrics --output /var/lib/node-exporter/castcensus.prom
    """
    if output is not None and port is not None:
        raise UsageError("--output and --port exclude each other.", "Give one of them.")
    registry = make_registry(load_settings(workspace).workspace)
    try:
        if output is not None:
            write_to_textfile(str(output), registry)
        elif port is not None:
            server, _ = start_http_server(port, host, registry)
            say(f"metrics at http://{host}:{server.server_port}/metrics")
            threading.Event().wait()
        else:
            print(generate_latest(registry).decode(), end="")
    except OSError as error:
        raise StoreError(
            f"metrics cannot be given out: {error}.", "Name another --output or --port."
        ) from None
