"""Several takes of a pass: nulled against each other, the nearest to the others delivered, all of it on record."""

from __future__ import annotations

import json
from typing import Any

import pytest

from printq.errors import ExitStatus
from printq.models.verdict import Agreement, Check
from printq.spool.driver import Driver
from printq.spool.journal import Journal, TakeEntry
from printq.spool.paths import SessionPaths
from printq.spool.session import accept_take, list_standings, request_reprint
from printq.verify import nearest_take
from tests.sessions import Recording, SmallSession

PASS = "clarinet/tone"


@pytest.fixture
def three(session: SmallSession) -> SmallSession:
    """One stem, three takes, converters that are not silent."""
    session.keep_stems("clarinet")
    session.job["options"]["takes"] = 3
    session.simulation["noise_dbfs"] = -90.0
    return session.write()


def takes(session: SmallSession) -> list[TakeEntry]:
    with Journal(SessionPaths(session.folder).journal, read_only=True) as journal:
        return journal.takes(PASS)


def drift(session: SmallSession) -> Check:
    (standing,) = (each for each in list_standings(session.load()) if each.pass_id == PASS)
    return next(check for check in standing.checks if check.check == "drift")


def fault(session: SmallSession, **values: Any) -> None:
    session.simulation.setdefault("fault", []).append({"pass": PASS, "at_s": 0.0, **values})
    session.write()


def test_all_are_recorded_and_one_is_delivered(three: SmallSession) -> None:
    report = three.run()
    assert report.exit_status is ExitStatus.DONE
    assert [take.state for take in takes(three)].count("delivered") == 1
    assert [take.state for take in takes(three)].count("spare") == 2
    assert three.prints() == ["dry/clarinet.tone.v1.wav"]
    assert list((three.folder / ".printq/staging").iterdir()) == []
    check = drift(three)
    assert check.verdict == "pass"
    # White noise of the converter in both takes, and nothing else: the null ends where the noise does.
    assert check.value == pytest.approx(0.0, abs=1.0)


def test_the_take_that_is_unlike_the_others_is_not_delivered(three: SmallSession) -> None:
    fault(three, kind="gain", take=1, at_s=0.9, amount=-1.0)
    assert three.run().exit_status is ExitStatus.DONE
    states = {take.number: take.state for take in takes(three)}
    assert states[1] == "spare"
    assert sorted(states.values()) == ["delivered", "spare", "spare"]
    notes = json.loads((three.folder / "dry/clarinet.tone.v1.json").read_text())
    assert notes["take"] in (2, 3)


def test_the_drift_check_tells_of_every_other_take_and_warns_of_the_odd_one(three: SmallSession) -> None:
    fault(three, kind="gain", take=2, at_s=0.9, amount=-1.0)
    three.run()
    check = drift(three)
    assert check.verdict == "warn"
    assert check.limit is not None
    (delivered,) = (take.number for take in takes(three) if take.state == "delivered")
    (like_it,) = {1, 3} - {delivered}
    assert {key.split(":")[0] for key in check.detail if ":" in key} == {"take 2", f"take {like_it}"}
    odd, like = check.detail["take 2: depth_db"], check.detail[f"take {like_it}: depth_db"]
    assert isinstance(odd, float)
    assert isinstance(like, float)
    # Half of a second of music 1 dB lower: about -20 dB; the other take nulls to the converters' noise.
    assert odd > like + 20.0
    assert check.cause is not None
    assert check.remedy is not None


def test_a_take_that_fails_is_replaced_and_not_compared(three: SmallSession) -> None:
    fault(three, kind="slip", take=2, at_s=0.9, amount=3)
    assert three.run().exit_status is ExitStatus.DONE
    assert [take.state for take in takes(three)].count("failed") == 1
    assert len(takes(three)) == 4


def test_a_stop_between_two_takes_loses_none(three: SmallSession) -> None:
    listener = Recording()

    def stop_after_the_first(driver: Driver) -> None:
        tell = listener.tell

        def and_stop(kind: str, pass_id: str | None, text: str) -> None:
            tell(kind, pass_id, text)
            if kind == "kept":
                driver.request_stop("stopped by a test")

        listener.tell = and_stop  # type: ignore[method-assign]

    assert three.run(listener=listener, on_driver=stop_after_the_first).exit_status is ExitStatus.STOPPED
    assert three.prints() == []
    (standing,) = list_standings(three.load())
    assert (standing.state, standing.reason) == ("queued", "1 of 3 takes recorded")
    assert three.run().exit_status is ExitStatus.DONE
    assert len(takes(three)) == 3
    assert three.prints() == ["dry/clarinet.tone.v1.wav"]


def test_a_run_that_ended_before_the_choice_is_finished_without_a_pass(three: SmallSession) -> None:
    three.run()
    # As a kill between the last verdict and the choice leaves it.
    for path in three.folder.glob("dry/clarinet.tone.v1.*"):
        path.unlink()
    with Journal(SessionPaths(three.folder).journal) as journal, journal.step():
        journal._run("DELETE FROM delivery")
        for take in journal.takes(PASS):
            journal.set_take(PASS, take.number, state="good")
    report = three.run()
    assert report.exit_status is ExitStatus.DONE
    assert report.rolled_s == 0.0
    assert three.prints() == ["dry/clarinet.tone.v1.wav"]
    assert [take.state for take in takes(three)].count("delivered") == 1


def test_one_of_several_good_takes_can_be_accepted_when_the_next_is_held(three: SmallSession) -> None:
    fault(three, kind="noise", take=2, amount=-40.0)
    assert three.run().exit_status is ExitStatus.HELD
    accept_take(three.load(), PASS, "the first one is fine", take=1)
    (standing,) = list_standings(three.load())
    assert standing.state == "printed"


def test_an_edit_after_some_takes_starts_over(three: SmallSession) -> None:
    three.run()
    three.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 5.0
    three.write().run()
    assert len(takes(three)) == 6
    assert three.prints() == ["dry/clarinet.tone.v1.wav", "dry/clarinet.tone.v2.wav"]


def test_a_reprint_of_the_same_is_compared_with_the_print_before(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.simulation["noise_dbfs"] = -90.0
    session.write().run()
    assert drift(session).value is None  # nothing to compare it with
    request_reprint(session.load(), "clarinet", "once more")
    session.run()
    check = drift(session)
    assert check.verdict == "pass"
    assert check.value == pytest.approx(0.0, abs=1.0)
    assert "print v1: depth_db" in check.detail


def test_a_reprint_at_another_level_warns_and_says_so(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.simulation["noise_dbfs"] = -90.0
    session.write().run()
    fault(session, kind="gain", take=2, at_s=0.9, amount=-1.0)
    request_reprint(session.load(), "clarinet", "once more")
    session.run()
    check = drift(session)
    assert check.verdict == "warn"
    assert check.detail["print v1: gain_db"] != 0.0


def test_other_settings_are_not_compared(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.run()
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 5.0
    session.write().run()
    assert drift(session).value is None


def agreement(take: int, depth_db: float) -> Agreement:
    return Agreement(against=f"take {take}", take=take, depth_db=depth_db)


def test_the_nearest_take_has_the_least_residual_power_against_the_others() -> None:
    # Takes 2 and 3 agree to -80 dB; take 1 stands apart at -40 dB from either, a little nearer to take 3.
    found = {1: [], 2: [agreement(1, -40.0)], 3: [agreement(1, -40.5), agreement(2, -80.0)]}
    assert nearest_take(found) == 3
    assert nearest_take({4: [], 7: [agreement(4, -60.0)]}) == 4  # of two, which are equally near, the first


def test_a_take_that_was_not_judged_before_the_run_ended_is_one_of_several_not_the_print(three: SmallSession) -> None:
    three.run()
    for path in three.folder.glob("dry/clarinet.tone.v1.*"):
        path.unlink()
    with Journal(SessionPaths(three.folder).journal) as journal, journal.step():
        # As a kill leaves it while the second take is being checked: one good, one recorded, the third not begun.
        journal._run("DELETE FROM delivery")
        journal._run("DELETE FROM take WHERE number = 3")
        journal._run("UPDATE take SET why = NULL")
        journal.set_take(PASS, 1, state="good")
        journal.set_take(PASS, 2, state="taken")
    assert three.run().exit_status is ExitStatus.DONE
    states = [take.state for take in takes(three)]
    assert sorted(states) == ["delivered", "spare", "spare"]
    assert drift(three).value is not None


def test_a_reprint_that_is_held_is_held(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.write().run()
    request_reprint(session.load(), "clarinet", "once more")
    fault(session, kind="noise", take=2, amount=-40.0)
    assert session.run().exit_status is ExitStatus.HELD
    (standing,) = list_standings(session.load())
    assert standing.state == "held"
    accept_take(session.load(), PASS, "good enough")
    assert session.prints() == ["dry/clarinet.tone.v1.wav", "dry/clarinet.tone.v2.wav"]
