"""One walk through audio, several meters: each takes every block, in order, in threads beside the reader.

numpy, the transforms and libsndfile let others run while they work, so that a second core is used where there is one.
No figure depends on that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

__all__ = ["feed"]

Block = TypeVar("Block")


def feed(blocks: Iterable[Block], takers: Sequence[Callable[[Block], None]], threads: int = 2) -> None:
    """Give every block to all takers: while they have one, the next is read.

    Parameters
    ----------
    blocks : iterable
        Each one new: a taker may still look at it while the next is made.
    takers : sequence of callable
        What one raises is raised here.
    threads : int
        How many of them work at once.
    """
    at_work: list[Future[None]] = []
    with ThreadPoolExecutor(threads) as pool:
        for block in blocks:
            for each in at_work:
                each.result()
            at_work = [pool.submit(take, block) for take in takers]
        for each in at_work:
            each.result()
