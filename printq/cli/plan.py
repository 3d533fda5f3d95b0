"""`printq plan`."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Annotated

import typer

from printq.cli.options import (
    JobArgument,
    JsonOption,
    OnlyOption,
    RackOnOption,
    UntouchedOption,
    in_seconds,
    stems_to_print,
)

__all__ = ["plan"]


def plan(
    job: JobArgument = Path(),
    only: OnlyOption = [],  # noqa: B006 - typer copies it
    rack_untouched: UntouchedOption = False,
    rack_on: RackOnOption = None,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE.svg", help="Draw the plan as a chart to print, A4 pages across."),
    ] = None,
    explain: Annotated[
        str | None,
        typer.Option(
            "--explain", metavar="PASS", help="Say why this pass stands where it stands, in place of the plan."
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show what a run would do: the order, what the hands do, and the times.

    Example: printq plan sample_sessions/lighthouse_waltz --picture plan.svg
    """
    from printq.cli.plan_text import explanation_lines, plan_lines
    from printq.cli.render import json_text, plan_document
    from printq.errors import ExitStatus
    from printq.intake import load_job
    from printq.spool.session import explain_session_pass, plan_session

    loaded = load_job(job)
    chosen = stems_to_print(only, {each.stem for each in loaded.passes})
    report = plan_session(loaded, only=chosen, rack_untouched=rack_untouched, rack_on_s=in_seconds(rack_on))
    explanation = explain_session_pass(loaded, report, explain) if explain is not None else None
    if picture is not None:
        from printq.pictures import draw_plan, save_picture

        save_picture(picture, draw_plan(loaded, report.plan))
        typer.echo(f"drawn: {picture}", err=True)
    width = shutil.get_terminal_size().columns
    if json:
        typer.echo(json_text(plan_document(report.plan, explanation)))
    elif explanation is not None:
        typer.echo("\n".join(explanation_lines(report.plan, explanation, width)))
    else:
        typer.echo("\n".join(plan_lines(loaded, report, width)))
    if report.space_problem is not None:
        typer.echo(report.space_problem, err=True)
        raise typer.Exit(ExitStatus.STORAGE)
