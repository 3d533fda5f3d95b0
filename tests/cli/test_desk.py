"""The terminal during a run: keys give the answers they say, and what is shown is what has to move."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from rich.console import Console

from printq.cli.desk import Desk
from printq.cli.keys import Keyboard
from printq.models.plan import Move
from printq.spool.operator import Answer, AssumingOperator, InOrder, Rolling, SetUp, Wish
from tests.sessions import SmallSession

SET_UP = SetUp(
    "clarinet/tone",
    "tone",
    "warm",
    (Move(unit="eq", control="low", from_=-3.0, to=3.0, seconds=6.0),),
    "as on the first night",
    "photos/warm.jpg",
)


class Typed(Keyboard):
    def __init__(self) -> None:
        self.keys = ""

    def pressed(self) -> str:
        keys, self.keys = self.keys, ""
        return keys

    def wait(self, seconds: float) -> None:
        pass


class Bench:
    def __init__(self, session: SmallSession, assuming: AssumingOperator | None = None) -> None:
        self.screen = io.StringIO()
        self.keyboard = Typed()
        console = Console(file=self.screen, force_terminal=True, width=120)
        self.desk = Desk(session.load(), console, self.keyboard, assuming, settle_s=0.0)

    def type(self, keys: str) -> None:
        self.keyboard.keys += keys


@pytest.fixture
def bench(session: SmallSession) -> Bench:
    return Bench(session)


@pytest.mark.parametrize(
    ("key", "answer"),
    [("\n", Answer.DONE), ("\r", Answer.DONE), ("s", Answer.SKIP), ("b", Answer.BACK), ("q", Answer.STOP)],
)
def test_each_key_gives_its_answer(bench: Bench, key: str, answer: Answer) -> None:
    with bench.desk as desk:
        desk.ask(SET_UP)
        assert desk.answer() is None
        bench.type(key)
        reply = desk.answer()
        assert reply is not None
        assert reply.answer is answer
        assert reply.confirmation.by == "operator"
        assert desk.answer() is None  # once


def test_keys_that_mean_nothing_do_nothing(bench: Bench) -> None:
    with bench.desk as desk:
        desk.ask(SET_UP)
        bench.type("zol7\x1b[A\x1b[B\x1bOQ\x1bOS\x1b[15~")
        assert desk.answer() is None


def test_a_second_tap_confirms_nothing_that_nobody_has_seen(session: SmallSession) -> None:
    bench = Bench(session)
    bench.desk._settle_s = 60.0
    with bench.desk as desk:
        bench.type("\n")
        desk.ask(SET_UP)
        bench.type("\n")
        assert desk.answer() is None


def test_only_what_moves_is_shown_with_note_and_photo(bench: Bench) -> None:
    with bench.desk as desk:
        desk.ask(SET_UP)
    shown = bench.screen.getvalue()
    assert "Parametric equaliser: low  -3 -> 3 dB" in shown
    assert "as on the first night" in shown
    assert "photos/warm.jpg" in shown
    assert "range" not in shown  # a fixed control


def test_a_note_is_typed_and_goes_with_the_answer(bench: Bench) -> None:
    with bench.desk as desk:
        desk.ask(SET_UP)
        bench.type("nquiet bulzz\x7f\x7fb, s\n")
        assert desk.answer() is None  # letters of a note are no keys
        bench.type("\n")
        reply = desk.answer()
        assert reply is not None
        assert reply.confirmation.note == "quiet bulb, s"


def test_a_doubted_insert_is_in_order_or_left_alone(bench: Bench) -> None:
    with bench.desk as desk:
        for key, answer in (("o", Answer.DONE), ("l", Answer.SKIP)):
            desk.ask(InOrder("tone", "silent: what came back is no more than noise"))
            bench.type("\n")
            assert desk.answer() is None  # Enter alone vouches for nothing
            bench.type(key)
            reply = desk.answer()
            assert reply is not None
            assert reply.answer is answer


def rolling(*names: str) -> list[Rolling]:
    return [Rolling(name, "tone", 0.5, 12.0, -10.0, -12.0) for name in names]


def test_one_in_the_air_needs_no_choice_of_several_one_is_named(bench: Bench) -> None:
    with bench.desk as desk:
        bench.type("r")
        assert desk.wishes() == []  # nothing is in the air
        desk.show(rolling("harp/bus"), 3, 100.0)
        bench.type("x")
        assert desk.wishes() == [Wish("drop", "harp/bus")]
        desk.show(rolling("harp/bus", "clarinet/tone"), 3, 100.0)
        bench.type("r")
        assert desk.wishes() == []
        bench.type("2")
        assert desk.wishes() == [Wish("redo", "clarinet/tone")]
        bench.type("rk")
        assert desk.wishes() == []
        bench.type("q")
        assert desk.wishes() == [Wish("stop")]


def test_the_view_has_progress_time_left_and_levels(bench: Bench) -> None:
    with bench.desk as desk:
        desk.show(rolling("harp/bus"), 3, 754.0)
        desk._draw(at_once=True)
    shown = bench.screen.getvalue()
    assert "3 passes to go, about 12:34" in shown
    assert "============............" in shown
    assert "0:12 left" in shown
    assert "-10.0" in shown


def test_with_yes_the_desk_only_shows(session: SmallSession) -> None:
    bench = Bench(session, AssumingOperator())
    with bench.desk as desk:
        desk.ask(SET_UP)
        reply = desk.answer()
        assert reply is not None
        assert reply.confirmation.by == "--yes"


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_session_is_printed_from_a_real_terminal(session: SmallSession, tmp_path: Path) -> None:
    import pty

    session.keep_stems("clarinet")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "printq", "run", str(session.folder)]
    process = subprocess.Popen(command, stdin=theirs, stdout=subprocess.PIPE, stderr=theirs)
    os.close(theirs)
    seen = b""
    end = time.monotonic() + 60.0
    typed = False
    while process.poll() is None and time.monotonic() < end:
        try:
            seen += os.read(ours, 4096)
        except OSError:  # the terminal is gone with the process
            break
        if b"it is dialled" in seen and not typed:
            time.sleep(0.5)  # nobody reads a set-up in less
            os.write(ours, b"\n")
            typed = True
    assert process.wait(30) == 0
    os.close(ours)
    assert process.stdout is not None
    assert b"clarinet.tone.v1.wav" in process.stdout.read()
    process.stdout.close()
    assert session.prints() == ["dry/clarinet.tone.v1.wav"]
