"""`printq null`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from printq.cli.options import JsonOption

__all__ = ["null"]


def null(
    a: Annotated[Path, typer.Argument(metavar="A", help="The reference: a dry file, an earlier print, another pass.")],
    b: Annotated[Path, typer.Argument(metavar="B", help="What is compared with it.")],
    as_they_are: Annotated[
        bool, typer.Option("--as-they-are", help="Subtract without fitting gain, polarity or delay.")
    ] = False,
    follow_gain: Annotated[
        bool,
        typer.Option(
            "--follow-gain", help="Let the gain follow over seconds: what a slow gain change does is left out."
        ),
    ] = False,
    within: Annotated[
        float, typer.Option("--within", metavar="SECONDS", min=0.0, max=600.0, help="How far apart the two may lie.")
    ] = 10.0,
    json: JsonOption = False,
) -> None:
    """Line two audio files up, subtract, and say how deep they cancel.

    Gain, polarity and delay (to a fraction of a sample) are fitted first. Depth is residual over reference: more
    negative is deeper. It is shown in all, in third octaves and second by second.

    Example: printq null dry/cello.wav dry/cello.body-eq.v1.wav
    """
    from printq.cli.figures import null_document, null_lines
    from printq.cli.render import json_text
    from printq.recordings.nulling import Recording, null_recordings

    found = null_recordings(Recording(a), Recording(b), fit=not as_they_are, follow_gain=follow_gain, search_s=within)
    typer.echo(json_text(null_document(found)) if json else "\n".join(null_lines(a.name, b.name, found)))
