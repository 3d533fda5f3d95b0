"""What set-ups took tells of single controls: a fit that is robust, and says nothing where it knows too little.

One question is answered for a whole set-up, so the time of a control is never measured alone. It is fitted: for each
set-up, the times of all that moved should add up to what it took. Controls that always move together cannot be told
apart; the fit leaves the proportions of the rig file between them, and scales them alike.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from printq.models.pace import DialTime, SetUpTime
from printq.models.rig import Rig

__all__ = ["FAR_OFF", "count_set_ups", "learn_dial_times"]

FAR_OFF = 5.0
"""A set-up that took so many times as long as planned, or so many times less, says nothing of dials: somebody walked
away, or had dialled before. Where a session as a whole is slower, its own pace is what counts; a quicker one is more
likely to be a rehearsal in which nobody dials."""
ENOUGH = 5
"""Set-ups from which on a session has a pace of its own, and a control a time."""
MATTERS_S, MATTERS_SHARE = 1.0, 0.25
"""A correction is offered where it is larger than both."""

NOISE = 0.3
"""Assumed spread of a set-up, as a share of its length."""
TRUST = 0.5
"""Assumed spread of the rig file's times, as a share of them, once they are scaled to the session's pace."""
VAGUE = 4.0
"""The same for what takes under a second by the rig file, where a share says little."""
HUBER = 1.345
"""Residuals of more than so many spreads count less: 95 % as efficient as least squares where errors are normal
(Huber 1981, Robust Statistics, chapter 7)."""
ROUNDS = 20

Key = tuple[str, str]


def count_set_ups(set_ups: Sequence[SetUpTime]) -> tuple[list[SetUpTime], int]:
    """Set-ups that can be believed, and how many others there were."""
    ratios = [each.took_s / each.planned_s for each in set_ups if each.planned_s > 0.0]
    pace = statistics.median(ratios) if len(ratios) >= ENOUGH else 1.0
    low, high = 1.0 / FAR_OFF, max(1.0, pace) * FAR_OFF
    kept = [each for each in set_ups if each.planned_s > 0.0 and low <= each.took_s / each.planned_s <= high]
    return kept, len(set_ups) - len(kept)


def learn_dial_times(rig: Rig, set_ups: Sequence[SetUpTime]) -> tuple[DialTime, ...]:
    """Controls whose time by the rig file is far from what set-ups say, in the rig's order.

    Parameters
    ----------
    rig : Rig
        As it is now.
    set_ups : sequence of SetUpTime
        Of a person. Those with a control that the rig has no more are left out, and those of `count_set_ups`.
    """
    known = {
        (unit.id, control.id): control.seconds_to_set
        for unit in rig.unit
        for control in unit.control
        if control.fixed is None
    }
    usable = [now for each in set_ups if (now := _restate(each, known)) is not None]
    kept, _ = count_set_ups(usable)
    moved = [{(move.unit, move.control) for move in each.moves} for each in kept]
    counts = {key: sum(key in keys for keys in moved) for key in known}
    if not any(count >= ENOUGH for count in counts.values()):
        return ()
    fitted = _fit(kept)
    found = []
    for (unit, control), count in counts.items():
        if count < ENOUGH:
            continue
        rig_s, measured = known[unit, control], _round(fitted[unit, control])
        if abs(measured - rig_s) > max(MATTERS_S, MATTERS_SHARE * rig_s):
            found.append(DialTime(unit=unit, control=control, rig_s=rig_s, measured_s=measured, set_ups=count))
    return tuple(found)


def _restate(each: SetUpTime, known: dict[Key, float]) -> SetUpTime | None:
    """The set-up with the seconds of the rig as it is now; None where it has lost a control."""
    moves = []
    for move in each.moves:
        if move.control in ("patch", "preset"):
            moves.append(move)
        elif (move.unit, move.control) in known:
            moves.append(move.model_copy(update={"seconds": known[move.unit, move.control]}))
        else:
            return None
    return each.model_copy(update={"moves": tuple(moves)})


def _fit(set_ups: Sequence[SetUpTime]) -> dict[Key, float]:
    """Seconds of each thing that moved: non-negative, near the rig's proportions where set-ups do not say otherwise.

    In shares of the time by the rig at the session's pace, x = 1 is what the rig says. Each set-up asks that the sum of
    its shares be what it took, with the spread `NOISE`, and each thing that it be 1, with the spread `TRUST`.
    """
    import numpy as np
    from scipy.optimize import nnls

    keys = list(dict.fromkeys((move.unit, move.control) for each in set_ups for move in each.moves))
    column = {key: number for number, key in enumerate(keys)}
    stated = np.zeros(len(keys))
    seconds = np.zeros((len(set_ups), len(keys)))
    for row, each in enumerate(set_ups):
        for move in each.moves:
            number = column[move.unit, move.control]
            stated[number] = max(stated[number], move.seconds)
            seconds[row, number] += 1.0
    # What takes no time by the rig file still needs a scale to be fitted on.
    scale = np.maximum(stated, 1.0)
    seconds *= scale
    lengths = np.maximum(seconds.sum(axis=1), 1e-9)
    took = np.array([each.took_s for each in set_ups])
    pace = float(np.median(took / lengths))
    shares, wanted = seconds / lengths[:, None] / NOISE, took / (pace * lengths) / NOISE
    weights = np.ones(len(set_ups))
    prior = np.diag(1.0 / np.where(stated < 1.0, VAGUE, TRUST))
    x = np.ones(len(keys))
    for _ in range(ROUNDS):
        root = np.sqrt(weights)
        x, _ = nnls(np.vstack((shares * root[:, None], prior)), np.concatenate((wanted * root, prior.sum(axis=1))))
        off = np.abs(shares @ x - wanted)
        weights = np.minimum(1.0, HUBER / np.maximum(off, 1e-9))
    return {key: float(x[number] * scale[number] * pace) for key, number in column.items()}


def _round(seconds: float) -> float:
    """To what a person would write: half seconds below ten, whole ones above."""
    return round(seconds * 2.0) / 2.0 if seconds < 10.0 else float(round(seconds))
