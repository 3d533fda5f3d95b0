"""Questions to the person at the rack: asked one at a time, never waited for, and taken back when they were wrong."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from printq.errors import ExitStatus
from printq.models.take import Confirmation
from printq.spool.journal import Journal
from printq.spool.operator import Answer, InOrder, Question, Reply, Rolling, SetUp, Wish
from printq.spool.paths import SessionPaths
from tests.sessions import Recording, SmallSession


class SlowHands:
    """Answers a question after it has been looked at so many times; wishes when it is told to."""

    def __init__(self, patience: int = 5, answers: dict[str, list[Answer]] | None = None) -> None:
        self.patience = patience
        self.answers = answers or {}
        self.asked: list[Question] = []
        self.open: Question | None = None
        self.withdrawn = 0
        self.wanted: list[Wish] = []
        self._looks = 0

    def ask(self, question: Question) -> None:
        assert self.open is None, "one question at a time"
        self.open, self._looks = question, 0
        self.asked.append(question)

    def answer(self) -> Reply | None:
        assert self.open is not None, "nothing was asked"
        self._looks += 1
        if self._looks < self.patience:
            return None
        question, self.open = self.open, None
        name = question.pass_id if isinstance(question, SetUp) else question.insert
        left = self.answers.get(name, [])
        answer = left.pop(0) if left else Answer.DONE
        return Reply(answer, Confirmation(by="operator", at="2026-01-01T00:00:00+00:00", note="by lamplight"))

    def withdraw(self) -> None:
        self.withdrawn += 1
        self.open = None

    def wishes(self) -> list[Wish]:
        wanted, self.wanted = self.wanted, []
        return wanted

    def wait(self, seconds: float) -> None:
        pass

    def passes(self) -> list[str]:
        return [question.pass_id for question in self.asked if isinstance(question, SetUp)]


class Watching(Recording):
    """A listener that does something when it sees what is in the air."""

    def __init__(self, look: Callable[[list[Rolling]], None]) -> None:
        super().__init__()
        self._look = look

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        self._look(rolling)


def test_what_needs_no_hands_rolls_while_a_question_is_open(session: SmallSession) -> None:
    hands = SlowHands(patience=10_000)
    rolled_while_open: list[str] = []

    def look(rolling: list[Rolling]) -> None:
        if hands.open is not None:
            rolled_while_open.extend(each.pass_id for each in rolling)
        if len(listener.told) > 2 and not rolling:
            hands.patience = 0

    listener = Watching(look)
    assert session.run(operator=hands, listener=listener).exit_status is ExitStatus.DONE
    assert "harp/bus" in rolled_while_open
    assert len(session.prints()) == 5


def test_the_note_of_the_operator_is_kept_in_the_sidecar(session: SmallSession) -> None:
    session.run(operator=SlowHands())
    assert '"note": "by lamplight"' in (session.folder / "dry/clarinet.tone.v1.json").read_text()


def test_back_during_a_take_records_it_again(session: SmallSession) -> None:
    # A second unit of its own for the viola, so that its set-up is asked for while the clarinet rolls.
    session.rig["unit"].append({**session.rig["unit"][0], "id": "eq2"})
    session.rig["insert"].append({"id": "tone2", "units": ["eq2"], "sends": [5], "returns": [5], "tail_s": 0.1})
    session.snapshots["snapshot"].append({"id": "thin2", "insert": "tone2", "settings": {"eq2": {"low": -3.0}}})
    session.stem("viola")["through"] = [{"insert": "tone2", "snapshot": "thin2"}]
    session.keep_stems("clarinet", "viola")
    hands = SlowHands(patience=1)
    original = hands.answer

    def answer() -> Reply | None:
        question = hands.open
        if isinstance(question, SetUp) and len(hands.passes()) == 2:
            hands.open = None
            return Reply(Answer.BACK, Confirmation(by="operator", at="2026-01-01T00:00:00+00:00"))
        return original()

    hands.answer = answer  # type: ignore[method-assign]
    assert session.run(operator=hands).exit_status is ExitStatus.DONE
    first, second = hands.passes()[:2]
    assert hands.passes().count(first) == 2
    assert set(hands.passes()) == {first, second}
    again = [q for q in hands.asked if isinstance(q, SetUp) and q.pass_id == first][1]
    assert again.moves[0].from_ is None  # nobody trusts where it stands
    with Journal(SessionPaths(session.folder).journal, read_only=True) as journal:
        assert [take.state for take in journal.takes(first)] == ["failed", "delivered"]


@pytest.mark.parametrize(("kind", "states"), [("redo", ["failed", "delivered"]), ("drop", ["failed"])])
def test_a_take_in_the_air_can_be_recorded_again_or_dropped_alone(
    session: SmallSession, kind: str, states: list[str]
) -> None:
    hands = SlowHands(patience=1)
    done: list[str] = []

    def look(rolling: list[Rolling]) -> None:
        if not done and any(each.pass_id == "harp/bus" for each in rolling):
            done.append("harp/bus")
            hands.wanted.append(Wish("redo" if kind == "redo" else "drop", "harp/bus"))

    report = session.run(operator=hands, listener=Watching(look))
    with Journal(SessionPaths(session.folder).journal, read_only=True) as journal:
        assert [take.state for take in journal.takes("harp/bus")] == states
        assert [take.state for take in journal.takes("clarinet/tone")] == ["delivered"]
    assert report.exit_status is (ExitStatus.DONE if kind == "redo" else ExitStatus.STOPPED)


def test_an_insert_in_doubt_waits_while_the_others_go_on(session: SmallSession) -> None:
    session.simulation["fault"] = [{"kind": "dead", "pass": "clarinet/tone", "at_s": 0.0}]
    hands = SlowHands(patience=3)
    report = session.write().run(operator=hands)
    (asked,) = (question for question in hands.asked if isinstance(question, InOrder))
    assert asked.insert == "tone"
    # It was said to be in order again: the viola went through it, and only the clarinet is held.
    assert report.held == ["clarinet/tone"]
    assert "dry/viola.tone.v1.wav" in session.prints()


def test_a_doubt_comes_before_a_set_up_on_the_same_insert(session: SmallSession) -> None:
    """The viola's set-up is open when the clarinet comes back silent through the same insert."""
    session.keep_stems("clarinet", "viola")
    session.simulation["fault"] = [{"kind": "dead", "pass": name, "at_s": 0.0} for name in BOTH]
    hands = SlowHands(patience=40)
    report = session.write().run(operator=hands)
    kinds = [type(question).__name__ for question in hands.asked]
    assert kinds.count("InOrder") >= 1
    assert set(report.held) <= set(BOTH)
    assert hands.open is None


BOTH = ["clarinet/tone", "viola/tone"]


def test_a_stop_withdraws_the_open_question(session: SmallSession) -> None:
    hands = SlowHands(patience=10_000)
    looked: list[int] = []

    def look(rolling: list[Rolling]) -> None:
        looked.append(len(rolling))
        if len(looked) == 3:
            hands.wanted.append(Wish("stop"))

    assert session.run(operator=hands, listener=Watching(look)).exit_status is ExitStatus.STOPPED
    assert hands.open is None
    assert hands.withdrawn == 1


def test_a_stem_that_is_gone_when_its_turn_comes_costs_that_pass_alone(session: SmallSession) -> None:
    gone: list[str] = []

    def look(rolling: list[Rolling]) -> None:
        if rolling and not gone:
            gone.append("viola")
            (session.folder / "dry/viola.wav").unlink()

    report = session.run(operator=SlowHands(patience=1), listener=Watching(look))
    assert report.exit_status is ExitStatus.STOPPED
    assert {"dry/clarinet.tone.v1.wav", "dry/harp.bus.v1.wav"} <= set(session.prints())


def test_going_back_again_and_again_ends_nothing(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    hands = SlowHands(patience=1, answers={"clarinet/tone": [Answer.BACK] * 4})
    assert session.run(operator=hands).exit_status is ExitStatus.DONE
