"""From an order of tasks to times that keep every rule of the rack.

This is asked many thousand times for one plan, which is why it works on bare lists, and why what the two ways of
timing have in common is written out in both: a call for each task would cost more than it holds.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from printq.plan.numbers import Numbers

__all__ = ["Timing", "time_tasks"]

NO_LIMIT = float("inf")


@dataclass(frozen=True, slots=True)
class Timing:
    """When everything in an order happens; lists are by task, in seconds from the start."""

    order: Sequence[int]
    set_up_starts: list[float]
    handwork: list[float]
    starts: list[float]
    ends: list[float]
    makespan: float
    hands_on: float

    @property
    def interruptions(self) -> int:
        """How often the hands are called."""
        return sum(seconds > 0.0 for seconds in self.handwork)


def time_tasks(numbers: Numbers, order: Sequence[int], limit: float = NO_LIMIT) -> Timing | None:
    """Place tasks one after the other, each as early as its units, the hands and its sources allow.

    Every task comes after all that it needs. The hands take a set-up before one that was placed earlier, if it
    fits in. Where the hands must rest while something records, they work in stops: all set-ups of a stop come
    first, then everything rolls that they have made ready, and the next stop begins when the last of it has ended.

    Returns
    -------
    Timing, or None as soon as it is clear that the last task will end after `limit`.
    """
    return _time_with_rests(numbers, order, limit) if numbers.rests else _time_freely(numbers, order, limit)


def _time_freely(numbers: Numbers, order: Sequence[int], limit: float) -> Timing | None:
    count, all_units, set_ups = numbers.count, numbers.units, numbers.set_ups
    durations, needs, tails, probe = numbers.durations, numbers.needs, numbers.tails, numbers.probe
    free = numbers.units_free.copy()
    last = [count] * numbers.unit_count
    set_up_starts, handwork = [0.0] * count, [0.0] * count
    starts, ends = numbers.not_before.copy(), [0.0] * count
    busy_from: list[float] = []
    busy_until: list[float] = []
    if numbers.hands_free > 0.0:
        busy_from.append(0.0)
        busy_until.append(numbers.hands_free)
    makespan = hands_on = 0.0
    for task in order:
        units = all_units[task]
        begin = hands = 0.0
        for unit in units:
            if free[unit] > begin:
                begin = free[unit]
            hands += set_ups[unit][last[unit]][task]
        start = begin
        if hands:
            hands_on += hands
            if busy_until and busy_until[-1] > begin:
                place, there = bisect_right(busy_until, begin), len(busy_from)
                while place < there and begin + hands > busy_from[place]:
                    begin = busy_until[place]
                    place += 1
                busy_from.insert(place, begin)
                busy_until.insert(place, begin + hands)
            else:
                busy_from.append(begin)
                busy_until.append(begin + hands)
            handwork[task] = hands
            start = begin + hands + probe
        set_up_starts[task] = begin
        if starts[task] > start:
            start = starts[task]
        for need in needs[task]:
            if ends[need] > start:
                start = ends[need]
        if start + tails[task] > limit:
            return None
        end = start + durations[task]
        starts[task], ends[task] = start, end
        if end > makespan:
            makespan = end
        for unit in units:
            free[unit] = end
            last[unit] = task
    return Timing(order, set_up_starts, handwork, starts, ends, makespan, hands_on)


def _time_with_rests(numbers: Numbers, order: Sequence[int], limit: float) -> Timing | None:
    """Stops are told apart first, because they do not depend on times; then each is timed from where it rolls."""
    count, all_units, set_ups = numbers.count, numbers.units, numbers.set_ups
    last, stop_of_unit = [count] * numbers.unit_count, [-1] * numbers.unit_count
    handwork, stops = [0.0] * count, [0] * count
    made_ready: list[float] = []
    """Handwork of the stop that is done when a task's own set-up is."""
    rolling = max(numbers.units_free, default=0.0)
    rests_until = max(rolling, numbers.hands_free)
    totals = [0.0]
    # Hands that wait for what is in the air, or are held, make their first set-up in a stop of its own.
    stop, may_join = 0, rests_until <= 0.0
    hands_on = 0.0
    for task in order:
        hands, joins = 0.0, may_join
        for unit in all_units[task]:
            hands += set_ups[unit][last[unit]][task]
            if stop_of_unit[unit] == stop:
                joins = False
        if hands:
            if not joins:
                stop, may_join = stop + 1, True
                totals.append(0.0)
            totals[stop] += hands
            hands_on += hands
            handwork[task] = hands
        made_ready.append(totals[stop])
        stops[task] = stop
        for unit in all_units[task]:
            stop_of_unit[unit] = stop
            last[unit] = task
    return _time_stops(numbers, order, limit, (handwork, stops, made_ready, totals, hands_on))


def _time_stops(
    numbers: Numbers,
    order: Sequence[int],
    limit: float,
    known: tuple[list[float], list[int], list[float], list[float], float],
) -> Timing | None:
    handwork, stops, made_ready, totals, hands_on = known
    count, all_units, needs, probe = numbers.count, numbers.units, numbers.needs, numbers.probe
    durations, tails = numbers.durations, numbers.tails
    free = numbers.units_free.copy()
    set_up_starts = [0.0] * count
    starts, ends = numbers.not_before.copy(), [0.0] * count
    rolls_from = totals[0]
    stop, until = 0, max(*numbers.units_free, numbers.hands_free, 0.0)
    for place, task in enumerate(order):
        if stops[task] != stop:
            stop = stops[task]
            rolls_from = until + totals[stop]
        hands = handwork[task]
        if hands:
            ready = rolls_from - totals[stop] + made_ready[place]
            set_up_starts[task] = ready - hands
            start = max(ready + probe, rolls_from)
        else:
            start = rolls_from
            for unit in all_units[task]:
                if free[unit] > start:
                    start = free[unit]
            set_up_starts[task] = start
        if starts[task] > start:
            start = starts[task]
        for need in needs[task]:
            if ends[need] > start:
                start = ends[need]
        if start + tails[task] > limit:
            return None
        end = start + durations[task]
        starts[task], ends[task] = start, end
        if end > until:
            until = end
        for unit in all_units[task]:
            free[unit] = end
    return Timing(order, set_up_starts, handwork, starts, ends, max(ends, default=0.0), hands_on)
