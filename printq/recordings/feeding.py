"""One walk through audio, several meters: each takes every block, in order, in a thread beside the reader.

numpy, the transforms and libsndfile let others run while they work, so that a second core is used where there is one.
No figure depends on that.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from typing import TypeVar

__all__ = ["feed"]

Block = TypeVar("Block")

AHEAD = 4
"""Blocks that wait for one taker at most. Some take several blocks in and then work on all of them, and the others need
not wait for that."""


def feed(blocks: Iterable[Block], takers: Sequence[Callable[[Block], None]]) -> None:
    """Give every block to all takers, each at its own pace as long as none is far behind.

    Parameters
    ----------
    blocks : iterable
        Each one new: a taker may still look at it while others are made.
    takers : sequence of callable
        What one raises is raised here, and nothing more is read then.
    """
    with ExitStack() as opened:
        pools = [opened.enter_context(ThreadPoolExecutor(1)) for _ in takers]
        waiting: list[deque[Future[None]]] = [deque() for _ in takers]
        try:
            for block in blocks:
                for take, pool, blocks_before in zip(takers, pools, waiting, strict=True):
                    if len(blocks_before) == AHEAD:
                        blocks_before.popleft().result()
                    blocks_before.append(pool.submit(take, block))
            for blocks_before in waiting:
                for each in blocks_before:
                    each.result()
        except BaseException:
            for pool in pools:
                pool.shutdown(wait=False, cancel_futures=True)
            raise
