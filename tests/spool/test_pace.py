"""Times of real sessions on the simulated rack; the person's clock is the test's."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from printq.cli.render import status_lines
from printq.errors import ExitStatus
from printq.models.pace import Experience
from printq.models.take import Confirmation
from printq.spool.journal import Journal
from printq.spool.operator import Answer, AssumingOperator, Question, Reply, SetUp, Wish
from printq.spool.pace import look_back
from printq.spool.paths import SessionPaths
from printq.spool.session import list_standings, recall_times
from tests.sessions import SmallSession


class Clock:
    """Stands still, but for what the person does."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Person:
    """Takes so many seconds for a set-up, by the clock, and says that it is dialled; or answers otherwise."""

    def __init__(
        self, clock: Clock, seconds: Callable[[SetUp], float], answers: dict[str, list[Answer]] | None = None
    ) -> None:
        self._clock = clock
        self._seconds = seconds
        self._answers = answers or {}
        self._open: Question | None = None

    def ask(self, question: Question) -> None:
        self._open = question

    def answer(self) -> Reply | None:
        question, self._open = self._open, None
        assert isinstance(question, SetUp)
        self._clock.now += self._seconds(question)
        left = self._answers.get(question.pass_id, [])
        return Reply(left.pop(0) if left else Answer.DONE, Confirmation(by="operator", at="2026-01-01T00:00:00+00:00"))

    def withdraw(self) -> None:
        self._open = None

    def wishes(self) -> list[Wish]:
        return []

    def wait(self, seconds: float) -> None:
        pass


@pytest.fixture
def many(session: SmallSession) -> SmallSession:
    """Seven stems through one knob, each with a snapshot of its own: seven set-ups of 6 s by the rig file."""
    through = [{"id": f"warm-{n}", "insert": "tone", "settings": {"eq": {"low": float(n)}}} for n in range(7)]
    session.snapshots["snapshot"] += through
    session.job["stem"] = [
        {"id": f"part-{n}", "file": "dry/clarinet.wav", "through": [{"insert": "tone", "snapshot": f"warm-{n}"}]}
        for n in range(7)
    ]
    return session.write()


def run(session: SmallSession, seconds: Callable[[SetUp], float], **answers: list[Answer]) -> Experience:
    clock = Clock()
    wanted = {name.replace("__", "/").replace("_", "-"): each for name, each in answers.items()}
    session.run(operator=Person(clock, seconds, wanted), clock=clock)
    return recall_times(session.load())


def text_of(session: SmallSession) -> list[str]:
    job = session.load()
    return status_lines(job, list_standings(job), recall_times(job))


def test_before_the_first_run_nothing_is_known(session: SmallSession) -> None:
    assert recall_times(session.load()) == Experience()
    assert not (session.folder / ".printq").exists()


def test_the_last_run_stands_beside_its_plan(many: SmallSession) -> None:
    last = run(many, lambda question: 7.0).last_run
    assert last is not None
    saved = json.loads((many.folder / ".printq/plan.json").read_text())
    assert last.planned_s == saved["makespan_s"]
    assert (last.passes, last.printed, last.state) == (7, 7, "ended")
    assert (last.set_ups, last.left_out) == (7, 0)
    assert (last.hands_planned_s, last.hands_took_s) == (42.0, 49.0)
    assert last.took_s == 49.0  # nothing but the hands moves this clock
    line = next(line for line in text_of(many) if line.startswith("last run"))
    assert line.endswith("took 0:49; hands planned 0:42, took 0:49")


def test_a_person_who_walks_away_is_left_out_and_said_to_be(many: SmallSession) -> None:
    found = run(many, lambda question: 3600.0 if question.pass_id == "part-3/tone" else 6.0)
    assert found.last_run is not None
    assert (found.last_run.set_ups, found.last_run.left_out) == (6, 1)
    assert found.last_run.hands_took_s == 36.0
    assert found.dial_times == ()
    assert "  (1 of 7 set-ups left out: far longer or shorter than handwork takes)" in text_of(many)


def test_a_dial_time_is_offered_and_never_applied(many: SmallSession) -> None:
    before = many.files()
    (found,) = run(many, lambda question: 9.0).dial_times
    assert (found.unit, found.control, found.rig_s, found.measured_s, found.set_ups) == ("eq", "low", 6.0, 9.0, 7)
    assert "eq.low: the rig says 6 s, 7 set-ups took 9 s: dial_s = 9 would plan closer" in text_of(many)
    after = many.files()
    assert {name: after[name] for name in before} == before
    many.rig["unit"][0]["control"][0]["dial_s"] = 9
    many.write()
    assert recall_times(many.load()).dial_times == ()


def test_a_rehearsal_says_nothing_of_a_real_rack(many: SmallSession) -> None:
    assert run(many, lambda question: 9.0).dial_times
    many.rig["interface"].update(driver="portaudio", device="an interface that nobody has")
    del many.rig["interface"]["simulation"]
    assert recall_times(many.write().load()).dial_times == ()


def test_set_ups_add_up_over_runs(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    for number in range(6):
        if number:
            session.job["stem"][0]["through"][0]["send_db"] = -float(number)
            session.write()
        found = run(session, lambda question: 10.0)
        assert bool(found.dial_times) == (number >= 4)  # from five set-ups on


def test_set_ups_that_nobody_did_teach_nothing(many: SmallSession) -> None:
    clock = Clock()
    many.run(operator=AssumingOperator(), clock=clock)
    found = recall_times(many.load())
    assert found.dial_times == ()
    assert found.last_run is not None
    assert (found.last_run.set_ups, found.last_run.hands_took_s) == (0, None)
    assert not any("hands" in line for line in text_of(many))


def test_presets_are_no_handwork(session: SmallSession) -> None:
    session.rig["unit"][0].update(recall="preset", preset_s=5, control=[])
    session.rig["unit"][0]["model"] = {"kind": "wire", "presets": {"warm": {}, "thin": {}}}
    for snapshot, name in zip(session.snapshots["snapshot"][:2], ("warm", "thin"), strict=True):
        snapshot["settings"] = {"eq": {"preset": name}}
    last = run(session.write(), lambda question: 5.0).last_run
    assert last is not None
    assert last.set_ups == 0


def test_only_the_first_time_that_a_set_up_is_asked_for_is_timed(session: SmallSession) -> None:
    """After going back, the person may have dialled already."""
    session.keep_stems("clarinet", "viola")
    last = run(session, lambda question: 6.0, viola__tone=[Answer.BACK]).last_run
    assert last is not None
    with Journal(SessionPaths(session.folder).journal, read_only=True) as journal:
        names = [each.time.pass_id for each in journal.set_ups()]
    assert len(names) == len(set(names))


def test_a_skipped_set_up_is_not_timed_and_the_line_says_how_many_were_printed(many: SmallSession) -> None:
    last = run(many, lambda question: 6.0, part_2__tone=[Answer.SKIP]).last_run
    assert last is not None
    assert (last.set_ups, last.printed, last.passes) == (6, 6, 7)
    assert any("for 6 of 7 passes" in line for line in text_of(many))


def test_a_run_with_nothing_to_print_does_not_hide_the_one_before(many: SmallSession) -> None:
    first = run(many, lambda question: 6.0).last_run
    assert run(many, lambda question: 6.0).last_run == first


def test_a_run_that_was_killed_is_said_to_be_broken_off(many: SmallSession) -> None:
    class Killed(Person):
        def answer(self) -> Reply | None:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        many.run(operator=Killed(Clock(), lambda question: 6.0), clock=Clock())
    last = recall_times(many.load()).last_run
    assert last is not None
    assert (last.state, last.took_s, last.printed) == ("broken off", None, None)
    assert any(line.startswith("last run: planned") and line.endswith(", was broken off") for line in text_of(many))
    with Journal(SessionPaths(many.folder).journal, read_only=True) as journal:
        under_way = look_back(many.load(), journal, running=True).last_run
    assert under_way is not None
    assert under_way.state == "under way"
    assert many.run().exit_status is ExitStatus.DONE
    again = recall_times(many.load()).last_run
    assert again is not None
    assert again.state == "ended"


def test_a_saved_plan_that_somebody_spoils_costs_nothing(many: SmallSession) -> None:
    clock = Clock()
    person = Person(clock, lambda question: 6.0)
    paths = SessionPaths(many.folder)
    report = many.run(operator=person, clock=clock, on_driver=lambda driver: spoil(driver, paths))
    assert report.exit_status is ExitStatus.DONE
    found = recall_times(many.load())
    assert found.last_run is not None
    assert (found.last_run.passes, found.last_run.printed) == (7, 7)


def spoil(driver: object, paths: SessionPaths) -> None:
    """Have the plan be unreadable as soon as it is saved."""
    original = driver._save_plan  # type: ignore[attr-defined]

    def save(plan: object) -> None:
        original(plan)
        paths.plan.write_text("{")

    driver._save_plan = save  # type: ignore[attr-defined]
