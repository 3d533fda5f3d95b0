"""`printq line-check`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from printq.cli.options import JsonOption

if TYPE_CHECKING:
    from printq.models.rig import Rig

__all__ = ["line_check"]


def line_check(
    rig: Annotated[
        Path,
        typer.Argument(metavar="RIG", help="A rig file, a job file, or a folder with either; this folder if left out."),
    ] = Path(),
    yes: Annotated[bool, typer.Option("--yes", help="The cautions have been read and heeded.")] = False,
    json: JsonOption = False,
) -> None:
    """Prove the wiring: each send in turn plays a quiet sweep, and all returns are listened to.

    Says which return hears which send, how loud, how late and which way up; and names what is dead, crossed, inverted,
    doubled or leaking. Monitors' sends are never played to. In a session the result is kept in .printq/line-check.json.

    Example: printq line-check rig.toml
    """
    from printq.cli.ports import make_port
    from printq.cli.render import json_text, line_check_document, line_check_lines
    from printq.cli.terminal import confirm_cautions
    from printq.errors import ExitStatus
    from printq.spool.session import check_session_lines

    loaded, session = _load(rig)
    if not yes:
        confirm_cautions(loaded.interface.driver, sys.stdin.isatty())
    found = check_session_lines(
        loaded, session, lambda restarts: make_port(loaded, restarts), lambda text: typer.echo(text, err=True)
    )
    typer.echo(json_text(line_check_document(found)) if json else "\n".join(line_check_lines(found)))
    if not found.ok:
        raise typer.Exit(ExitStatus.RIG)


def _load(path: Path) -> tuple[Rig, Path | None]:
    """The rig, and the session folder it was asked for in, if it was."""
    from printq.intake import load_job, load_rig
    from printq.intake.load import JOB_FILE

    if path.is_dir() and (path / JOB_FILE).exists():
        path = path / JOB_FILE
    elif path.is_dir():
        return load_rig(path / "rig.toml"), None
    if path.name == JOB_FILE or _is_job(path):
        job = load_job(path)
        return job.rig, job.session
    return load_rig(path), path.parent if (path.parent / JOB_FILE).exists() else None


def _is_job(path: Path) -> bool:
    import tomllib

    try:
        return str(tomllib.loads(path.read_text(encoding="utf-8")).get("format", "")).startswith("printq-job")
    except (OSError, ValueError):
        return False  # reading it as a rig says what is wrong with it
