"""What is told beside the data: messages, errors and progress, all on standard error."""

from __future__ import annotations

import sys
from typing import Any

from pipeline.errors import CastcensusError


def say(message: str) -> None:
    """Tell a person something; data go to standard output, this does not."""
    print(message, file=sys.stderr, flush=True)


def say_error(error: CastcensusError) -> None:
    """Tell what went wrong and what can be done, in one paragraph."""
    say(f"castcensus: {error}")


def print_json(value: Any) -> None:
    """Print a pydantic model as JSON on standard output."""
    print(value.model_dump_json(indent=2), flush=True)
