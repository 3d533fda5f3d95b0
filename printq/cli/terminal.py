"""The operator at a terminal: shows what has to move, waits for one answer."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from printq.models.passes import Job
    from printq.spool.operator import Answer, Reply, SetUp

__all__ = ["TerminalOperator", "show_cautions"]

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


class TerminalOperator:
    """Asks at the terminal; where there is none, shows the set-up that is due and stops."""

    def __init__(self, job: Job, interactive: bool) -> None:
        self._job = job
        self._interactive = interactive

    def set_up(self, wanted: SetUp) -> Reply:
        """See `Operator`."""
        from printq.cli.render import set_up_lines
        from printq.models.take import Confirmation
        from printq.spool.journal import now
        from printq.spool.operator import Answer, Reply

        typer.echo("\n".join(set_up_lines(self._job, wanted)), err=True)
        answer = Answer.STOP
        if self._interactive:
            answer = self._ask({"": Answer.DONE, "s": Answer.SKIP, "q": Answer.STOP})
        else:
            typer.echo("nobody is at a terminal: dial this in, then run again (or use --yes)", err=True)
        return Reply(answer, Confirmation(by="operator", at=now()))

    def may_go_on(self, insert: str, why: str) -> bool:
        """See `Operator`."""
        if not self._interactive:
            return False
        typer.echo(f"insert {insert}: {why}", err=True)
        return typer.confirm("look at its cables. Is it in order again, may it go on?", default=False, err=True)

    def _ask(self, answers: dict[str, Answer]) -> Answer:
        while True:
            sys.stderr.write("  Enter: it is done   s: skip this pass   q: stop after what is in the air  > ")
            sys.stderr.flush()
            with _interrupts_raised():
                try:
                    line = sys.stdin.readline()
                except KeyboardInterrupt:
                    sys.stderr.write("\n")
                    return answers["q"]
            if not line:
                return answers["q"]
            said = line.strip().lower()
            if said in answers:
                return answers[said]
            typer.echo(f"  {said!r} means nothing here", err=True)


@contextmanager
def _interrupts_raised() -> Iterator[None]:
    """Ctrl-C ends a prompt at once; elsewhere it is a request that the run attends to in its own time."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
