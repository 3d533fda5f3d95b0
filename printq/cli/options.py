"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = [
    "JobArgument",
    "JobOption",
    "JsonOption",
    "OnlyOption",
    "RackOnOption",
    "UntouchedOption",
    "in_seconds",
    "stems_to_print",
]

JobArgument = Annotated[
    Path, typer.Argument(metavar="JOB", help="A job file, or a folder with a job.toml; this folder if left out.")
]
JobOption = Annotated[Path, typer.Option("--job", help="A job file, or a folder with a job.toml.")]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")]
OnlyOption = Annotated[
    list[str], typer.Option("--only", metavar="STEM", help="Only the passes of this stem; may be given again.")
]
UntouchedOption = Annotated[
    bool,
    typer.Option("--rack-untouched", help="Nobody has touched the rack since the last run: trust its positions."),
]
RackOnOption = Annotated[
    float | None,
    typer.Option(
        "--rack-on",
        metavar="MINUTES",
        min=0.0,
        help="For how long the rack has been on: units that are still cold come last where that costs nothing.",
    ),
]


def in_seconds(minutes: float | None) -> float | None:
    """Minutes in seconds; None stays None."""
    return None if minutes is None else 60.0 * minutes


def stems_to_print(only: list[str], known: set[str]) -> frozenset[str] | None:
    """The stems asked for, or None for all; a name that does not exist is a UsageError."""
    from printq.errors import UsageError

    unknown = [name for name in only if name not in known]
    if unknown:
        raise UsageError(f"there is no stem {unknown[0]!r} in this job; there are: {', '.join(sorted(known))}")
    return frozenset(only) or None
