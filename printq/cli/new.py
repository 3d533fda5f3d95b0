"""`printq new`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from printq.cli.options import JsonOption

__all__ = ["new"]


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The session folder to make or fill.")],
    stems: Annotated[Path, typer.Option("--stems", metavar="FOLDER", help="Where the exported stems are.")],
    rig: Annotated[Path, typer.Option("--rig", metavar="FILE", help="The rig file of the rack.")],
    json: JsonOption = False,
) -> None:
    """Start a session folder: a job and a snapshot file, ready to be filled in, beside copies of the stems.

    Nothing that exists is overwritten.

    Example: printq new waltz --stems exports/waltz --rig racks/back-room.toml
    """
    from printq.cli.render import json_text
    from printq.intake import start_session

    created = start_session(folder, stems, rig)
    names = [_shown(path) for path in created]
    if json:
        typer.echo(json_text({"created": names}))
    else:
        for name in names:
            typer.echo(f"wrote {name}")
        typer.echo(f"next: fill in {(folder / 'job.toml').as_posix()}, then 'printq check {folder.as_posix()}'")


def _shown(path: Path) -> str:
    """Relative to the current folder where it lies below it."""
    return path.relative_to(Path.cwd()).as_posix() if path.is_relative_to(Path.cwd()) else path.as_posix()
