"""Where everything lies in a take."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.rig import Insert

RATE = 48_000


def insert(**more: float) -> Insert:
    return Insert.model_validate({"id": "solo", "units": ["opto"], "sends": [1], "returns": [1], **more})


def test_the_parts_follow_one_another() -> None:
    """By hand, in seconds: 1.0 lead, 0.1 marker, 1.0 + 4.0 rest, 3.0 opening, 4.0 rest, 60.0 music, 0.5 tail."""
    layout = PassLayout.make(Options(settle_s=3.0), insert(recover_s=4.0, tail_s=0.5), 60 * RATE, RATE)
    assert layout.head_marker_at == round(1.0 * RATE)
    assert layout.settle_at == round(6.1 * RATE)
    assert layout.material_at == round(13.1 * RATE)
    assert layout.tail_marker_at == round(78.6 * RATE)
    assert layout.total == round(79.2 * RATE)


def test_the_opening_is_played_at_most_once() -> None:
    """A stem shorter than `settle_s` settles for its own length."""
    layout = PassLayout.make(Options(settle_s=10.0), insert(), 2 * RATE, RATE)
    assert layout.settle == 2 * RATE


def test_without_settling_there_is_no_second_rest() -> None:
    layout = PassLayout.make(Options(), insert(recover_s=4.0), RATE, RATE)
    assert (layout.settle, layout.settle_gap) == (0, 0)
    assert layout.material_at == layout.settle_at


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@given(
    lead=st.floats(0.2, 5),
    gap=st.floats(0.1, 5),
    recover=st.floats(0, 5),
    settle=st.floats(0, 5),
    tail=st.floats(0, 20),
    material=st.integers(5 * 192_000, 50 * 192_000),
)
def test_a_take_lasts_as_long_as_the_formula_says(
    rate: int, lead: float, gap: float, recover: float, settle: float, tail: float, material: int
) -> None:
    """Within half a frame for each part that is rounded: lead, two gaps, settle, its rest, tail, two markers, rest."""
    layout = PassLayout.make(
        Options(lead_s=lead, gap_s=gap, settle_s=settle), insert(recover_s=recover, tail_s=tail), material, rate
    )
    seconds = lead + 0.1 + gap + recover + settle + material / rate + tail + gap + recover + 0.1 + 0.5
    seconds += recover if layout.settle else 0.0
    assert layout.total == pytest.approx(seconds * rate, abs=9 * 0.5)
    assert layout.total - layout.tail_marker_at == layout.marker + layout.rest
