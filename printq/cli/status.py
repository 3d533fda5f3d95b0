"""`printq status`."""

from __future__ import annotations

from pathlib import Path

import typer

from printq.cli.options import JobArgument, JsonOption

__all__ = ["status"]


def status(
    job: JobArgument = Path(),
    json: JsonOption = False,
) -> None:
    """Show where every pass stands, and why.

    Example: printq status sample_sessions/lighthouse_waltz
    """
    from printq.cli.render import json_text, standings_document, status_lines
    from printq.intake import load_job
    from printq.spool.session import list_standings, recall_times

    loaded = load_job(job)
    standings = list_standings(loaded)
    times = recall_times(loaded)
    typer.echo(
        json_text(standings_document(standings, times)) if json else "\n".join(status_lines(loaded, standings, times))
    )
