"""`printq reprint`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from printq.cli.options import JobOption, JsonOption

__all__ = ["reprint"]


def reprint(
    name: Annotated[str, typer.Argument(metavar="PASS|STEM", help="A pass as stem/insert, or a stem: all its passes.")],
    note: Annotated[str, typer.Option("--note", help="Why; kept in the journal and in the next sidecar.")],
    job: JobOption = Path(),
    json: JsonOption = False,
) -> None:
    """Have passes printed again by the next run, with whatever is made from them; earlier prints stay.

    Example: printq reprint viola --note "client: less bite"
    """
    from printq.cli.render import json_text
    from printq.errors import UsageError
    from printq.intake import load_job
    from printq.spool.session import request_reprint

    if not note.strip():
        raise UsageError("--note must say why it is printed again")
    marked = request_reprint(load_job(job), name, note)
    if json:
        typer.echo(json_text({"passes": marked, "note": note}))
    else:
        typer.echo(f"the next run prints again: {', '.join(marked)}")
