"""Gaps, jumps, repeats and ticks in a take, with the stem as witness.

What comes back is compared with what the stem lets expect (`tracking`), both whitened, so that the rest is about
white and a tick stands out of it however loud the bass is. Three questions are asked of every third of a millisecond:

- is the rest larger than in the milliseconds before and after, whichever of them are worse;
- is it more than a unit's errors: a share of what was expected there, as large as elsewhere in the take where it is
  as loud, and of what was heard shortly before, if the unit has echoes;
- does it count beside the return as it is: a gain that bends is heard in the treble, but faintly.

The same is asked of spells of 1 to 45 ms: a copy of other music is no louder at its edges than within. The gain between
the two is free to move as fast as a compressor moves it, yet not to fall and be back at once: that is a gap. Repeats in
loud music show in the part of the return that no gain explains. How far a cell or spell stands out in the least of the
three is its score (`cells`). What a unit does again and again is no fault: the scores of all blocks of a take are
counted, and a fault must stand out of their distribution; by more, where there are other reasons (`doubts`). One wrong
sample needs no score: its shape is known, and a brief suspicion that has it, and has it alone, is a tick (`impulses`).
Nor does a lost buffer: between two sharp edges there is nothing, or what was heard just before (`replaced`). What has
such a shape beyond doubt counts however often it comes: a bad driver drops buffers twice a second. What lasts longer is
known by what is between its edges (`stretches`). Where a gate opens at once, what stands out is forgiven (`opening`).
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import check_block
from printq.measure.cells import SILENT
from printq.measure.faults import Fault, FaultKind, Suspicion, once
from printq.measure.held import SampleStore
from printq.measure.opening import AROUND, opens
from printq.measure.replaced import AFTER, BEFORE, replaced
from printq.measure.suspicions import ChannelSuspicions
from printq.measure.tracking import CELLS, ResponseFollower, Slip, TrackResult

__all__ = ["DropoutFinder", "DropoutResult", "Fault", "FaultKind"]

MOST_KEPT = 1000
SAME_EVENT_S = 0.045
"""What is closer belongs to one fault: the edges of a gap, the same tick in two channels."""
AROUND_SLIP_S = 0.050
"""What stands out this close to a slip is its click."""


@dataclass(frozen=True)
class DropoutResult:
    """The faults found, by start."""

    count: int
    faults: tuple[Fault, ...]
    """The first 1000."""
    track: TrackResult


class DropoutFinder:
    """Finds gaps, jumps, repeats and ticks that a stem does not explain.

    Parameters
    ----------
    rate : int
        Hz.
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._channels = channels
        self._follower = ResponseFollower(rate, channels)
        self._sent = SampleStore(channels)
        self._returned = SampleStore(channels)
        self._frames = 0
        self._next = 0
        cell = self._follower.layout.valid // CELLS
        self._sides = [ChannelSuspicions(channel, cell) for channel in range(channels)]
        self._masked: list[tuple[int, int]] = []
        """Frames that were looked at under an alignment that no longer held."""

    def add(self, sent: NDArray[np.floating], returned: NDArray[np.floating]) -> None:
        """Add samples of stem and return, both of the shape (frames, channels).

        Raises
        ------
        ValueError
            The shape is another, or the two differ.
        UnmeasurableError
            A sample is not a finite number; nothing of either is taken then.
        """
        check_block(sent, self._channels)
        check_block(returned, self._channels)
        if len(sent) != len(returned):
            raise ValueError(f"stem and return must have one length, they have {len(sent)} and {len(returned)} frames")
        taken = 0
        most = self._follower.layout.segment
        while taken < len(sent):
            size = min(most, len(sent) - taken)
            self._sent.add(sent[taken : taken + size])
            self._returned.add(returned[taken : taken + size])
            self._frames += size
            taken += size
            self._advance(finish=False)

    def result(self) -> DropoutResult:
        """What is wrong in all that has been added."""
        return copy.deepcopy(self).finish()

    def finish(self) -> DropoutResult:
        """The same; nothing can be added after it."""
        self._advance(finish=True)
        return self._conclude()

    def _advance(self, *, finish: bool) -> None:
        segment = self._follower.layout.segment
        back, ahead = self._follower.back, self._follower.ahead
        while self._next < self._frames:
            ready = self._next + segment + ahead + max(0, -self._follower.alignment)
            if ready > self._frames and not finish:
                return
            slips = self._follower.slip_count
            frames = min(segment, self._frames - self._next)
            followed = self._follower.follow(self._next, frames, self._sent.read, self._returned.read)
            self._mask(self._follower.realigned - slips, self._next)
            realigned = self._follower.realigned
            for side in self._sides:
                side.add(followed, self._next)
                for frame, clear in side.clicks():
                    self._follower.confirm_click(frame, clear, self._sent.read, self._returned.read)
                self._look_for_gates(side)
                self._look_closely(side)
            self._mask(self._follower.slip_count - realigned, self._next + segment)
            self._next += segment
            oldest = self._next - segment - back
            self._returned.drop(oldest)
            self._sent.drop(oldest - max(0, self._follower.alignment))
        if finish:
            for side in self._sides:
                side.finish()
                self._look_for_gates(side)
                self._look_closely(side)

    def _look_closely(self, side: ChannelSuspicions) -> None:
        """Look at what is unclear as it is, not whitened, for gaps and repeats."""
        valid, before, after = self._follower.layout.valid, BEFORE * side.cell, AFTER * side.cell
        for event in side.unclear():
            if event.start >= self._frames:
                continue
            first = event.start - min(before, valid - after - (event.end - event.start))
            # Behind the end there is nothing, whatever was expected.
            frames = min(event.end + after, self._frames) - first
            heard = self._returned.read(first, frames)[side.channel]
            expected = self._follower.expectation(side.channel, first, frames, self._sent.read)
            found = replaced(heard, expected, event.start - first, event.end - first, side.cell)
            if found is not None:
                side.explain(event, found, first)

    def _look_for_gates(self, side: ChannelSuspicions) -> None:
        """Forgive what stands out where a gate opens."""
        around = AROUND * side.cell
        for event, taps in side.opening():
            if event.end - event.start > self._follower.layout.valid - 2 * around:
                continue
            first, frames = event.start - around, event.end - event.start + 2 * around
            heard = self._returned.read(first, frames)[side.channel]
            expected = self._follower.expectation(side.channel, first, frames, self._sent.read)
            if opens(heard, expected, taps, around, frames - around, side.cell):
                side.forgive(event)

    def _mask(self, new: int, end: int) -> None:
        """So many new slips were found when all up to a frame had been looked at."""
        if new > 0 and self._follower.slips and len(self._masked) < MOST_KEPT:
            first = min(slip.frame for slip in self._follower.slips[-new:])
            if first < end:
                self._masked.append((first, end))

    def _conclude(self) -> DropoutResult:
        track = self._follower.result()
        near = round(AROUND_SLIP_S * self._rate)
        events = [event for side in self._sides for event in side.events(self._frames)]
        kept = [
            event
            for event in events
            if not any(low <= event.start < high for low, high in self._masked)
            and not any(
                -near - abs(slip.samples) <= event.start - slip.frame <= near + abs(slip.samples)
                for slip in track.slips
            )
        ]
        faults = once(kept, round(SAME_EVENT_S * self._rate))
        faults += [self._slip(slip, events, near) for slip in track.slips]
        faults.sort(key=lambda fault: (fault.start_frame, fault.channel))
        count = len(faults) + self._follower.slip_count - len(track.slips)
        return DropoutResult(count, tuple(faults[:MOST_KEPT]), track)

    def _slip(self, slip: Slip, events: Iterable[Suspicion], near: int) -> Fault:
        beside = [event for event in events if abs(event.start - slip.frame) <= near]
        loudest = max(beside, key=lambda event: event.level, default=None)
        return Fault(
            kind="jump" if slip.samples < 0 else "repeat",
            channel=loudest.channel if loudest else 0,
            start_frame=slip.frame,
            length=abs(slip.samples),
            level_dbfs=loudest.level if loudest else SILENT,
            rest=slip.rest and (slip.rest[0], min(slip.rest[1], self._frames)),
        )
