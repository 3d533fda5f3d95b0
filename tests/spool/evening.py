"""A whole evening on the simulated rack, by one clock: takes and hands take their time side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import pytest

from printq.audio.simulated import SimulatedRack
from printq.models.passes import Job
from printq.models.plan import Plan
from printq.models.take import Confirmation
from printq.plan import Evening as Situation
from printq.plan import revise_plan
from printq.spool import revision
from printq.spool.operator import Answer, InOrder, Question, Reply, Rolling, SetUp, Wish
from printq.spool.outcomes import RunReport
from printq.spool.session import run_session
from tests.sessions import SmallSession

__all__ = ["Evening", "Event", "dialled_out_of_order", "moved_for_nothing"]

HANDS_STEP_S = 0.25


@dataclass(frozen=True)
class Event:
    """Something that the operator or the listener saw."""

    at_s: float
    kind: str
    """`ask`, `answer`, `withdraw`, `wish`, `plan-made`, or what the listener was told."""
    pass_id: str | None
    text: str
    looks: int
    """How often the live view had been shown by then."""


def as_planned(question: SetUp) -> float:
    return sum(move.seconds for move in question.moves)


@dataclass
class Evening:
    """One run, its operator and its listener; nothing happens by the clock of the machine.

    `hands` says how many seconds a set-up takes; `answers` what is answered for a pass, one after the other, in place
    of `done`; `wishes` are made as soon as a pass has been in the air for so long.
    """

    session: SmallSession
    hands: Callable[[SetUp], float] = as_planned
    answers: dict[str, list[Answer]] = field(default_factory=dict)
    wanted: dict[str, tuple[float, Wish]] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    ends: list[tuple[float, float]] = field(default_factory=list)
    """The clock, and when all will be done by the live view, at each look."""
    plans: list[tuple[Situation, Plan]] = field(default_factory=list)
    """Each revision: how the run stood, and what came of it."""
    began_with: Plan | None = None
    rack_on_s: float | None = None

    def __post_init__(self) -> None:
        self._idle_s = 0.0
        self._rack: SimulatedRack | None = None
        self._open: Question | None = None
        self._ready_s = 0.0
        self._due: list[Wish] = []

    # ---- the clock ----

    def now(self) -> float:
        """Seconds since the evening began."""
        return self._idle_s + self._stream_s()

    def _stream_s(self) -> float:
        return self._rack.played_frames / self._rack.facts.rate if self._rack is not None else 0.0

    def _make_rack(self, job: Job, restarts: int) -> SimulatedRack:
        self._rack = SimulatedRack(job.rig, restarts)
        return self._rack

    # ---- the run ----

    def run(self, only: Iterable[str] | None = None) -> RunReport:
        """Run the session."""
        job = self.session.load()

        def revise(job: Job, situation: Situation) -> Plan:
            plan = revise_plan(job, situation)
            self.plans.append((situation, plan))
            self._note("plan-made", None, "")
            return plan

        def begin(driver: object) -> None:
            original = driver._on_plan  # type: ignore[attr-defined]

            def on_plan(plan: Plan) -> None:
                self.began_with = plan
                original(plan)

            driver._on_plan = on_plan  # type: ignore[attr-defined]

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(revision, "revise_plan", revise)
            return run_session(
                job,
                lambda restarts: self._make_rack(job, restarts),
                self,
                self,
                workers=0,
                only=frozenset(only) if only is not None else None,
                rack_on_s=self.rack_on_s,
                on_driver=begin,
                clock=lambda: self._idle_s,
            )

    def _note(self, kind: str, pass_id: str | None, text: str) -> None:
        self.events.append(Event(self.now(), kind, pass_id, text, len(self.ends)))

    # ---- the operator ----

    def ask(self, question: Question) -> None:
        assert self._open is None, "one question at a time"
        self._open = question
        seconds = self.hands(question) if isinstance(question, SetUp) else 0.0
        self._ready_s = self.now() + seconds
        name = question.pass_id if isinstance(question, SetUp) else None
        self._note("ask", name, question.insert)

    def answer(self) -> Reply | None:
        question = self._open
        assert question is not None, "nothing was asked"
        if self.now() < self._ready_s:
            return None
        self._open = None
        if isinstance(question, InOrder):
            answer, name = Answer.SKIP, None
        else:
            name = question.pass_id
            left = self.answers.get(name, [])
            answer = left.pop(0) if left else Answer.DONE
        self._note("answer", name, answer.value)
        return Reply(answer, Confirmation(by="operator", at="2026-01-01T00:00:00+00:00"))

    def withdraw(self) -> None:
        name = self._open.pass_id if isinstance(self._open, SetUp) else None
        self._open = None
        self._note("withdraw", name, "")

    def wishes(self) -> list[Wish]:
        due, self._due = self._due, []
        for wish in due:
            self._note("wish", wish.pass_id, wish.kind)
        return due

    def wait(self, seconds: float) -> None:
        self._idle_s += HANDS_STEP_S

    # ---- the listener ----

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        self._note(kind, pass_id, text)

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        self.ends.append((self.now(), self.now() + left_s))
        for each in rolling:
            after_s, wish = self.wanted.get(each.pass_id, (0.0, None))
            total_s = each.left_s / (1.0 - each.done) if each.done < 1.0 else 0.0
            if wish is not None and each.done * total_s >= after_s:
                del self.wanted[each.pass_id]
                self._due.append(wish)

    # ---- what is asked afterwards ----

    def asked(self) -> list[str]:
        """The passes whose set-up was asked for, in order."""
        return [event.pass_id for event in self.events if event.kind == "ask" and event.pass_id is not None]

    def rolled(self) -> list[str]:
        return [event.pass_id for event in self.events if event.kind == "rolling" and event.pass_id is not None]

    def told(self, kind: str) -> list[str]:
        return [event.text for event in self.events if event.kind == kind]

    def first(self, kind: str) -> Event:
        return next(event for event in self.events if event.kind == kind)

    def end_after(self, event: Event) -> float:
        """When all will be done, by the first look at the live view after an event."""
        return self.ends[event.looks][1]


OVER = ("printed", "held", "waits")


def moved_for_nothing(job: Job, events: Iterable[Event]) -> list[str]:
    """What was moved although it stood dialled, was being dialled, or played; from what person and listener saw alone.

    From its set-up on, a pass has its units until it is printed, held or skipped, or until the person sends the set-up
    back or wants another take. A question stays until it is answered, unless its pass is over, its insert is doubted,
    or the run ends.
    """
    units = {each.id: {unit.id for unit in job.units_of(each)} for each in job.passes}
    inserts = {each.id: each.insert for each in job.passes}
    found: list[str] = []
    dialled: dict[str, set[str]] = {}
    over: set[str] = set()
    withdrawn: str | None = None
    stopping = False
    for event in events:
        name = event.pass_id
        if event.kind == "ask" and name is None and withdrawn is not None and inserts[withdrawn] == event.text:
            withdrawn = None
        if event.kind == "ask" and name is not None:
            for other, held in dialled.items():
                if other != name and held & units[name]:
                    found.append(f"{name} is dialled over {other}")
            if withdrawn is not None and withdrawn != name:
                found.append(f"the question for {withdrawn} gave way to {name}")
            withdrawn = None
        elif event.kind == "answer" and event.text == Answer.DONE.value and name is not None:
            dialled[name] = units[name]
        elif event.kind == "answer" and event.text == Answer.BACK.value:
            # The set-up before is not trusted any more, nor is what was recorded on its units since.
            dialled.clear()
        elif event.kind == "answer" and event.text == Answer.STOP.value:
            stopping = True
        elif event.kind == "wish" and name is not None:
            dialled.pop(name, None)
        elif event.kind == "wish":
            stopping = True
        elif event.kind == "rolling" and name is not None:
            clash = [other for other, held in dialled.items() if other != name and held & units[name]]
            # Passes that stand alike follow one another without a set-up.
            found += [f"{name} rolls on units that were dialled for {other}" for other in clash if name in dialled]
        elif event.kind in OVER and name is not None:
            dialled.pop(name, None)
            over.add(name)
        elif event.kind == "withdraw":
            withdrawn = name if name is not None and name not in over and not stopping else None
    return found


def dialled_out_of_order(job: Job, evening: Evening) -> list[str]:
    """Set-ups that were asked for although the plan in force has another pass on one of their units before."""
    units = {each.id: {unit.id for unit in job.units_of(each)} for each in job.passes}
    assert evening.began_with is not None
    order = [entry.pass_id for entry in evening.began_with.entries]
    plans = iter(evening.plans)
    begun: set[str] = set()
    found = []
    for event in evening.events:
        name = event.pass_id
        if event.kind == "plan-made":
            order = [entry.pass_id for entry in next(plans)[1].entries]
            begun.difference_update(order)
        elif event.kind == "ask" and name is not None and name in order:
            before = order[: order.index(name)]
            found += [f"{name} before {one}" for one in before if one not in begun and units[one] & units[name]]
        elif event.kind in ("rolling", *OVER) and name is not None:
            begun.add(name)
    return found
