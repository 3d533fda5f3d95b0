"""Through every simulated unit, the delay is that of the maximum worked out from the unit's own response."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from printq.audio.processors import KINDS, make_processor
from printq.audio.processors.base import QUANTUM
from printq.measure.stimuli import make_marker
from tests.audio.processors.test_every_kind import ACTIVE
from tests.sample_sessions.test_trims import fine_delay
from tests.sessions import RATE, SmallSession

LATENCY = 1311.37


@pytest.mark.parametrize("kind", KINDS)
def test_a_take_s_delay_is_the_loop_s_and_that_of_the_unit_s_response(tmp_path: Path, kind: str) -> None:
    session = SmallSession(tmp_path, seconds=0.5)
    session.simulation.update({"latency_samples": LATENCY, "noise_dbfs": -100.0})
    session.rig["unit"][1]["model"] = {"kind": kind, "parameters": ACTIVE[kind]}
    session.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.job["options"]["gap_s"] = 0.4
    session.keep_stems("clarinet")
    (standing,) = session.run().standings  # held or not: a gate's own doings are not what this is about
    assert standing.latency_samples == pytest.approx(LATENCY + delay_of(kind), abs=0.02)


def delay_of(kind: str) -> float:
    """Of the marker through the unit at rest, on a grid of 1/256 sample, without the program's estimator."""
    marker = make_marker(RATE, 10 ** (-30 / 20))
    signal = np.zeros((10 * QUANTUM, 1))
    signal[QUANTUM : QUANTUM + len(marker), 0] = marker
    processor = make_processor(kind, RATE, 1, ACTIVE[kind])
    heard = np.concatenate([processor.process(signal[at : at + QUANTUM]) for at in range(0, len(signal), QUANTUM)])
    return fine_delay(marker, heard[:, 0]) - QUANTUM
