"""How fast each kind is. Run with `pytest --benchmark-only tests/audio/processors`; skipped otherwise.

The program wants 150 times real time for a mono channel at 48 kHz on a desktop processor: a quantum of 42.7 ms
in at most 284 µs.
"""

from __future__ import annotations

import pytest

from printq.audio.processors import KINDS, make_processor
from printq.audio.processors.base import QUANTUM

from .signals import RATE, noise
from .test_every_kind import ACTIVE


@pytest.mark.parametrize("kind", KINDS)
def test_a_quantum_of_one_channel_takes_less_than_a_150th_of_its_time(benchmark, kind):
    unit = make_processor(kind, RATE, 1, ACTIVE[kind])
    benchmark(unit.process, noise(QUANTUM))
    assert benchmark.stats.stats.median < QUANTUM / RATE / 150.0
