"""How late a take came back, by how much that changed on the way, and with which sign.

The delay is where the interpolated cross-correlation of return and marker is largest. Which signal is
correlated depends on the insert's `timing`: the markers through the path, the markers on the timing
loop, or the stem itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.audio.channels import to_sends
from printq.errors import UnmeasurableError
from printq.files.soundfiles import SoundReader
from printq.files.stems import StemPart, StemReader
from printq.measure.delay import DelayEstimate, find_delay, match_material
from printq.measure.stimuli import make_marker
from printq.models.layout import PassLayout
from printq.models.passes import Pass
from printq.models.rig import Insert
from printq.models.take import TakeRecord
from printq.models.verdict import Timing
from printq.units import db_to_ratio, ratio_to_db

__all__ = ["marker_of", "measure_timing"]

Signal = NDArray[np.float64]

MATERIAL_S = 10.0
"""How much of the stem is correlated where there are no markers."""


def marker_of(insert: Insert, rate: int) -> Signal:
    """The marker as an insert plays it, 1-D."""
    return make_marker(rate, db_to_ratio(insert.marker_dbfs))


def measure_timing(each: Pass, insert: Insert, take: TakeRecord, take_path: Path, parts: Sequence[StemPart]) -> Timing:
    """Delay, slip, polarity and gain of a take.

    Returns
    -------
    Timing
        With `error` set and without a delay where nothing clear came back: that is a finding, no exception.

    Raises
    ------
    FileError
        The take or the source cannot be read.
    """
    layout = take.layout
    marker = marker_of(insert, take.rate)
    with SoundReader(take_path) as reader:

        def read(start: int, frames: int) -> Signal:
            reader.seek(min(start, take.frames))
            return reader.read(frames)

        loop: list[DelayEstimate | None] = [None, None]
        if take.loop_channel:
            loop = [_find_marker(read, at, marker, layout, take.channels, take.rate) for at in _marker_places(layout)]
        path: list[list[DelayEstimate | None]]
        if insert.timing == "markers":
            path = [
                [_find_marker(read, at, marker, layout, channel, take.rate) for channel in range(take.channels)]
                for at in _marker_places(layout)
            ]
        else:
            path = _match_stem(read, each, insert, layout, parts)
    return _describe(insert, path, loop)


def _marker_places(layout: PassLayout) -> tuple[int, int]:
    return layout.head_marker_at, layout.tail_marker_at


def _find_marker(
    read: Callable[[int, int], Signal], at: int, marker: Signal, layout: PassLayout, channel: int, rate: int
) -> DelayEstimate | None:
    # The window ends where the music may begin, and holds the marker at any delay up to the rest.
    room = min(layout.gap, layout.rest)
    window = read(at, layout.marker + room)[:, channel]
    try:
        return find_delay(marker, window, rate, highest=float(room))
    except UnmeasurableError:
        return None


def _match_stem(
    read: Callable[[int, int], Signal], each: Pass, insert: Insert, layout: PassLayout, parts: Sequence[StemPart]
) -> list[list[DelayEstimate | None]]:
    """Correlate the loudest stretch near the stem's beginning and near its end."""
    frames = min(layout.material, round(MATERIAL_S * each.rate))
    with StemReader(parts, each.source_channels, each.source_frames) as stem:
        found = []
        for start in (0, layout.material - frames):
            stem.seek(start)
            sent = to_sends(stem.read(frames), insert.mode) * db_to_ratio(each.send_db)
            heard = read(layout.material_at + start, frames + layout.rest)
            row: list[DelayEstimate | None] = []
            for channel in range(sent.shape[1]):
                try:
                    row.append(
                        match_material(sent[:, channel], heard[:, channel], each.rate, highest=float(layout.rest))
                    )
                except UnmeasurableError:
                    row.append(None)
            found.append(row)
    return found


def _describe(insert: Insert, path: list[list[DelayEstimate | None]], loop: list[DelayEstimate | None]) -> Timing:
    head = [found for found in path[0] if found is not None]
    tail = [found for found in path[1] if found is not None]
    loop_head, loop_tail = loop
    on_loop = insert.timing == "loop"
    delay = _mean(head)
    error = None
    if on_loop and loop_head is None:
        delay, error = None, "the marker on the timing loop did not come back"
    elif insert.trim == "loop":
        # What is trimmed is the converters' part; the unit's own delay shows in the channels' delays.
        delay = loop_head.samples if loop_head is not None else None
        error = None if delay is not None else "the marker on the timing loop did not come back"
    elif delay is None:
        what = "no clear marker" if insert.timing == "markers" else "the stem is not clear in what"
        error = f"{what} came back"
    if on_loop:
        slip = loop_tail.samples - loop_head.samples if loop_head is not None and loop_tail is not None else None
    else:
        # Channel by channel, so that a constant skew between them is no slip; the largest counts.
        slips = [b.samples - a.samples for a, b in zip(path[0], path[1], strict=True) if a and b]
        slip = max(slips, key=abs) if slips else None
    return Timing(
        delay_samples=delay,
        channel_delays=tuple(found.samples for found in head) if len(head) == len(path[0]) else (),
        tail_delay_samples=(loop_tail.samples if loop_tail else None) if on_loop else _mean(tail),
        slip_samples=slip,
        polarity=tuple(found.polarity if found else 0 for found in path[0]),
        gain_db=tuple(ratio_to_db(found.gain) for found in head) if len(head) == len(path[0]) else (),
        tail_gain_db=tuple(ratio_to_db(found.gain) for found in tail) if len(tail) == len(path[1]) else (),
        loop_delay_samples=loop_head.samples if loop_head else None,
        error=error,
    )


def _mean(found: Sequence[DelayEstimate]) -> float | None:
    return sum(each.samples for each in found) / len(found) if found else None
