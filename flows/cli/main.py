"""``castcensus``: the table of commands, and what an error looks like.

A command's module is imported when that command runs, by name from the table below: Prefect, Dask
and the kernels take seconds to load, and ``--help`` answers at once.  This is the project's one
dynamic import.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from flows.cli.console import say, say_error
from pipeline.errors import CastcensusError

COMMANDS: dict[str, tuple[str, str, str]] = {
    "demo": ("flows.cli.demo", "demo", "Simulate, count, and set the census beside the truth."),
    "simulate": ("flows.cli.simulate", "simulate", "Write a simulated scan of known truth."),
    "plan": ("flows.cli.plan", "plan", "Say what a submission would do and whether it fits."),
    "contrast": ("flows.cli.contrast", "contrast", "Say what a scan can show, before it is made."),
    "submit": ("flows.cli.submit", "submit", "Count a scan and enter it in the catalogue."),
    "jobs": ("flows.cli.jobs", "jobs", "List the jobs of the workspace."),
    "show": ("flows.cli.jobs", "show", "Show a scan with its quality and main numbers, or a job."),
    "cancel": ("flows.cli.jobs", "cancel", "Ask a job to stop; it can be resumed."),
    "resume": ("flows.cli.jobs", "resume", "Go on with a job that was stopped or that failed."),
    "metrics": ("flows.cli.metrics", "metrics", "Tell Prometheus of the workspace's jobs."),
    "scans": ("flows.cli.catalogue", "scans", "List the scans of the catalogue."),
    "statistics": (
        "flows.cli.catalogue",
        "statistics",
        "Show the numbers of a whole scan, with their intervals.",
    ),
    "report": ("flows.cli.report", "report", "Write the report of a scan: pictures first."),
    "query": ("flows.cli.catalogue", "query", "Answer one SELECT over the catalogue."),
    "compare": ("flows.cli.compare", "compare", "Compare groups of scans, by specimen."),
    "specimens": ("flows.cli.specimens", "specimens", "Keep results of mechanical tests."),
    "correlate": (
        "flows.cli.specimens",
        "correlate",
        "Say which descriptor goes with a mechanical property.",
    ),
    "fracture": (
        "flows.cli.specimens",
        "fracture",
        "Say which particles lie at a fracture origin, and how they rank.",
    ),
    "check": ("flows.cli.check", "check", "Read every checksum of a scan; name each damage."),
    "copy": ("flows.cli.copy", "copy", "Copy a workspace to a folder or object storage, or back."),
    "fingerprint": ("flows.cli.catalogue", "fingerprint", "Print one hash over a scan's result."),
    "mesh": ("flows.cli.mesh", "mesh", "Write surfaces of particles for other programs."),
    "stress": ("flows.cli.stress", "stress", "Say what stress particles concentrate."),
    "match": ("flows.cli.match", "match", "Say what became of each particle of a specimen."),
    "verify": ("flows.cli.verify", "verify", "Hold this installation against general libraries."),
    "dictionary": ("flows.cli.catalogue", "dictionary", "Print what each column means."),
}
"""Name of a command: its module, its function there, its line in the list of commands."""


class LazyGroup(TyperGroup):
    """A group of commands that are known by name and loaded when one is invoked."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 - typer's signature
        """Return the names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002 - typer's signature
        """Return what the list of commands shows; nothing is loaded for it."""
        if cmd_name not in COMMANDS:
            return None
        return TyperCommand(cmd_name, help=COMMANDS[cmd_name][2])

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Load the command that is to run."""
        name, command, rest = super().resolve_command(ctx, args)
        return name, load_command(str(name)) if command else None, rest

    def invoke(self, ctx: Any) -> Any:
        """Run a command; an interrupt ends with status 130, as a shell expects."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            say("interrupted.")
            raise SystemExit(130) from None


def load_command(name: str) -> Any:
    """Import the module of a command and return it as one."""
    module, function, _ = COMMANDS[name]
    single = typer.Typer(
        add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None
    )
    single.command(name, no_args_is_help=False)(getattr(import_module(module), function))
    return typer.main.get_command(single)


app = typer.Typer(
    cls=LazyGroup,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    rich_markup_mode=None,
)


def show_version(wanted: bool) -> None:
    """Print the version and end."""
    if wanted:
        try:
            print(version("castcensus"))
        except PackageNotFoundError:
            print("unknown")
        raise typer.Exit


@app.callback(no_args_is_help=True)
def castcensus(
    shown: bool = typer.Option(
        False, "--version", callback=show_version, is_eager=True, help="Print the version."
    ),
) -> None:
    """Take a census of the particles and pores in cast recycled aluminium, from CT volumes.

    Try:  castcensus plan slices/ --voxel-um 2.5

    Exit status: 0 done, 1 failure, 2 usage, 3 not found, 5 the job failed, 130 interrupted.
    """


def main() -> None:
    """Run the command line; an error is told in one paragraph on standard error."""
    try:
        app(prog_name="castcensus")
    except CastcensusError as error:
        say_error(error)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        say("interrupted.")
        sys.exit(130)
