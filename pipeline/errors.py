"""The exception tree: what went wrong, where, what was got against wanted, and the remedy.

This module imports nothing, so that every room of the project may raise from it.  An error knows
no HTTP status and no terminal: it carries facts, and an exit code for whoever ends a process.
"""


class CastcensusError(Exception):
    """Base of every error that is meant to be read by the person who caused or met it.

    Parameters
    ----------
    what : str
        The fact in one sentence, with its place and the values got and wanted.
    remedy : str, optional
        What the reader can do about it, in one sentence.

    Attributes
    ----------
    exit_code : int
        Exit status of a command that ends with this error.
    tile : int or None
        The tile in which it was met, where it was met in one.
    """

    exit_code = 1
    tile: int | None = None

    def __init__(self, what: str, remedy: str = "") -> None:
        super().__init__(what, remedy)
        # What a library says over several lines becomes part of one paragraph.
        self.what = " ".join(what.split())
        self.remedy = remedy

    def __str__(self) -> str:
        """Return the fact and its remedy as one paragraph."""
        return f"{self.what} {self.remedy}".strip()


class UsageError(CastcensusError):
    """A call that cannot be meant: an option, a recipe or a scan id that does not fit."""

    exit_code = 2


class RecipeError(UsageError):
    """A recipe that does not validate: unknown key, value out of range, thresholds that clash."""


class SourceError(UsageError):
    """An input volume that cannot be taken: missing, malformed, truncated, without a voxel size."""


class PlanError(UsageError):
    """A plan that cannot be carried out: not enough memory or disk, volume smaller than a halo."""


class DataError(CastcensusError):
    """Voxel values that the recipe refuses, met while reading: not finite, constant."""


class RegistrationError(DataError):
    """Two scans that could not be laid on each other for sure."""


class ConvergenceError(CastcensusError):
    """An iteration that did not reach its residual: named with what it reached, never reported."""


class DamageError(CastcensusError):
    """Stored data that no longer matches its checksum, or a record that cannot be read back."""


class StoreError(CastcensusError):
    """A workspace or table that cannot be read or written."""


class QueryError(UsageError):
    """A query that is not one read-only SELECT, or that exceeded its limits."""


class NotFoundError(CastcensusError):
    """A scan, a job or a catalogue version that does not exist."""

    exit_code = 3


class JobError(CastcensusError):
    """A job that ended without a result although its input was sound."""

    exit_code = 5


class CancelledError(JobError):
    """A job that stopped because somebody asked for it; it can be resumed."""
