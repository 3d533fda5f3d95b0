"""One walk through blocks for several takers."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from printq.recordings.feeding import AHEAD, feed


def test_every_taker_gets_every_block_in_order() -> None:
    got: list[list[int]] = [[], [], []]
    feed(iter(range(100)), [each.append for each in got])
    assert got == [list(range(100))] * 3


def test_nobody_needs_to_take_anything() -> None:
    feed(iter(range(10)), [])


def test_a_taker_goes_on_while_another_works_on_several_blocks() -> None:
    quick_is_ahead = threading.Event()

    def slow(block: int) -> None:
        # Were the two to go in step, the quick one would not get its second block before this one has its first.
        assert quick_is_ahead.wait(10.0)

    def quick(block: int) -> None:
        if block == AHEAD - 1:
            quick_is_ahead.set()

    feed(iter(range(3 * AHEAD)), [slow, quick])


def test_what_is_read_never_runs_far_ahead_of_a_taker() -> None:
    taken, furthest = 0, 0

    def blocks() -> Iterator[int]:
        nonlocal furthest
        for number in range(30):
            furthest = max(furthest, number - taken)
            yield number

    def take(block: int) -> None:
        nonlocal taken
        time.sleep(0.001)
        taken += 1

    feed(blocks(), [take, lambda block: None])
    assert 0 < furthest <= AHEAD + 1


def test_what_a_taker_raises_is_raised_and_ends_the_reading() -> None:
    read = []

    def blocks() -> Iterator[int]:
        for number in range(1000):
            read.append(number)
            yield number

    def refuse(block: int) -> None:
        if block == 3:
            raise ValueError("block 3")

    with pytest.raises(ValueError, match="block 3"):
        feed(blocks(), [refuse, lambda block: None])
    assert len(read) <= 3 + AHEAD + 2


def test_what_the_reading_raises_is_raised() -> None:
    def blocks() -> Iterator[int]:
        yield 1
        raise OSError("the end")

    got: list[int] = []
    with pytest.raises(OSError, match="the end"):
        feed(blocks(), [got.append])
    assert got in ([1], [])
