"""The terminal during a run: what is in the air, what the hands are to do, and the keys that answer.

One object is both the operator and the listener, because question, keys and view share the screen.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from printq.cli.render import clock, in_order_lines, live_lines, set_up_lines
from printq.models.take import Confirmation
from printq.spool.journal import now
from printq.spool.operator import Answer, AssumingOperator, Question, Reply, Rolling, SetUp, Wish

if TYPE_CHECKING:
    from types import TracebackType

    from rich.console import Console

    from printq.cli.keys import Keyboard
    from printq.models.passes import Job

__all__ = ["Desk"]

REDRAW_S = 0.12
SETTLE_S = 0.3
"""Keys are not heard for so long after a question has come up: a second tap was meant for the one before."""
SEQUENCES = re.compile("\x1b(?:\\[[0-?]*[ -/]*[@-~]|O.)")
"""What arrow and function keys send: nothing here, and certainly not the letters in it."""
ENTER = "\r\n"
ESCAPE = "\x1b"
ERASE = "\x7f\b"

SET_UP_KEYS = "Enter it is dialled   s skip this pass   b the one before was not right   n note   q stop"
IN_ORDER_KEYS = "o it is in order again   l leave it alone   q stop"
ROLLING_KEYS = "r record one again   x drop one   q stop when these have landed"


class Desk:
    """Operator and listener at a terminal; use it as a context manager.

    Parameters
    ----------
    job : Job
    console : rich.console.Console
        Where it draws; events stay above the picture, which changes in place.
    keyboard : Keyboard
    assuming : AssumingOperator, optional
        Who answers instead of the person, with `--yes`.
    """

    def __init__(
        self,
        job: Job,
        console: Console,
        keyboard: Keyboard,
        assuming: AssumingOperator | None = None,
        *,
        settle_s: float = SETTLE_S,
    ) -> None:
        from rich.live import Live

        self._job = job
        self._console = console
        self._keyboard = keyboard
        self._assuming = assuming
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._begun = time.monotonic()
        self._settle_s, self._deaf_until = settle_s, 0.0
        self._drawn = 0.0
        self._question: Question | None = None
        self._reply: Reply | None = None
        self._note = ""
        self._typing = False
        self._choosing: str | None = None
        """`redo` or `drop`, while the operator says which pass."""
        self._wishes: list[Wish] = []
        self._rolling: list[Rolling] = []
        self._left, self._left_s = 0, 0.0

    def __enter__(self) -> Desk:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    @property
    def elapsed_s(self) -> float:
        """Seconds since the run began."""
        return time.monotonic() - self._begun

    # ---- the operator ----

    def ask(self, question: Question) -> None:
        """See `Operator`."""
        if self._assuming is not None:
            self._assuming.ask(question)
            return
        self._keyboard.pressed()
        self._deaf_until = time.monotonic() + self._settle_s
        self._question, self._reply, self._note = question, None, ""
        self._draw(at_once=True)

    def answer(self) -> Reply | None:
        """See `Operator`."""
        if self._assuming is not None:
            return self._assuming.answer()
        self._read_keys()
        reply = self._reply
        if reply is not None:
            self._question = self._reply = None
            self._draw(at_once=True)
        return reply

    def withdraw(self) -> None:
        """See `Operator`."""
        self._question = self._reply = None
        self._typing = False

    def wishes(self) -> Sequence[Wish]:
        """See `Operator`."""
        self._read_keys()
        wishes, self._wishes = self._wishes, []
        return wishes

    def wait(self, seconds: float) -> None:
        """See `Operator`."""
        self._keyboard.wait(seconds)

    # ---- the listener ----

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        """See `Listener`."""
        what = f"{pass_id}: {text}" if pass_id else text
        self._console.print(f"{clock(self.elapsed_s):>7}  {kind:<9}  {what}", markup=False, highlight=False)

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        """See `Listener`."""
        self._rolling, self._left, self._left_s = rolling, left, left_s
        self._draw()

    # ---- keys ----

    def _read_keys(self) -> None:
        typed = SEQUENCES.sub("", self._keyboard.pressed())
        if time.monotonic() < self._deaf_until:
            return
        for key in typed:
            if self._typing:
                self._write_note(key)
            elif self._choosing is not None:
                self._choose(key)
            else:
                self._press(key.lower())
        if typed:
            self._draw(at_once=True)

    def _press(self, key: str) -> None:
        if key == "q":
            if self._question is not None:
                self._say(Answer.STOP)
            else:
                self._wishes.append(Wish("stop"))
        elif key in ("r", "x"):
            self._begin_choice("redo" if key == "r" else "drop")
        elif isinstance(self._question, SetUp):
            answers = {"\r": Answer.DONE, "\n": Answer.DONE, "s": Answer.SKIP, "b": Answer.BACK}
            if key in answers:
                self._say(answers[key])
            elif key == "n":
                self._typing = True
        elif self._question is not None and key in ("o", "l"):
            self._say(Answer.DONE if key == "o" else Answer.SKIP)

    def _say(self, answer: Answer) -> None:
        self._reply = Reply(answer, Confirmation(by="operator", at=now(), note=self._note.strip()))

    def _write_note(self, key: str) -> None:
        if key in ENTER:
            self._typing = False
        elif key == ESCAPE:
            self._typing, self._note = False, ""
        elif key in ERASE:
            self._note = self._note[:-1]
        elif key.isprintable():
            self._note += key

    def _begin_choice(self, what: str) -> None:
        if len(self._rolling) == 1:
            self._wish(what, 0)
        elif self._rolling:
            self._choosing = what

    def _choose(self, key: str) -> None:
        what, self._choosing = self._choosing, None
        if what is not None and key.isdigit() and 1 <= int(key) <= len(self._rolling):
            self._wish(what, int(key) - 1)

    def _wish(self, what: str, number: int) -> None:
        self._wishes.append(Wish("redo" if what == "redo" else "drop", self._rolling[number].pass_id))

    # ---- the picture ----

    def _draw(self, *, at_once: bool = False) -> None:
        moment = time.monotonic()
        if not at_once and moment - self._drawn < REDRAW_S:
            return
        self._drawn = moment
        self._live.update(self._picture(), refresh=True)

    def _picture(self) -> Any:
        from rich.text import Text

        lines = ["", *live_lines(self._rolling, self._left, self._left_s)]
        if isinstance(self._question, SetUp):
            lines += set_up_lines(self._job, self._question)
            if self._note or self._typing:
                lines.append(f"  your note: {self._note}{'_  (Enter keeps it, Esc drops it)' if self._typing else ''}")
            lines.append(f"  {SET_UP_KEYS}")
        elif self._question is not None:
            lines += [*in_order_lines(self._question), f"  {IN_ORDER_KEYS}"]
        if self._choosing is not None:
            verb = "recorded again" if self._choosing == "redo" else "dropped"
            names = "   ".join(f"{n} {each.pass_id}" for n, each in enumerate(self._rolling, start=1))
            lines.append(f"  which one is to be {verb}?   {names}   any other key: none")
        elif self._rolling:
            lines.append(f"  {ROLLING_KEYS}")
        return Text("\n".join(lines), no_wrap=True, overflow="ellipsis")
