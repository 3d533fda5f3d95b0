"""Limits of the checks: what each check is called, measured in, and allowed by default.

Defaults are those of the design's table of checks. A limit has a level that warns and a level that
fails; a value *above* it is bad (for signed quantities, its magnitude).
"""

from __future__ import annotations

from typing import Literal

from printq.models.base import Number, Record

__all__ = ["CHECK_IDS", "DEFAULT_LIMITS", "Limit", "LimitOrOff", "Limits", "resolve_limits"]


class Limit(Record):
    """Where a check begins to warn and where it fails."""

    warn: Number | None = None
    """The value above which the check warns; left out, the next wider setting or the default holds."""
    fail: Number | None = None
    """The value above which the check fails; left out, the next wider setting or the default holds."""


LimitOrOff = Limit | Literal["off"]


class Limits(Record):
    """Limits for the checks of a pass, by check id: `{ warn = …, fail = … }` or `"off"`."""

    send: LimitOrOff | None = None
    """True peak of what is sent, dBTP (warn); sample peak, dBFS (fail)."""
    length: LimitOrOff | None = None
    """Frames of the print against stem + tail, difference in samples."""
    slip: LimitOrOff | None = None
    """Tail marker spacing against head marker, samples."""
    latency: LimitOrOff | None = None
    """Delay against other takes of the same insert in one stream, samples."""
    clip: LimitOrOff | None = None
    """Runs of 3 or more samples at full scale, and flat tops below it, that the stem does not have, count."""
    sample_peak: LimitOrOff | None = None
    """Sample peak of return and print, dBFS."""
    true_peak: LimitOrOff | None = None
    """True peak of return and print, dBTP."""
    loudness: LimitOrOff | None = None
    """Change of integrated loudness from dry to print, LU."""
    noise: LimitOrOff | None = None
    """Noise in the lead without mains lines, dBFS RMS."""
    hum: LimitOrOff | None = None
    """Sum of the mains lines in the lead, dBFS RMS."""
    dc: LimitOrOff | None = None
    """Mean of the take less the stem's, dBFS."""
    polarity: LimitOrOff | None = None
    """Channels whose sign, by markers and by bands, is not what the rig declares, count."""
    balance: LimitOrOff | None = None
    """Left against right marker level on a stereo insert, dB."""
    level: LimitOrOff | None = None
    """Tail marker against head marker level, dB."""
    silent: LimitOrOff | None = None
    """Channels that carry no more than noise while the stem plays, count."""
    channels: LimitOrOff | None = None
    """Left against right delay, samples; sides that are dead, crossed or both the same fail whatever the limit."""
    dropout: LimitOrOff | None = None
    """Gaps, jumps, repeats and ticks that the stem does not explain, count."""
    bypassed: LimitOrOff | None = None
    """Channels on which the unit is out of circuit, or does nothing, count."""
    warm_up: LimitOrOff | None = None
    """Units that were not on for their `warm_up_min` yet when the take began, count."""
    drift: LimitOrOff | None = None
    """Null against other takes or the last print, dB above what noise or the insert's own record predicts."""


CHECK_IDS: tuple[str, ...] = tuple(Limits.model_fields)
"""Ids of all checks, in the order in which they are reported."""

DEFAULT_LIMITS: dict[str, LimitOrOff] = {
    "send": Limit(warn=0.0, fail=0.0),
    "length": Limit(fail=0.0),
    "slip": Limit(fail=0.5),
    "latency": Limit(fail=1.0),
    "clip": Limit(fail=0.0),
    "sample_peak": Limit(warn=-1.0, fail=0.0),
    "true_peak": Limit(warn=-1.0, fail=0.0),
    "loudness": "off",
    "noise": Limit(warn=-75.0, fail=-55.0),
    "hum": Limit(warn=-80.0, fail=-60.0),
    "dc": Limit(warn=-60.0, fail=-40.0),
    "polarity": Limit(fail=0.0),
    "balance": Limit(warn=0.2, fail=1.0),
    "level": Limit(warn=0.3),
    "silent": Limit(fail=0.0),
    "channels": Limit(warn=0.1, fail=1.0),
    "dropout": Limit(fail=0.0),
    "bypassed": Limit(warn=0.0),
    "warm_up": Limit(warn=0.0),
    "drift": Limit(warn=12.0),
}


def resolve_limits(*layers: Limits | None) -> dict[str, LimitOrOff]:
    """Merge limits, the nearest first: for each check the first layer that says something wins.

    Within one check a nearer `{ fail = … }` leaves a wider `warn` in force; `"off"` ends the search.
    """
    resolved: dict[str, LimitOrOff] = {}
    for check, default in DEFAULT_LIMITS.items():
        warn: float | None = None
        fail: float | None = None
        answer: LimitOrOff | None = None
        for layer in (*(layer for layer in layers if layer is not None), None):
            said = default if layer is None and answer is None else None
            if layer is not None:
                said = getattr(layer, check)
            if said is None:
                continue
            if said == "off":
                answer = Limit(warn=warn, fail=fail) if (warn is not None or fail is not None) else "off"
                break
            assert isinstance(said, Limit)
            warn = said.warn if warn is None else warn
            fail = said.fail if fail is None else fail
        resolved[check] = answer if answer is not None else Limit(warn=warn, fail=fail)
    return resolved
