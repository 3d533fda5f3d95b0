"""What is said before anything sounds, and who answers where nobody is at a terminal."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from printq.models.passes import Job
    from printq.spool.operator import Question, Reply, Wish

__all__ = ["AbsentOperator", "ask_how_long_on", "confirm_cautions", "show_cautions"]

CAUTIONS = """\
Before anything sounds:
  - turn monitors and headphones down: test signals and music go to the outboard at line level
  - phantom power off on every input that is used as a line return
  - plug and unplug with levels down
  - see that the interface's own mixer does not loop a return back to its send
  - mains and rack wiring are for qualified people, under local electrical codes"""


def show_cautions(driver: str) -> None:
    """Say what can hurt ears and equipment, once for a session."""
    typer.echo(CAUTIONS, err=True)
    if driver == "simulated":
        typer.echo("  (the simulated rack makes no sound; its prints say that they are simulated)", err=True)


def ask_how_long_on(job: Job) -> float | None:
    """Minutes that the rack has been on, where a unit of this job has to warm up; None where nobody knows."""
    slow = {unit.name: unit.warm_up_min for each in job.passes for unit in job.units_of(each) if unit.warm_up_min}
    if not slow:
        return None
    for name, minutes in slow.items():
        typer.echo(f"{name} takes {minutes:g} min to warm up", err=True)
    while True:
        said = typer.prompt("For how many minutes has the rack been on (Enter: nobody knows)", default="", err=True)
        if not said.strip():
            return None
        try:
            minutes = float(said)
        except ValueError:
            minutes = -1.0
        if minutes >= 0.0:
            return minutes
        typer.echo(f"{said!r} is no number of minutes", err=True)


def confirm_cautions(driver: str, interactive: bool) -> None:
    """Show them, and go on only on a person's word. Raises StoppedError where there is none."""
    from printq.errors import StoppedError

    show_cautions(driver)
    if driver == "simulated":
        return
    if not interactive:
        raise StoppedError("nobody is at a terminal to heed the cautions; --yes says that they are heeded")
    if not typer.confirm("Is all of that so? Test signals will sound", default=False, err=True):
        raise StoppedError("nothing was played")


class AbsentOperator:
    """Nobody is at a terminal: the set-up that is due is shown, and the run ends."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._open: Question | None = None

    def ask(self, question: Question) -> None:
        """See `Operator`."""
        from printq.cli.render import in_order_lines, set_up_lines
        from printq.spool.operator import SetUp

        self._open = question
        lines = set_up_lines(self._job, question) if isinstance(question, SetUp) else in_order_lines(question)
        typer.echo("\n".join(lines), err=True)
        if isinstance(question, SetUp):
            typer.echo("nobody is at a terminal: dial this in, then run again (or use --yes)", err=True)

    def answer(self) -> Reply | None:
        """See `Operator`."""
        from printq.models.take import Confirmation
        from printq.spool.journal import now
        from printq.spool.operator import Answer, Reply, SetUp

        question, self._open = self._open, None
        if question is None:
            return None
        answer = Answer.STOP if isinstance(question, SetUp) else Answer.SKIP
        return Reply(answer, Confirmation(by="operator", at=now()))

    def withdraw(self) -> None:
        """See `Operator`."""
        self._open = None

    def wishes(self) -> Sequence[Wish]:
        """See `Operator`."""
        return ()

    def wait(self, seconds: float) -> None:
        """See `Operator`."""
        time.sleep(seconds)
