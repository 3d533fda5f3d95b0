"""`printq plan`."""

from __future__ import annotations

from pathlib import Path

import typer

from printq.cli.options import JobArgument, JsonOption, OnlyOption, UntouchedOption, stems_to_print

__all__ = ["plan"]


def plan(
    job: JobArgument = Path(),
    only: OnlyOption = [],  # noqa: B006 - typer copies it
    rack_untouched: UntouchedOption = False,
    json: JsonOption = False,
) -> None:
    """Show what a run would do: the order, what the hands do, and the times.

    Example: printq plan sample_sessions/lighthouse_waltz
    """
    from printq.cli.render import json_text, plan_document, plan_lines
    from printq.errors import ExitStatus
    from printq.intake import load_job
    from printq.spool.session import plan_session

    loaded = load_job(job)
    chosen = stems_to_print(only, {each.stem for each in loaded.passes})
    report = plan_session(loaded, only=chosen, rack_untouched=rack_untouched)
    typer.echo(json_text(plan_document(report.plan)) if json else "\n".join(plan_lines(loaded, report)))
    if report.space_problem is not None:
        typer.echo(report.space_problem, err=True)
        raise typer.Exit(ExitStatus.STORAGE)
