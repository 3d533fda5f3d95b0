"""The wiring, from what the returns heard: what is dead, crossed, inverted, doubled, leaking, noisy or humming."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from printq.measure.stimuli import make_marker
from printq.models.line_check import InsertLine
from printq.models.rig import Insert, Interface
from printq.verify import Probe, judge_wiring, listen
from tests.measure.signals import delayed

RATE = 48_000
Signal = NDArray[np.float64]
PROBE = Probe(lead=RATE, marker=make_marker(RATE, 10 ** (-30 / 20)), rest=RATE // 2)
RETURNS = [1, 2, 3, 4]
OWNERS = {1: "Solo", 2: "Speech", 3: "left of Bus", 4: "right of Bus"}


def insert(**values: Any) -> Insert:
    return Insert.model_validate(
        {"id": "solo", "label": "Solo", "units": ["opto"], "sends": [1], "returns": [1], **values}
    )


def interface(**values: Any) -> Interface:
    return Interface.model_validate({"driver": "simulated", "rate": RATE, "sends": 4, "returns": 4, **values})


def hear(*paths: tuple[int, float, float], noise: float = 1e-5, hum: float = 0.0, hz: float = 50.0) -> Signal:
    """What four returns record: (return, gain with its sign, delay in samples) for each way the marker takes."""
    rng = np.random.default_rng(1)
    recorded = noise * rng.standard_normal((PROBE.frames, len(RETURNS)))
    time = np.arange(PROBE.frames) / RATE
    recorded += np.sqrt(2.0) * hum * np.sin(2 * np.pi * hz * time)[:, np.newaxis]
    for channel, gain, delay in paths:
        recorded[PROBE.lead :, channel - 1] += delayed(PROBE.marker, delay, PROBE.frames - PROBE.lead, gain)
    return recorded


def judge(*recorded: Signal, of: Insert | None = None, rig: Interface | None = None, mains: int = 50) -> InsertLine:
    chosen = of or insert()
    heard = [
        listen(send, RETURNS, signal, PROBE, RATE, mains) for send, signal in zip(chosen.sends, recorded, strict=True)
    ]
    return judge_wiring(chosen, rig or interface(), heard, OWNERS)


def faults(line: InsertLine) -> list[str]:
    return [problem.fault for problem in line.problems]


def test_a_right_path_gives_its_delay_gain_and_polarity() -> None:
    line = judge(hear((1, 0.5, 812.37)))
    assert line.ok
    assert line.problems == ()
    assert line.latency_samples == pytest.approx(812.37, abs=0.02)
    assert line.gain_db == pytest.approx(-6.02, abs=0.05)
    assert line.polarity == 1
    assert line.noise_dbfs == pytest.approx(-100.0, abs=0.3)
    assert [(each.send, each.return_) for each in line.heard_on] == [(1, 1)]


def test_analog_levels_are_told_where_both_full_scales_are_known() -> None:
    assert judge(hear((1, 1.0, 100.0))).gain_dbu is None
    rig = interface(full_scale_send_dbu=20.0, full_scale_return_dbu=24.0)
    # The same digital level is 4 dB more at the return.
    assert judge(hear((1, 1.0, 100.0)), rig=rig).gain_dbu == pytest.approx(4.0, abs=0.05)


@pytest.mark.parametrize(
    ("paths", "fault", "says"),
    [
        ([], "dead", "send 1 is not heard on return 1"),
        ([(2, 1.0, 100.0)], "crossed", "heard on return 2 (Speech)"),
        ([(1, 0.001, 100.0), (2, 1.0, 100.0)], "crossed", "return 2"),
        ([(1, -1.0, 100.0)], "inverted", "upside down"),
        ([(1, 1.0, 100.0), (3, 0.9, 100.0)], "doubled", "return 3 (left of Bus)"),
    ],
)
def test_wrong_wiring_is_named_with_cause_and_remedy(
    paths: list[tuple[int, float, float]], fault: str, says: str
) -> None:
    line = judge(hear(*paths))
    assert not line.ok
    (problem,) = line.problems
    assert problem.fault == fault
    assert says in problem.text
    assert problem.cause
    assert problem.remedy


@pytest.mark.parametrize(
    ("paths", "fault"), [([(1, 1.0, 100.0), (2, 0.01, 100.0)], "leaking"), ([(1, 0.005, 100.0)], "weak")]
)
def test_what_is_only_odd_is_a_caution(paths: list[tuple[int, float, float]], fault: str) -> None:
    line = judge(hear(*paths, noise=1e-6))
    assert line.ok
    assert faults(line) == [fault]


def test_crosstalk_of_good_converters_is_nothing() -> None:
    assert faults(judge(hear((1, 1.0, 100.0), (2, 10 ** (-90 / 20), 100.0), noise=1e-7))) == []


def test_a_declared_inversion_is_right_and_its_absence_is_not() -> None:
    inverting = insert(inverts=True)
    assert judge(hear((1, -1.0, 100.0)), of=inverting).ok
    assert faults(judge(hear((1, 1.0, 100.0)), of=inverting)) == ["inverted"]


def test_the_sides_of_a_stereo_insert_are_told_apart() -> None:
    bus = insert(mode="stereo", sends=[3, 4], returns=[3, 4])
    assert judge(hear((3, 1.0, 100.0)), hear((4, 1.0, 100.0)), of=bus).ok
    exchanged = judge(hear((4, 1.0, 100.0)), hear((3, 1.0, 100.0)), of=bus)
    assert faults(exchanged) == ["crossed", "crossed"]
    assert faults(judge(hear((3, 1.0, 100.0)), hear((4, 1.0, 148.0)), of=bus)) == ["skewed"]
    assert faults(judge(hear((3, 1.0, 100.0)), hear(), of=bus)) == ["dead"]


@pytest.mark.parametrize("hz", [50, 60])
def test_noise_and_hum_are_told_apart(hz: int) -> None:
    assert faults(judge(hear((1, 1.0, 100.0), noise=10 ** (-50 / 20)), mains=hz)) == ["noisy"]
    humming = judge(hear((1, 1.0, 100.0), hum=10 ** (-50 / 20), hz=hz), mains=hz)
    assert faults(humming) == ["humming"]
    assert humming.hum_dbfs == pytest.approx(-50.0, abs=0.2)


def test_a_little_noise_is_a_caution() -> None:
    line = judge(hear((1, 1.0, 100.0), noise=10 ** (-70 / 20)))
    assert line.ok
    assert faults(line) == ["noisy"]
