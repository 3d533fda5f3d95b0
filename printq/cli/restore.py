"""`printq restore`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from printq.cli.options import JsonOption

__all__ = ["restore"]


def restore(
    bag: Annotated[Path, typer.Argument(metavar="BAG", help="The folder that holds bagit.txt.")],
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="A folder that does not exist yet, or is empty.")],
    json: JsonOption = False,
) -> None:
    """Audit a bag, then lay out what is in it, byte for byte.

    Nothing is overwritten; the folder appears when all of it is on the disk.

    Example: printq restore shelf/lighthouse-waltz --to lighthouse-waltz
    """
    from printq.archive.restore import restore_bag
    from printq.cli.progress import ByteProgress
    from printq.cli.render import json_text

    shown = ByteProgress()
    try:
        record = restore_bag(bag, to, workers=None, progress=shown.add, begin=shown.begin)
    finally:
        shown.end()
    if json:
        typer.echo(json_text(record.model_dump(mode="json")))
    else:
        typer.echo(f"{record.path}: {record.files} files, {record.bytes} bytes, as they were put in")
