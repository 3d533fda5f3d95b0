"""Whether a pass comes out the same again: its take against other takes, or against the print before.

Gain and delay are fitted, what is left is compared with what the noise of the two allows. An insert that never
repeats itself exactly (a tape, a valve compressor) is measured against its own record.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from printq.errors import FileError, UnlikeError, UnmeasurableError
from printq.models.delivery import Trim
from printq.models.limits import LimitOrOff
from printq.models.null import Null, NullBand, NullMoment
from printq.models.take import TakeRecord
from printq.models.verdict import Agreement, Check, Verdict, worst_outcome
from printq.recordings.nulling import Recording, null_recordings
from printq.verify.comparing import Detail, Judge

__all__ = ["Reference", "judge_drift", "measure_drift", "nearest_take", "recording_of", "with_drift"]

SEARCH_S = 1.0
"""Both are trimmed, but a trim may have failed."""
LEAD_GUARD_S = 0.02
"""Left out at both ends of a lead, as where its noise is measured."""
ROUNDING_DB = -140.0
"""Two recordings that differ by their last bit are the same; about 24 bits under a full-scale reference."""
SAME_GAIN_DB = 0.1
"""More than this between two takes is a level that moved; common practice."""
MOMENT_DB = 15.0
"""A second that nulls this much worse than the usual one stands out."""
BAND_DB = 10.0
"""A third octave that is this much further above what noise allows than the usual one stands out."""


@dataclass(frozen=True)
class Reference:
    """What a take is compared with."""

    name: str
    """Such as `take 1`, `print v2`."""
    take: int | None
    """Its number, where it is a take of the same pass."""
    recording: Recording


def recording_of(session: Path, take: TakeRecord, trim: Trim, frames: int) -> Recording:
    """What a print of `frames` frames is made from in a take, and the lead before it."""
    guard = round(LEAD_GUARD_S * take.rate)
    return Recording(
        session / take.file,
        start=take.layout.material_at + trim.frames,
        frames=frames,
        channels=take.channels,
        lead=(max(0, trim.frames) + guard, take.layout.lead - 2 * guard),
    )


def measure_drift(recording: Recording, references: Sequence[Reference]) -> tuple[Agreement, ...]:
    """Null a take against each reference; one that cannot be read or compared says so in its `error`."""
    found = []
    for reference in references:
        try:
            found.append(_compare(recording, reference))
        except (UnmeasurableError, FileError) as error:
            found.append(Agreement(against=reference.name, take=reference.take, error=str(error)))
    return tuple(found)


def _compare(recording: Recording, reference: Reference) -> Agreement:
    try:
        return _describe(reference, null_recordings(reference.recording, recording, search_s=SEARCH_S))
    except UnlikeError as error:
        # Both are trimmed: as they are, they should agree, were it only in their noise.
        null = null_recordings(reference.recording, recording, fit=False)
        return _describe(reference, null).model_copy(update={"error": str(error)})


def _describe(reference: Reference, null: Null) -> Agreement:
    worst, usual = _moments(null.over_time)
    band = _standing_out(null.bands)
    return Agreement(
        against=reference.name,
        take=reference.take,
        depth_db=null.depth_db,
        noise_allows_db=null.noise_allows_db,
        gain_db=null.gain_db,
        delay_samples=null.delay_samples,
        worst_band_hz=band.hz if band is not None else None,
        worst_band_depth_db=band.depth_db if band is not None else None,
        worst_at_s=worst.start_s if worst is not None else None,
        worst_second_db=worst.depth_db if worst is not None else None,
        usual_second_db=usual,
    )


def _moments(over_time: Sequence[NullMoment]) -> tuple[NullMoment | None, float | None]:
    known = [moment for moment in over_time if moment.depth_db is not None]
    if not known:
        return None, None
    depths = [moment.depth_db for moment in known if moment.depth_db is not None]
    worst = max(known, key=lambda moment: moment.depth_db if moment.depth_db is not None else -1e9)
    return worst, statistics.median(depths)


def _standing_out(bands: Sequence[NullBand]) -> NullBand | None:
    """The third octave that lies furthest above what its noise allows, if it does so more than the others."""
    above = [(_above(band), band) for band in bands if band.depth_db is not None]
    if not above:
        return None
    usual = statistics.median(value for value, _ in above)
    most, band = max(above, key=lambda pair: pair[0])
    return band if most > usual + BAND_DB else None


def _above(band: NullBand) -> float:
    assert band.depth_db is not None
    return band.depth_db - (band.noise_allows_db if band.noise_allows_db is not None else 0.0)


def judge_drift(
    limits: Mapping[str, LimitOrOff], agreements: Sequence[Agreement], repeatability_db: float | None
) -> Check:
    """The `drift` check: how far the worst agreement lies above what noise, or the insert's record, predicts."""
    judge = Judge(limits)
    if not agreements:
        return judge.make("drift", None, "dB", "pass", None, {})
    detail: Detail = {}
    worst: tuple[float, Agreement] | None = None
    for each in agreements:
        detail[f"{each.against}: depth_db"] = each.depth_db
        detail[f"{each.against}: noise_allows_db"] = each.noise_allows_db
        detail[f"{each.against}: gain_db"] = each.gain_db
        if each.error is not None:
            detail[f"{each.against}: error"] = each.error
        excess = _excess(each, repeatability_db)
        if excess is not None and (worst is None or excess > worst[0]):
            worst = excess, each
    detail["repeatability_db"] = repeatability_db
    if worst is None:
        # Not one bit differs, or neither of two takes of a silent stem has anything in it.
        return judge.make("drift", None, "dB", "pass", None, detail)
    value, against = worst
    detail["worst_at_s"] = against.worst_at_s
    detail["worst_band_hz"] = against.worst_band_hz
    found = judge.compare("drift", value, "dB", detail)
    return judge.make("drift", value, "dB", found.verdict, _kind(against), detail)


def _excess(each: Agreement, repeatability_db: float | None) -> float | None:
    if each.depth_db is None:
        return None
    floors = [each.noise_allows_db, repeatability_db]
    return each.depth_db - max([ROUNDING_DB, *(floor for floor in floors if floor is not None)])


def _kind(each: Agreement) -> str:
    if (
        each.worst_second_db is not None
        and each.usual_second_db is not None
        and each.worst_second_db > each.usual_second_db + MOMENT_DB
    ):
        return "drift.moment"
    if each.gain_db is not None and abs(each.gain_db) > SAME_GAIN_DB:
        return "drift.level"
    if each.worst_band_hz is not None:
        return "drift.band"
    return "drift"


def with_drift(
    verdict: Verdict,
    limits: Mapping[str, LimitOrOff],
    agreements: Sequence[Agreement],
    repeatability_db: float | None,
) -> Verdict:
    """The verdict with its `drift` check made from these agreements."""
    drift = judge_drift(limits, agreements, repeatability_db)
    checks = tuple(check for check in verdict.checks if check.check != "drift")
    return verdict.model_copy(
        update={
            "outcome": worst_outcome((*checks, drift)),
            "checks": (*checks, drift),
            "agreements": tuple(agreements),
        }
    )


def nearest_take(agreements: Mapping[int, Sequence[Agreement]]) -> int:
    """The take that lies nearest to the others: least residual power against them, on the mean; the earliest of equals.

    Parameters
    ----------
    agreements : mapping
        Of each take with those before it.
    """
    distances: dict[int, list[float]] = {number: [] for number in agreements}
    for number, found in agreements.items():
        for each in found:
            if each.take in distances:
                depth = 0.0 if each.error is not None and each.depth_db is None else each.depth_db
                distance = 10.0 ** (depth / 10.0) if depth is not None else 0.0
                distances[number].append(distance)
                distances[each.take].append(distance)
    means = {number: sum(each) / len(each) if each else 0.0 for number, each in distances.items()}
    # Rounding must not decide between equals.
    least = min(means.values())
    return min(number for number, mean in means.items() if mean <= least * (1.0 + 1e-9))
