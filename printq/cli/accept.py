"""`printq accept`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from printq.cli.options import JobOption, JsonOption

__all__ = ["accept"]


def accept(
    pass_id: Annotated[str, typer.Argument(metavar="PASS", help="The held pass, as stem/insert.")],
    why: Annotated[str, typer.Option("--why", help="Why the take is good enough; kept in journal and sidecar.")],
    take: Annotated[int | None, typer.Option("--take", min=1, help="Another take than the one that is held.")] = None,
    job: JobOption = Path(),
    json: JsonOption = False,
) -> None:
    """Deliver a held take, on the record.

    Example: printq accept narrator/opto --why "the hum is the foghorn; the producer wants it"
    """
    from printq.cli.render import json_text
    from printq.errors import UsageError
    from printq.intake import load_job
    from printq.spool.session import accept_take

    if not why.strip():
        raise UsageError("--why must say why the take is good enough")
    target = accept_take(load_job(job), pass_id, why, take=take)
    typer.echo(json_text({"pass": pass_id, "print": target}) if json else f"delivered {target}, on your word")
