"""`printq check`."""

from __future__ import annotations

from pathlib import Path

import typer

from printq.cli.options import JobArgument, JsonOption

__all__ = ["check"]


def check(job: JobArgument = Path(), json: JsonOption = False) -> None:
    """Check rig, snapshots, job and stems without making a sound.

    Every problem of every file is shown, as file:line: key: what is wrong; what would be right.

    Example: printq check sample_sessions/lighthouse_waltz
    """
    from printq.cli.render import count_text, json_text, problems_document
    from printq.errors import ExitStatus
    from printq.intake import check_job

    report = check_job(job)
    errors = [problem for problem in report.problems if problem.severity == "error"]
    space = None
    if report.job is not None:
        from printq.spool.space import space_problem

        space = space_problem(report.job, report.job.passes)
    if json:
        typer.echo(json_text(problems_document(report.problems)))
    else:
        for problem in report.problems:
            typer.echo(("caution: " if problem.severity == "caution" else "") + problem.line_of_text(), err=True)
        if report.job is not None and not errors:
            stems = len({each.stem for each in report.job.passes})
            passes = count_text(len(report.job.passes), "pass", "passes")
            of_stems = f"{passes} of {count_text(stems, 'stem', 'stems')}" if stems else "no stem has a pass yet"
            typer.echo(f"{of_stems}: everything fits together")
        elif errors:
            typer.echo(f"{count_text(len(errors), 'problem', 'problems')} to mend before anything can print")
    if errors:
        raise typer.Exit(ExitStatus.FILE)
    if space is not None:
        typer.echo(space, err=True)
        raise typer.Exit(ExitStatus.STORAGE)
