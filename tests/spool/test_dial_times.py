"""What set-ups tell of single controls: right where they can know it, silent where they cannot."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from printq.models.pace import DialTime, SetUpTime
from printq.models.plan import Move
from printq.models.rig import Control, Interface, Rig
from printq.spool.dial_times import count_set_ups, learn_dial_times
from tests.plan.builders import build_insert, build_unit


def rig_of(**seconds: float) -> Rig:
    """One unit, `opto`, with a knob for each name that takes so long by the rig file."""
    controls = [Control(id=name, kind="knob", range=(0, 10), dial_s=each) for name, each in seconds.items()]
    interface = Interface(driver="simulated", rate=48_000, sends=2, returns=2)
    return Rig(
        format="printq-rig/1",
        interface=interface,
        unit=[build_unit("opto", *controls)],
        insert=[build_insert("solo", "opto")],
    )


def set_up(took_s: float, **moved: float) -> SetUpTime:
    moves = tuple(Move(unit="opto", control=name, to=1.0, seconds=seconds) for name, seconds in moved.items())
    return SetUpTime(pass_id="clarinet/solo", moves=moves, took_s=took_s)


def learn(rig: Rig, set_ups: Sequence[SetUpTime]) -> dict[str, DialTime]:
    return {each.control: each for each in learn_dial_times(rig, set_ups)}


def test_one_control_that_always_takes_longer_is_offered_at_what_it_takes() -> None:
    (found,) = learn_dial_times(rig_of(reduction=6.0), [set_up(9.0, reduction=6.0)] * 14)
    assert found == DialTime(unit="opto", control="reduction", rig_s=6.0, measured_s=9.0, set_ups=14)


def test_a_slow_control_is_told_from_quick_ones_that_move_with_it_now_and_then() -> None:
    """Set-ups are made from times that are known: 12 s for one knob, 6 s for the others, each off by up to a tenth."""
    chance = random.Random(4)
    rig = rig_of(gain=6.0, reduction=6.0, mode=6.0)
    true_s = {"gain": 6.0, "reduction": 12.0, "mode": 6.0}
    set_ups = []
    for _ in range(30):
        moved = chance.sample(list(true_s), chance.choice([1, 2, 3]))
        took = sum(true_s[name] for name in moved) * chance.uniform(0.9, 1.1)
        set_ups.append(set_up(took, **dict.fromkeys(moved, 6.0)))
    found = learn(rig, set_ups)
    assert set(found) == {"reduction"}
    assert found["reduction"].measured_s == pytest.approx(12.0, abs=1.0)


def test_controls_that_always_move_together_are_scaled_alike_and_add_up() -> None:
    found = learn(rig_of(gain=3.0, reduction=9.0), [set_up(24.0, gain=3.0, reduction=9.0)] * 6)
    assert found["gain"].measured_s == pytest.approx(6.0, abs=0.5)
    assert found["reduction"].measured_s == pytest.approx(18.0, abs=0.5)


@pytest.mark.parametrize(
    "set_ups",
    [
        pytest.param([], id="none"),
        pytest.param([set_up(9.0, reduction=6.0)] * 4, id="too few"),
        pytest.param([set_up(6.5, reduction=6.0)] * 20, id="no difference that matters"),
        pytest.param([set_up(7.0, reduction=6.0)] * 20, id="a second"),
        pytest.param([set_up(400.0, reduction=6.0)] * 4 + [set_up(6.0, reduction=6.0)] * 6, id="walks to the kitchen"),
        pytest.param([set_up(0.3, reduction=6.0)] * 4 + [set_up(6.0, reduction=6.0)] * 6, id="dialled before"),
        pytest.param([set_up(9.0, gone=6.0)] * 20, id="a control that the rig has no more"),
    ],
)
def test_it_says_nothing_where_it_knows_too_little(set_ups: list[SetUpTime]) -> None:
    assert learn_dial_times(rig_of(reduction=6.0), set_ups) == ()


def test_a_quarter_is_too_little_of_a_long_time() -> None:
    assert learn_dial_times(rig_of(reduction=20.0), [set_up(24.0, reduction=20.0)] * 20) == ()
    assert learn_dial_times(rig_of(reduction=20.0), [set_up(26.0, reduction=20.0)] * 20) != ()


def test_once_the_rig_file_says_it_nothing_more_is_said() -> None:
    """The set-ups still carry what the rig said then."""
    assert learn_dial_times(rig_of(reduction=9.0), [set_up(9.0, reduction=6.0)] * 14) == ()


def test_a_few_long_ones_do_not_teach() -> None:
    """Ten at 9 s, and three within the limit of five times as long: a mean would say 13."""
    set_ups = [set_up(9.0, reduction=6.0)] * 10 + [set_up(28.0, reduction=6.0)] * 3
    assert learn(rig_of(reduction=6.0), set_ups)["reduction"].measured_s <= 10.0


def test_presets_and_plugs_take_their_own_share() -> None:
    """A plug that takes 60 s where the rig says 15 must not be charged to the knob that is turned after it."""
    plug = Move(unit="opto", control="patch", from_="wide", to="solo", seconds=15.0)
    knob = Move(unit="opto", control="reduction", to=1.0, seconds=6.0)
    with_plug = SetUpTime(pass_id="clarinet/solo", moves=(plug, knob), took_s=66.0)
    found = learn(rig_of(reduction=6.0), [set_up(6.0, reduction=6.0)] * 8 + [with_plug] * 8)
    assert found == {}


def test_what_takes_no_time_by_the_rig_file_can_be_learnt() -> None:
    rig = rig_of(gain=6.0, reduction=0.0)
    found = learn(rig, [set_up(6.0, gain=6.0)] * 8 + [set_up(10.0, gain=6.0, reduction=0.0)] * 12)
    assert found["reduction"].measured_s == pytest.approx(4.0, abs=1.0)
    assert "gain" not in found


def test_a_slow_person_is_not_taken_for_an_absent_one() -> None:
    """Everything takes six times as long as the rig says: that is the pace here, and it is offered."""
    kept, left_out = count_set_ups([set_up(36.0, reduction=6.0)] * 12)
    assert (len(kept), left_out) == (12, 0)
    assert learn(rig_of(reduction=6.0), [set_up(36.0, reduction=6.0)] * 12)["reduction"].measured_s == 36.0


def test_a_rehearsal_in_which_nobody_dials_teaches_nothing() -> None:
    set_ups = [set_up(0.8, reduction=6.0)] * 20
    assert count_set_ups(set_ups) == ([], 20)
    assert learn_dial_times(rig_of(reduction=6.0), set_ups) == ()


def test_far_off_set_ups_are_counted_apart() -> None:
    set_ups = [set_up(6.0, reduction=6.0)] * 3 + [set_up(3600.0, reduction=6.0), set_up(0.5, reduction=6.0)]
    kept, left_out = count_set_ups(set_ups)
    assert (len(kept), left_out) == (3, 2)


def test_one_long_set_up_alone_is_no_pace() -> None:
    assert count_set_ups([set_up(3600.0, reduction=6.0)]) == ([], 1)
