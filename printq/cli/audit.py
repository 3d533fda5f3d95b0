"""`printq audit`."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from printq.cli.options import JsonOption

__all__ = ["audit"]


def audit(
    bags: Annotated[list[Path], typer.Argument(metavar="BAG...", help="A bag, or a shelf: a folder with bags in it.")],
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, metavar="N", help="Processes that read; as many as cores if left out."),
    ] = None,
    dask: Annotated[
        str | None,
        typer.Option("--dask", metavar="ADDRESS", help="A dask scheduler whose workers see the same folders."),
    ] = None,
    files_only: Annotated[
        bool, typer.Option("--files-only", help="Only whether every file is as it was: quicker, nothing is measured.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Look bags through: every file there, as it was, and named where it is not.

    Nothing but the bag is needed. Bags of other programs are read too (BagIt, RFC 8493). Where a bag holds a session,
    every print is measured again and held against its sidecar, and against the stem that was played for it.

    Example: printq audit shelf/
    """
    from printq.archive.audit import audit_with, find_bags
    from printq.archive.executors import open_executor
    from printq.archive.session_audit import check_session
    from printq.cli.progress import ByteProgress
    from printq.cli.render import count_text, json_text
    from printq.errors import ExitStatus

    found = [bag for each in bags for bag in find_bags(each)]
    checks = [] if files_only else [check_session]
    audits = []
    shown = ByteProgress()
    with open_executor(workers, dask) as executor:
        for number, bag in enumerate(found, 1):
            typer.echo(f"[{number}/{len(found)}] {bag}", err=True)
            begin = partial(shown.begin, "files")
            audits.append(audit_with(executor, bag, progress=shown.add, begin=begin, content_checks=checks))
            shown.end()
    ok = all(one.ok for one in audits)
    if json:
        typer.echo(json_text({"ok": ok, "bags": [one.model_dump(mode="json") for one in audits]}))
    else:
        for one in audits:
            state = (
                "whole"
                if one.ok
                else f"NOT WHOLE, {count_text(len(one.findings) + one.more_findings, 'finding', 'findings')}"
            )
            typer.echo(f"{one.path}: {state} ({one.files} files, {one.bytes} bytes read)")
            for finding in one.findings:
                typer.echo(f"  {finding.file}: {finding.what}: {finding.message}; {finding.remedy}")
            if one.more_findings:
                typer.echo(f"  and {one.more_findings} more")
            for warning in one.warnings:
                typer.echo(f"  to know: {warning.file}: {warning.message}; {warning.remedy}")
            if one.more_warnings:
                typer.echo(f"  and {one.more_warnings} more to know")
    if not ok:
        raise typer.Exit(ExitStatus.FILE)
