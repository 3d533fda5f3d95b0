"""How fast each kind of processor is.

    python -m pytest --benchmark-only tests/benchmarks

The program wants 150 times real time for a mono channel at 48 kHz on a desktop processor: a quantum of 42.7 ms
in at most 284 µs.
"""

from __future__ import annotations

from typing import Any

import pytest

from printq.audio.processors import KINDS, make_processor
from printq.audio.processors.base import QUANTUM
from tests.audio.processors.signals import RATE, noise
from tests.audio.processors.test_every_kind import ACTIVE


@pytest.mark.parametrize("kind", KINDS)
def test_a_quantum_of_one_channel_against_real_time(benchmark: Any, kind: str) -> None:
    unit = make_processor(kind, RATE, 1, ACTIVE[kind])
    benchmark(unit.process, noise(QUANTUM))
    benchmark.extra_info["times_real_time"] = round(QUANTUM / RATE / benchmark.stats.stats.median)
