"""`printq run`."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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

if TYPE_CHECKING:
    from printq.cli.desk import Desk
    from printq.cli.listen import LineListener
    from printq.models.passes import Job
    from printq.spool.driver import Driver
    from printq.spool.operator import AssumingOperator, Operator

__all__ = ["run"]


def run(
    job: JobArgument = Path(),
    yes: Annotated[
        bool, typer.Option("--yes", help="Take every set-up as done; that is on the record in every sidecar.")
    ] = False,
    only: OnlyOption = [],  # noqa: B006 - typer copies it
    rack_untouched: UntouchedOption = False,
    rack_on: RackOnOption = None,
    workers: Annotated[int, typer.Option(min=0, help="Processes that check while others print.")] = 1,
    json: JsonOption = False,
) -> None:
    """Print what is left to print: play, record, check, and file the prints beside the dry stems.

    What is printed and up to date is left alone. What is left is planned anew when something comes out otherwise than
    planned. Without --rack-on a person at a terminal is asked since when the rack is on, where a unit has to warm up.
    Ctrl-C fades out and keeps what is finished; a second one stops at once.

    Example: printq run sample_sessions/lighthouse_waltz --yes
    """
    from printq.cli.listen import LineListener
    from printq.cli.ports import make_port
    from printq.cli.render import json_text, run_lines, standings_document
    from printq.cli.terminal import AbsentOperator, ask_how_long_on, show_cautions
    from printq.intake import load_job
    from printq.spool.operator import AssumingOperator
    from printq.spool.paths import SessionPaths
    from printq.spool.session import recall_times, run_session

    loaded = load_job(job)
    chosen = stems_to_print(only, {each.stem for each in loaded.passes})
    for caution in loaded.cautions:
        typer.echo(f"caution: {caution.line_of_text()}", err=True)
    if not SessionPaths(loaded.session).journal.exists():
        show_cautions(loaded.rig.interface.driver)
    if rack_on is None and not yes and sys.stdin.isatty():
        rack_on = ask_how_long_on(loaded)
    assuming = AssumingOperator() if yes else None
    with ExitStack() as at_desk:
        operator: Operator
        listener: Desk | LineListener
        if sys.stdin.isatty() and sys.stderr.isatty():
            desk = at_desk.enter_context(_open_desk(loaded, assuming))
            operator, listener = desk, desk
        else:
            operator, listener = assuming or AbsentOperator(loaded), LineListener(sys.stderr)
        report = run_session(
            loaded,
            lambda restarts: make_port(loaded.rig, restarts),
            operator,
            listener,
            workers=workers,
            only=chosen,
            rack_untouched=rack_untouched,
            rack_on_s=in_seconds(rack_on),
            on_driver=_stop_on_interrupt,
        )
    if json:
        typer.echo(json_text(standings_document(report.standings, recall_times(loaded))))
    else:
        typer.echo("\n".join(run_lines(report, listener.elapsed_s)))
    raise typer.Exit(report.exit_status)


@contextmanager
def _open_desk(job: Job, assuming: AssumingOperator | None) -> Iterator[Desk]:
    from rich.console import Console

    from printq.cli.desk import Desk
    from printq.cli.keys import open_keyboard

    with open_keyboard() as keyboard, Desk(job, Console(stderr=True), keyboard, assuming) as desk:
        yield desk


def _stop_on_interrupt(driver: Driver) -> None:
    import signal

    def stop(*_: object) -> None:
        # The second one is not caught any more, and stops at once.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        driver.request_stop("stopped by Ctrl-C")
        with suppress(OSError, RuntimeError):  # the terminal may be gone, or be written to at this moment
            typer.echo("stopping: fading out what plays; press Ctrl-C again to stop at once", err=True)

    def end(*_: object) -> None:
        driver.request_stop("stopped from outside")

    signal.signal(signal.SIGINT, stop)
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end)
