"""The trim is decided once for an insert and kept, also across a restart of the stream."""

from __future__ import annotations

import pytest

from printq.deliver import TrimHistory, choose_trim
from printq.models.rig import Insert
from printq.models.verdict import Timing

INSERT = Insert.model_validate({"id": "solo", "units": ["opto"], "sends": [1], "returns": [1]})


def timing(delay: float | None, loop: float | None = None) -> Timing:
    return Timing(delay_samples=delay, tail_delay_samples=delay, slip_samples=0.0, loop_delay_samples=loop)


@pytest.mark.parametrize(("delay", "frames"), [(187.0, 187), (187.49, 187), (187.5, 188), (186.51, 187), (0.2, 0)])
def test_the_first_take_of_an_insert_is_trimmed_to_the_nearest_sample(delay: float, frames: int) -> None:
    trim = choose_trim(timing(delay), INSERT, "1", None)
    assert trim is not None
    assert (trim.frames, trim.kept) == (frames, False)
    assert trim.frames + trim.fraction == pytest.approx(delay)


@pytest.mark.parametrize(("delay", "frames"), [(187.7, 187), (186.3, 187), (187.76, 188), (186.2, 186)])
def test_later_takes_keep_it_within_three_quarters_of_a_sample(delay: float, frames: int) -> None:
    trim = choose_trim(timing(delay), INSERT, "1", TrimHistory(stream="1", frames=187, residual=0.4))
    assert trim is not None
    assert trim.frames == frames


def test_after_a_restart_the_fraction_decides_as_it_did_before() -> None:
    # Before: 187.45 was trimmed to 187, so a pass at 187.6 was too. After: all is 30 samples later.
    history = TrimHistory(stream="1", frames=187, residual=0.45)
    trim = choose_trim(timing(217.6), INSERT, "2", history)
    assert trim is not None
    assert trim.frames == 217
    without = choose_trim(timing(217.6), INSERT, "2", None)
    assert without is not None
    assert without.frames == 218


def test_without_a_delay_the_insert_s_trim_in_this_stream_serves_and_no_other() -> None:
    history = TrimHistory(stream="1", frames=187, residual=0.0)
    found = choose_trim(timing(None), INSERT, "1", history)
    assert found is not None
    assert found.frames == 187
    assert choose_trim(timing(None), INSERT, "2", history) is None
    assert choose_trim(timing(None), INSERT, "1", None) is None


def test_trim_loop_takes_the_converters_part_alone() -> None:
    insert = INSERT.model_copy(update={"trim": "loop"})
    trim = choose_trim(timing(667.0, loop=187.2), insert, "1", None)
    assert trim is not None
    assert trim.frames == 187
