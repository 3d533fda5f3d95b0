"""`printq measure`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from printq.cli.options import JsonOption

__all__ = ["measure"]


def measure(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Any audio file that libsndfile reads.")],
    mains: Annotated[
        Optional[int],  # noqa: UP045 - typer reads it
        typer.Option("--mains", metavar="HZ", help="50 or 60: also look for hum in the quietest second."),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Measure level, true peak, loudness and noise of an audio file.

    Loudness by ITU-R BS.1770-5 and EBU Tech 3341 and 3342, true peak by BS.1770-5, Annex 2; five channels are
    L R C Ls Rs, six have the LFE fourth, and in other layouts all channels weigh the same. RMS is re full scale = 1.0:
    a full-scale sine reads -3.01 dBFS. The noise is that of the quietest second.

    Example: printq measure sample_sessions/lighthouse_waltz/dry/clarinet.flac
    """
    from printq.cli.figures import figures_document, figures_lines
    from printq.cli.render import json_text
    from printq.errors import UsageError
    from printq.recordings.figures import measure_file

    if mains not in (None, 50, 60):
        raise UsageError(f"mains of {mains} Hz are unknown; there are 50 and 60")
    found = measure_file(file, mains)
    typer.echo(json_text(figures_document(found)) if json else "\n".join(figures_lines(str(file), found)))
