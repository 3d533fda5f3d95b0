"""The whole queue under seeded schedules of calamities: virtual time, and a disk, hands and a fate that a test holds.

The same code as in a real run. Each seed draws glitches, lost and repeated samples, dead and inverted lanes, noise,
full disks, kills, slow hands, wrong answers and second thoughts; afterwards calm runs finish the session. Whatever
happened, every print is the one of an undisturbed run, or its pass is held for a fault of its own, or it waits for one
that is. The plan is revised on the way, and nothing that stands dialled, is being dialled or rolls is moved by that.

PRINTQ_SCHEDULES=1000 runs as many; a seed that fails does so again.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from printq.errors import ExitStatus, StorageError
from printq.files import atomic, soundfiles
from printq.models.passes import Job
from printq.models.plan import Plan
from printq.models.take import Confirmation
from printq.plan import Evening, revise_plan
from printq.spool import revision
from printq.spool.journal import Journal
from printq.spool.operator import Answer, InOrder, Question, Reply, Rolling, SetUp, Wish
from printq.spool.outcomes import RunReport
from printq.spool.paths import SessionPaths
from tests.sessions import Recording, SmallSession, read_audio
from tests.spool.evening import Event, moved_for_nothing

SCHEDULES = int(os.environ.get("PRINTQ_SCHEDULES", "20"))
PASSES = ["clarinet/tone", "viola/tone", "viola/wire", "harp/bus", "mix/bus"]
KINDS = ["glitch", "slip", "repeat", "dead", "inverted", "noise"]
CALM_RUNS = 6


class Killed(BaseException):
    """Stands for the end of the process; nothing catches it."""


class Disk:
    """Counts what is written, and fails or ends everything at chosen operations."""

    def __init__(self, calamities: dict[int, str]) -> None:
        self.operations = 0
        self._calamities = calamities
        self._full_until = -1

    def touch(self) -> None:
        at, self.operations = self.operations, self.operations + 1
        what = self._calamities.pop(at, None)
        if what == "kill":
            raise Killed
        if what == "full":
            self._full_until = at + 3
        if at < self._full_until:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


class Fate:
    """Hands and second thoughts, by chance; `now_s` is the clock of the hands. It keeps what it sees."""

    def __init__(self, rng: np.random.Generator, trouble: float) -> None:
        self._rng, self._trouble = rng, trouble
        self._open: Question | None = None
        self._patience = 0
        self._wanted: list[Wish] = []
        self.now_s = 0.0
        self.events: list[Event] = []

    def note(self, kind: str, pass_id: str | None, text: str) -> None:
        self.events.append(Event(self.now_s, kind, pass_id, text, 0))

    def ask(self, question: Question) -> None:
        assert self._open is None
        self._open = question
        self._patience = int(self._rng.integers(0, 6))
        self.note("ask", question.pass_id if isinstance(question, SetUp) else None, question.insert)

    def answer(self) -> Reply | None:
        assert self._open is not None
        self._patience -= 1
        if self._patience > 0:
            return None
        question, self._open = self._open, None
        wrong = self._rng.random() < self._trouble
        if isinstance(question, InOrder):
            answer = Answer.DONE if wrong else Answer.SKIP
        elif isinstance(question, SetUp) and wrong:
            answer = (Answer.SKIP, Answer.BACK, Answer.STOP)[int(self._rng.integers(0, 3))]
        else:
            answer = Answer.DONE
        if isinstance(question, SetUp):
            # Some are quick, most take their time, and one in ten goes for a walk.
            self.now_s += float(self._rng.choice([1.0, 6.0, 15.0, 15.0, 15.0, 15.0, 15.0, 15.0, 40.0, 600.0]))
        self.note("answer", question.pass_id if isinstance(question, SetUp) else None, answer.value)
        return Reply(answer, Confirmation(by="operator", at="2026-01-01T00:00:00+00:00"))

    def withdraw(self) -> None:
        self.note("withdraw", self._open.pass_id if isinstance(self._open, SetUp) else None, "")
        self._open = None

    def wishes(self) -> list[Wish]:
        wanted, self._wanted = self._wanted, []
        for wish in wanted:
            self.note("wish", None if wish.kind == "stop" else wish.pass_id, wish.kind)
        return wanted

    def wait(self, seconds: float) -> None:
        pass

    def look(self, rolling: list[Rolling]) -> None:
        if rolling and self._rng.random() < self._trouble / 4:
            kinds: list[Any] = ["redo", "drop", "stop"]
            self._wanted.append(Wish(kinds[int(self._rng.integers(0, 3))], rolling[0].pass_id))


class Onlooker(Recording):
    def __init__(self, fate: Fate) -> None:
        super().__init__()
        self._fate = fate

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        super().tell(kind, pass_id, text)
        self._fate.note(kind, pass_id, text)

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        self._fate.look(rolling)


@contextlib.contextmanager
def held_by(disk: Disk) -> Iterator[None]:
    """Everything that the program writes goes past `disk`."""
    with pytest.MonkeyPatch.context() as patch:
        put, sync, move, step = soundfiles._Writer._put, os.fsync, atomic._move_exclusively, Journal.step

        def counted(function: Any) -> Any:
            def call(*arguments: Any) -> Any:
                disk.touch()
                return function(*arguments)

            return call

        def put_by_the_door(self: Any, samples: Any) -> None:
            with self._errors():
                disk.touch()
            put(self, samples)

        def step_by_the_door(self: Journal) -> Any:
            try:
                disk.touch()
            except OSError as error:  # as the journal itself says it
                raise StorageError("the journal cannot be written: the disk is full") from error
            return step(self)

        patch.setattr(soundfiles._Writer, "_put", put_by_the_door)
        patch.setattr(os, "fsync", counted(sync))
        patch.setattr(atomic, "_move_exclusively", counted(move))
        patch.setattr(Journal, "step", step_by_the_door)
        yield


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> SmallSession:
    session = SmallSession(tmp_path_factory.mktemp("undisturbed"), seconds=0.3)
    session.job["options"].update(lead_s=0.2, gap_s=0.15)
    session.write()
    assert session.run().exit_status is ExitStatus.DONE
    return session


def run_with(session: SmallSession, fate: Fate) -> RunReport:
    """One run; what was dialled or rolled stays where it was, also when the run ends in a calamity."""
    try:
        return session.run(operator=fate, listener=Onlooker(fate), clock=lambda: fate.now_s)
    finally:
        assert moved_for_nothing(session.load(), fate.events) == []


def disturb(session: SmallSession, seed: int) -> set[str]:
    """Run a session through a schedule, then to its end; returns the passes that have a fault of their own."""
    rng = np.random.default_rng([seed, 20])
    faults: list[dict[str, Any]] = []
    for _ in range(int(rng.integers(0, 4))):
        fault: dict[str, Any] = {
            "kind": KINDS[int(rng.integers(0, len(KINDS)))],
            "pass": PASSES[int(rng.integers(0, len(PASSES)))],
            "at_s": round(float(rng.uniform(0.0, 0.9)), 3),
        }
        if rng.random() < 0.6:
            fault["take"] = int(rng.integers(1, 4))
        if fault["kind"] == "noise":
            fault["amount"] = -40.0
        faults.append(fault)
    session.simulation["fault"] = faults
    session.simulation["restart_jitter_samples"] = 64
    session.write()
    for _ in range(int(rng.integers(1, 4))):
        calamities = {
            int(rng.integers(0, 160)): ("kill", "full")[int(rng.integers(0, 2))] for _ in range(int(rng.integers(0, 3)))
        }
        fate = Fate(rng, trouble=0.25)
        with contextlib.suppress(Killed, StorageError), held_by(Disk(calamities)):
            run_with(session, fate)
    for _ in range(CALM_RUNS):
        fate = Fate(rng, trouble=0.0)
        report = run_with(session, fate)
        # An insert that was left alone in one run is tried again in the next.
        if report.rolled_s == 0.0 and not report.delivered:
            break
    assert report.exit_status in (ExitStatus.DONE, ExitStatus.HELD), report
    return {fault["pass"] for fault in faults}


def check(session: SmallSession, undisturbed: SmallSession, faulty: set[str]) -> None:
    report = session.run()  # nothing is left to do
    assert report.rolled_s == 0.0
    assert report.delivered == []
    states = {standing.pass_id: standing for standing in report.standings}
    needs = {each.id: each.needs for each in session.load().passes}
    right = undisturbed.files()
    for name, standing in states.items():
        if standing.state == "printed":
            assert standing.version == 1, name
            assert standing.print_file is not None
            printed = read_audio(session.folder / standing.print_file)
            assert np.array_equal(printed, read_audio(undisturbed.folder / standing.print_file)), name
        elif standing.state == "held":
            # A glitch spoils every take in the air, whoever's fault it is.
            assert name in faulty or "glitched" in standing.reason, standing.reason
            assert standing.reason
        else:
            assert standing.state == "queued", standing
            assert any(states[other].state != "printed" for other in needs[name]), standing
    now = session.files()
    assert {name for name in now if name.startswith("dry/") and ".v" not in name} <= set(right)
    assert all(now[name] == right[name] for name in right if name.startswith("dry/") and ".v" not in name)
    assert {name for name in now if ".v" in name} <= set(right)  # no second version, no partial file
    assert list((session.folder / ".printq/staging").iterdir()) == []
    connection = sqlite3.connect(SessionPaths(session.folder).journal)
    with contextlib.closing(connection):
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(SCHEDULES))
def test_every_schedule_ends_with_right_prints_or_held_ones(
    undisturbed: SmallSession, tmp_path: Path, seed: int
) -> None:
    session = SmallSession(tmp_path, seconds=0.3)
    session.job["options"].update(lead_s=0.2, gap_s=0.15)
    check(session, undisturbed, disturb(session, seed))
    shutil.rmtree(tmp_path)


def test_a_seed_replays_alike(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stories = []
    plans: list[Plan] = []

    def revise(job: Job, evening: Evening) -> Plan:
        plans.append(revise_plan(job, evening))
        return plans[-1]

    monkeypatch.setattr(revision, "revise_plan", revise)
    for turn in range(2):
        session = SmallSession(tmp_path / str(turn), seconds=0.3)
        session.job["options"].update(lead_s=0.2, gap_s=0.15)
        disturb(session, 7)
        with Journal(SessionPaths(session.folder).journal, read_only=True) as journal:
            stories.append([str(entry[1:]).replace(str(session.folder), "") for entry in journal.story()])
    assert stories[0] == stories[1]
    assert plans
    assert plans[: len(plans) // 2] == plans[len(plans) // 2 :]
