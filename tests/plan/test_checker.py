"""The checker finds each rule that is broken; without this, an empty list would prove nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.plan.checker import Row, broken_rules

CELLO = Row("cello", frozenset({0}), frozenset(), 30.0, 0.0, 10.0, 12.0, 12.0, 42.0)
MIX = Row("mix", frozenset({0, 1}), frozenset({"cello", "harp"}), 40.0, 42.0, 50.0, 52.0, 52.0, 92.0)
HARP = Row("harp", frozenset({2}), frozenset(), 20.0, 10.0, 15.0, 17.0, 22.0, 42.0)
GOOD = [CELLO, MIX, HARP]
NEEDED = {(0, None, "cello"): 10.0, (0, "cello", "mix"): 3.0, (1, None, "mix"): 5.0, (2, None, "harp"): 5.0}


def check(rows: Sequence[Row], *, hands_during_passes: bool = True) -> list[str]:
    def set_up(unit: int | str, previous: str | None, name: str) -> float:
        return NEEDED.get((int(unit), previous, name), 0.0)

    names = [row.name for row in GOOD]
    return broken_rules(rows, names, set_up, probe_s=2.0, hands_during_passes=hands_during_passes)


def test_a_timetable_that_keeps_every_rule_has_none_broken() -> None:
    assert check(GOOD) == []


def shift(row: Row, seconds: float) -> Row:
    return replace(
        row,
        set_up_start=row.set_up_start + seconds,
        set_up_end=row.set_up_end + seconds,
        probe_end=row.probe_end + seconds,
        start=row.start + seconds,
        end=row.end + seconds,
    )


@pytest.mark.parametrize(
    ("rows", "complaint"),
    [
        pytest.param([CELLO, MIX], "not every task is there exactly once", id="missing"),
        pytest.param([*GOOD, HARP], "not every task is there exactly once", id="twice"),
        pytest.param([CELLO, shift(MIX, -1.0), HARP], "cello and mix hold the same unit at once", id="unit-held"),
        pytest.param([CELLO, MIX, replace(HARP, start=33.0, end=53.0)], "mix starts before harp has ended", id="needs"),
        pytest.param([CELLO, MIX, shift(HARP, -1.0)], "cello and harp are set up at once", id="hands"),
        pytest.param([CELLO, MIX, replace(HARP, end=41.0)], "harp records for a wrong time", id="length"),
        pytest.param(
            [CELLO, MIX, replace(HARP, set_up_end=14.0, probe_end=16.0)],
            "harp takes 4 s to set up, not 5 s",
            id="set-up",
        ),
        pytest.param([CELLO, MIX, replace(HARP, probe_end=16.0)], "harp is probed for a wrong time", id="probe"),
        pytest.param(
            [CELLO, MIX, replace(HARP, start=16.5, end=36.5)], "harp starts before it is set up and probed", id="start"
        ),
        pytest.param([shift(CELLO, -1.0), MIX, HARP], "cello is set up before the beginning", id="beginning"),
    ],
)
def test_a_broken_rule_is_named(rows: list[Row], complaint: str) -> None:
    assert complaint in check(rows)


def test_a_set_up_during_a_recording_is_found_where_the_hands_must_rest() -> None:
    assert check(GOOD, hands_during_passes=False) == ["harp is set up while cello records"]


@pytest.mark.parametrize("at", [41.0, 20.0])
def test_a_set_up_of_no_length_waits_until_its_units_are_free(at: float) -> None:
    """The unit is held from there on, although no hand touches it."""
    first = Row("first", frozenset({0}), frozenset(), 42.0, 0.0, 0.0, 0.0, 0.0, 42.0)
    next_ = Row("next", frozenset({0}), frozenset(), 10.0, at, at, at, 42.0, 52.0)
    assert broken_rules([first, next_], ["first", "next"], lambda unit, previous, name: 0.0) == [
        "first and next hold the same unit at once"
    ]
