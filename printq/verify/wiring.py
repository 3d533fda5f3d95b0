"""From what all returns heard while one send after the other played a marker, to a verdict on the wiring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError
from printq.measure.delay import find_delay
from printq.measure.noise import NoiseResult, measure_noise
from printq.models.limits import Limit, resolve_limits
from printq.models.line_check import Heard, InsertLine, LineFault, LineProblem
from printq.models.rig import Insert, Interface
from printq.units import level_or_none, ratio_to_db

__all__ = ["Probe", "SendHeard", "judge_wiring", "listen"]

Signal = NDArray[np.float64]

LEAD_GUARD_S = 0.02
DOUBLED_DB = -20.0
"""Another return that hears a send within this of the right one is connected to it."""
LEAKING_DB = -60.0
"""Above this something leaks: converters keep their channels apart by 90 dB and more; common practice."""
WEAK_DB = -40.0
"""A path that loses this much is barely connected, or a unit on it is turned down."""
SKEW_SAMPLES = 1.0


@dataclass(frozen=True)
class Probe:
    """How a send was probed, in frames: silence, the marker, and time for it to come back."""

    lead: int
    marker: Signal
    rest: int

    @property
    def frames(self) -> int:
        return self.lead + len(self.marker) + self.rest


@dataclass(frozen=True)
class SendHeard:
    """What the returns heard of one send."""

    send: int
    heard: tuple[Heard, ...]
    """Loudest first."""
    noise: dict[int, NoiseResult]
    """By return, while the send was silent."""


def listen(
    send: int, returns: Sequence[int], recorded: NDArray[np.floating], probe: Probe, rate: int, mains_hz: int
) -> SendHeard:
    """Find the marker in every return.

    Parameters
    ----------
    send : int
        Which one played it.
    returns : sequence of int
        Channels of the interface, in the order of the columns.
    recorded : ndarray, shape (probe.frames, len(returns))
        From the frame at which the lead began to play.
    """
    guard = round(LEAD_GUARD_S * rate)
    found = []
    noise = {}
    for column, channel in enumerate(returns):
        heard = np.asarray(recorded[:, column], dtype=np.float64)
        noise[channel] = measure_noise(heard[guard : probe.lead - guard], rate, mains_hz)
        window = heard[probe.lead :]
        try:
            estimate = find_delay(probe.marker, window, rate, highest=float(probe.rest))
        except UnmeasurableError:
            continue
        found.append(
            Heard(
                send=send,
                return_=channel,
                level_db=ratio_to_db(estimate.gain),
                delay_samples=estimate.samples,
                polarity=estimate.polarity,
            )
        )
    return SendHeard(send, tuple(sorted(found, key=lambda each: -each.level_db)), noise)


def judge_wiring(
    insert: Insert, interface: Interface, sends: Sequence[SendHeard], owners: dict[int, str]
) -> InsertLine:
    """The verdict on one insert.

    Parameters
    ----------
    sends : sequence of SendHeard
        Of the insert's sends, in its order.
    owners : dict
        By return, what it belongs to by the rig file, in words.
    """
    problems: list[LineProblem] = []
    right: list[Heard] = []
    for number, probed in enumerate(sends):
        expected = insert.returns[min(number, len(insert.returns) - 1)]
        own = next((each for each in probed.heard if each.return_ == expected), None)
        problems += _judge_path(insert, probed, expected, own, owners)
        if own is not None:
            right.append(own)
    if len(right) == 2 and insert.mode != "dual-mono":
        skew = right[1].delay_samples - right[0].delay_samples
        if abs(skew) > SKEW_SAMPLES:
            problems.append(_problem("skewed", insert, right[1].send, right[1].return_, f"{skew:+.2f} samples"))
    noisiest, humming = _noise_of(insert, sends)
    problems += _judge_noise(insert, noisiest, humming)
    gain = sum(each.level_db for each in right) / len(right) if right else None
    full_send, full_return = interface.full_scale_send_dbu, interface.full_scale_return_dbu
    both_known = gain is not None and full_send is not None and full_return is not None
    return InsertLine(
        insert=insert.id,
        ok=not any(problem.severity == "error" for problem in problems),
        latency_samples=sum(each.delay_samples for each in right) / len(right) if right else None,
        gain_db=gain,
        gain_dbu=gain + full_return - full_send if both_known else None,  # type: ignore[operator]
        polarity=right[0].polarity if right else None,
        noise_dbfs=level_or_none(noisiest),
        hum_dbfs=level_or_none(humming),
        heard_on=tuple(each for probed in sends for each in probed.heard if each.level_db > LEAKING_DB - 20.0),
        problems=tuple(problems),
    )


def _judge_path(
    insert: Insert, probed: SendHeard, expected: int, own: Heard | None, owners: dict[int, str]
) -> list[LineProblem]:
    strongest = probed.heard[0] if probed.heard else None
    lost = own is None or (strongest is not None and own.level_db < strongest.level_db + DOUBLED_DB)
    if lost and strongest is not None and strongest.return_ != expected and strongest.level_db > WEAK_DB:
        where = f"return {strongest.return_}{_whose(strongest.return_, owners)}"
        return [_problem("crossed", insert, probed.send, expected, where)]
    if own is None:
        return [_problem("dead", insert, probed.send, expected, "")]
    found = []
    if own.polarity != (-1 if insert.inverts else 1):
        found.append(_problem("inverted", insert, own.send, expected, ""))
    if own.level_db < WEAK_DB:
        found.append(_problem("weak", insert, own.send, expected, f"{own.level_db:.1f} dB"))
    for other in probed.heard:
        if other.return_ == expected or other.level_db <= own.level_db + LEAKING_DB:
            continue
        fault: LineFault = "doubled" if other.level_db > own.level_db + DOUBLED_DB else "leaking"
        level = f"return {other.return_}{_whose(other.return_, owners)} at {other.level_db:.1f} dB"
        found.append(_problem(fault, insert, own.send, other.return_, level))
    return found


def _noise_of(insert: Insert, sends: Sequence[SendHeard]) -> tuple[float, float]:
    """Noise and hum of the worst of its returns, dBFS."""
    heard = [probed.noise[channel] for probed in sends for channel in insert.returns]
    return max(each.rms_dbfs for each in heard), max(each.hum_dbfs for each in heard)


def _judge_noise(insert: Insert, noise_dbfs: float, hum_dbfs: float) -> list[LineProblem]:
    limits = resolve_limits(insert.limits)
    found = []
    kinds: tuple[tuple[str, LineFault, float], ...] = (("noise", "noisy", noise_dbfs), ("hum", "humming", hum_dbfs))
    for check, fault, level in kinds:
        limit = limits[check]
        if not isinstance(limit, Limit):
            continue
        said = f"{level:.1f} dBFS"
        if limit.fail is not None and level > limit.fail:
            found.append(_problem(fault, insert, None, None, said))
        elif limit.warn is not None and level > limit.warn:
            found.append(_problem(fault, insert, None, None, said).model_copy(update={"severity": "caution"}))
    return found


def _whose(channel: int, owners: dict[int, str]) -> str:
    return f" ({owners[channel]})" if channel in owners else ""


WORDS: dict[LineFault, tuple[str, str, str, bool]] = {
    "dead": (
        "send {send} is not heard on return {back}, nor anywhere else",
        "a cable is out or broken, the unit is off, or a gate on it is closed",
        "look at power and at both cables of this path; turn a gate's threshold down for the check",
        True,
    ),
    "crossed": (
        "send {send} should come back on return {back} and is heard on {more}",
        "two cables are exchanged, at the interface or at the unit",
        "swap them, or write in the rig file how it is plugged",
        True,
    ),
    "inverted": (
        "return {back} is upside down against send {send}",
        "a cable wired pin 3 hot, or a unit that inverts",
        "swap the cable, or set inverts = true for the insert if the unit is meant to do it",
        True,
    ),
    "doubled": (
        "send {send} is heard on {more} as well",
        "a return is fed twice: a Y-cable, a patch bay that passes on, or a loop in the interface's own mixer",
        "unplug the second way, or switch off the direct path in the interface's mixer",
        True,
    ),
    "leaking": (
        "send {send} is heard faintly on {more}",
        "crosstalk: an unbalanced cable, a bad shield, or an input gain that is far too high",
        "move or change the cable; look at the gain of that return",
        False,
    ),
    "weak": (
        "return {back} hears send {send} at {more} only",
        "a plug that is half out, an unbalanced connection, or an output turned down on the unit",
        "push the plugs home; look at the unit's output and input controls",
        False,
    ),
    "skewed": (
        "the second side comes back {more} against the first",
        "the two sides go through different converters, or one through a digital unit",
        "use neighbouring channels of one converter for both sides",
        False,
    ),
    "noisy": (
        "noise of {more} with nothing playing",
        "a gain too high after the unit, a unit that is still cold, or an unbalanced run of cable",
        "turn that gain down and the unit's output up, or give it time to warm up",
        True,
    ),
    "humming": (
        "hum of {more} with nothing playing",
        "an earth loop, or a cable beside a transformer",
        "lift the loop with a balanced or transformer connection, move the cable; never lift a safety earth",
        True,
    ),
}
"""For each fault: what is said, its likely cause, what to do, and whether the line check fails by it."""


def _problem(fault: LineFault, insert: Insert, send: int | None, back: int | None, more: str) -> LineProblem:
    text, cause, remedy, fails = WORDS[fault]
    return LineProblem(
        fault=fault,
        send=send,
        return_=back,
        text=f"{insert.name}: {text.format(send=send, back=back, more=more)}",
        cause=cause,
        remedy=remedy,
        severity="error" if fails else "caution",
    )
