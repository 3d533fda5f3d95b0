"""`printq archive`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from printq.cli.options import JobArgument, JsonOption

if TYPE_CHECKING:
    from printq.models.archived import ArchiveReport

__all__ = ["archive"]


def archive(
    to: Annotated[Path, typer.Option("--to", metavar="DEST", help="The folder to make: the bag. Never overwritten.")],
    job: JobArgument = Path(),
    mix: Annotated[
        list[Path],
        typer.Option("--mix", metavar="FILE", help="A finished mix: goes in, and is held against the prints."),
    ] = [],  # noqa: B006 - typer copies it
    flac: Annotated[
        bool, typer.Option("--flac", help="Pack 16- and 24-bit wave files without loss; `restore` gives them back.")
    ] = False,
    as_is: Annotated[
        bool, typer.Option("--as-is", help="Archive what is not printed or was changed, too; on the record.")
    ] = False,
    takes: Annotated[bool, typer.Option("--takes", help="Raw takes too.")] = False,
    all_versions: Annotated[bool, typer.Option("--all-versions", help="Earlier versions of prints too.")] = False,
    json: JsonOption = False,
) -> None:
    """Put a finished session away: stems, prints, settings, notes and proof in one checksummed bag.

    Every print is held against its sidecar and its stem, and the prints together against the mix. Nothing is removed
    from the session.

    Example: printq archive sample_sessions/lighthouse_waltz --to shelf/lighthouse-waltz --mix waltz-mix3.wav
    """
    from printq.cli.render import json_text
    from printq.intake import load_job
    from printq.spool.archiving import ArchiveWishes, archive_session, bag_writer

    loaded = load_job(job)
    wishes = ArchiveWishes(mixes=tuple(mix), as_is=as_is, takes=takes, all_versions=all_versions)
    write = bag_writer(loaded, to, flac=flac, progress=_Progress())
    report = archive_session(loaded, write, wishes, lambda text: typer.echo(text, err=True))
    typer.echo(json_text(archive_document(report)) if json else "\n".join(archive_lines(report)))


class _Progress:
    """A line on standard error for each file that is written."""

    def __init__(self) -> None:
        self._path = ""

    def __call__(self, path: str, octets: int) -> None:
        if path != self._path:
            typer.echo(f"  {path}", err=True)
            self._path = path


def archive_document(report: ArchiveReport) -> dict[str, object]:
    """`archive --json`."""
    document: dict[str, object] = report.model_dump(mode="json", by_alias=True)
    return document


def archive_lines(report: ArchiveReport) -> list[str]:
    """What was archived, in the words of the person."""
    from printq.cli.render import count_text
    from printq.spool.space import describe_bytes

    files = count_text(report.files, "file", "files")
    prints = count_text(report.prints, "print", "prints")
    lines = [f"archived as {report.bag}: {files}, {describe_bytes(report.bytes)}"]
    if report.as_is:
        lines.append(f"  {prints}, as it was:")
        lines += [f"    {each.pass_id} is {each.state}: {each.reason}" for each in report.proof.not_printed]
    else:
        lines.append(f"  {prints}, every pass printed and up to date")
    lines += [f"    {problem}" for problem in report.problems]
    lines += [f"  {mix.summary}" for mix in report.proof.mixes] or ["  no mix was given to hold them against"]
    if report.left_behind:
        count = count_text(len(report.left_behind), "file", "files")
        lines.append(f"  {count} of the folder not needed by the job, and not in it: see left-behind.txt in its notes")
    return lines
