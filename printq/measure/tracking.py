"""How a unit answers a stem, and how late, followed through a take.

The take is looked at in overlapping blocks. What comes back is predicted from the stem by a response that is
averaged over the take (its cross spectrum with the stem over the stem's power), so an equaliser explains itself;
compressors change no delay, and saturation adds what the average takes for noise. The delay of each block against
that response is the least-squares slope of the phase, weighted by what stands above the unexplained rest (Knapp &
Carter, 1976: the maximum likelihood weights). A slope of these delays is a drift of clocks; a step by whole samples
between two plateaus is a slip, and it is placed where the two alignments together leave the least unexplained.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLOCKS",
    "CELLS",
    "BlockLayout",
    "Compared",
    "Followed",
    "ResponseFollower",
    "Slip",
    "TrackResult",
    "TrackedWindow",
    "impulse_response",
]

Real = NDArray[np.float32]
Spectra = NDArray[np.complex64]
Signal = NDArray[np.float64]
Number = TypeVar("Number", bound=np.generic)
Common = tuple[NDArray[np.complex128], Signal, Signal]
"""Cross spectrum and the powers of stem and return."""

BLOCK_AT_48K = 8192
BLOCKS = 16
"""Blocks to a segment: 2.4 s."""
CELLS = 448
"""Cells to a block: 16 samples at 48 kHz, 0.33 ms."""
GUARD_SHARE = 16
"""The filters reach this part of a block to either side; so much of it is no result."""
RESPONSE_SHARE = 0.6
"""Part of the guard that the response may fill; the whitening has the rest."""
BAND_BINS = 16
"""Bins to a band of the whitening: 94 Hz."""
PHASE_ERROR = 0.05
"""Radians by which the response may be off wherever the stem is: little for treble, a sample and more for bass."""
DOUBT = 1e-4
"""Share of what is expected, in power, by which the response may be off in the treble; more in the bass."""
CHANCE = 1.0
"""Times the inverse number of blocks: squared coherence up to this may be chance; smoothing makes it rare."""
NEXT_BLOCK = 0.03
"""Part of what is loud in a block that counts in the next one too."""
MATURE = 160.0
"""Blocks after which a response is known well."""
LEARNT_AGAIN = 8
"""Segments after which it is learnt once more: 19 s."""
LOOKED_AT_AGAIN = 2
"""Segments after which it is looked at once more what it leaves unexplained."""
MEMORY = 0.98
"""What a segment keeps of those before it: two minutes."""
FULL_SCALE_FLOOR = 1e-13
"""-130 dBFS: below any converter's noise, above the rounding of 24 bits."""
RELATIVE_FLOOR = 1e-12
"""Single precision rounds this far below the signal."""
ACTIVE = 0.2
"""A block counts if what is expected has this many times the power of what is usually unexplained."""
FAST_DRIFT = 0.2
"""Samples a block, 28 ppm: the expectation is off by a tenth of a sample at the ends of a block."""
LEAST_TURN = 0.01
"""Samples; a smaller delay need not be compensated."""
DEAD_ZONE = 0.1
"""Samples by which the delay may be off before it is followed."""
MATTERS = 0.05
"""Power against what is usually unexplained, from which on a change of the response is worth another look."""
MOST_SLIPS_IN_SEGMENT = 8
MOST_SEARCHES = 3
"""In a segment, of each kind of suspicion: a search costs about as much as a segment."""
STEP_APART, LEFT_MORE = 0.4, 0.01
"""Samples by which the delay of a suspicious block differs from those before it; or part that it leaves unexplained
over twice what they do."""
STEEP = 100.0
"""A deviation of so many times what is usual and what was expected, in power, may be the edge of a slip."""
SMALL_SLIP = 2
MUCH = 3.0
"""Of a slip by more than two samples, the new alignment must leave so much less; of a small one, `CLEARLY` less."""
MOST_LEFT = 0.1
"""An alignment that leaves more than this part of the return explains nothing. Of 250 true slips the worst left 0.09;
through echoes, alignments to the echo left 0.11 and more."""
LIKELY_LEFT = 0.3
"""With a slip by one or two samples the phases have the last word."""
NEXT_TO_NOTHING = 0.1
"""Of the noise, in power: less was not expected, but silence."""
SURELY, BEYOND_DOUBT = 10.0, 100.0
"""How much less is enough where one side of the slip is silent, and where it is only noise."""
STEADY, DOUBTFUL = 0.25, 0.35
"""Samples by which a step in the phases may differ from a whole one. Of 70 true ones the worst was off by 0.13, where
its place was known; compressors that bend a bass note make steps of 0.05. The second is the largest error of one."""
MOST_STEPS_BACK = 5
"""How often a small slip is looked for before where it was found, as long as that leads further back."""
CLICK_STEADY, CLICK_ERRORS = 0.1, 1.5
"""The same where nothing but a click tells the place: so much, or so many standard errors."""
CLICK_REACH, MOST_CLICKS, CLICK_RARE, CLEAR_CLICK = 8, 64, 2.0, 30.0
"""Blocks within which a click may belong to a slip that nothing else places; clicks that are remembered; how many times
clearer than those it must be, and how much clearer yet if the stem rests, for noise clicks a little by itself."""
NOTICED = 0.15
"""A longer slip leaves this much unexplained, or is beyond doubt: a steady chord fits at many places."""
WELL_LEFT = 3e-4
"""What a slip by one or two samples explains so well needs no longer one."""
RIVAL = 2.0
BUFFER = 32
"""Among alignments that leave less than `RIVAL` times the least, one by a multiple of this is taken: lost blocks are
such multiples, and a steady tone fits at each of its periods."""
STEP_BLOCKS, STEP_PHASE, STEP_COHERENCE = 5, 0.01, 0.5
"""Half-overlapped blocks to either side of a step, 0.5 s; radians of doubt; squared coherence that is not chance."""
MOST_COST = 10.0
"""By how much less likely a click may be as the place of a slip, from all but the click, as twice the logarithm."""
LONG_BLOCKS, LITTLE_DOUBT, LASTING = 13, 0.03, 0.12
"""If a step has a larger standard error, in samples, it must be there over 1.2 s as well, but for so much: true ones
were off by 0.08 at most, what a tape does to a word by 0.16 and more."""
WELL_TOLD, LEAST_STEP = 100.0, 0.3
"""Of true slips that would change so many times the noise, the samples themselves show half and more."""
LEAST_TOLD = 2
"""Blocks of a side without which nothing is known of a step."""
REST, REST_BLOCKS = 4, 3
"""So many sixteenths of a block in which next to nothing is expected are a rest, 37 ms; it is looked for in so many
blocks to either side."""
BEFORE, AFTER = 24, 2
"""Blocks around a suspicious one in which its slip is looked for."""
AHEAD = 13
"""Blocks that must be there behind a segment. A slip by a sample or two is found at most four blocks from where it is
looked for (`_placed`, twice), and the phases furthest from it are those of the next 1.2 s, eight blocks."""
CLEARLY = 1.15
"""An alignment must leave this much less than another to be taken for the better one."""
KERNEL = 12
"""Samples to either side of an impulse that is whitened."""
SCAN_BINS, SCAN_BLOCKS = 256, 4
"""Where there is only bass, its phases in blocks to either side of each place are compared: up to 1.5 kHz, 0.6 s."""
SCAN_STEP, SCAN_ERROR = 0.55, 0.3
"""Samples; from here on a place is looked at closely."""
SLIP_DOUBT = 0.01
"""Share of what is expected, in power, by which a unit may be off while a slip is placed."""
SURE_ERROR = 0.2
"""Samples: largest standard error of a step that nothing else speaks for."""
LIKELY = 20.0
"""Places of a slip whose likelihoods differ by less than a factor of e to the tenth are alike."""
MOST_WINDOWS = 512
MOST_SLIPS = 1000
SEARCHED_AT_48K = 8192
"""Longest slip that is looked for at once, samples."""
FARTHEST_AT_48K = 1 << 16
"""Farther from the nominal alignment than this, the take is lost."""


@dataclass(frozen=True)
class TrackedWindow:
    """The delay over some time."""

    start_frame: int
    delay_samples: float
    """Against the nominal alignment and the unit's own response; positive: later."""
    standard_error: float


@dataclass(frozen=True)
class Slip:
    """From `frame` on, everything is `samples` later (heard twice), or earlier (lost) if negative."""

    frame: int
    samples: int
    rest: tuple[int, int] | None = None
    """Where the stem rests, nothing tells the place: it is between these two frames then."""


@dataclass(frozen=True)
class TrackResult:
    """The delay over the whole take."""

    windows: tuple[TrackedWindow, ...]
    """At most 512, longer ones in longer takes."""
    slips: tuple[Slip, ...]
    drift_ppm: float | None
    """Slope without the slips, positive: the return runs slower. None if there was too little to tell."""
    drift_error_ppm: float | None
    """Standard error."""


@dataclass(frozen=True)
class BlockLayout:
    """Sizes of blocks and segments at a rate."""

    block: int
    guard: int
    """Frames at either end of a block that belong to its neighbours."""
    searched: int
    farthest: int

    @classmethod
    def at(cls, rate: int) -> BlockLayout:
        factor = 2 ** max(-3, round(math.log2(rate / 48_000)))
        block = int(BLOCK_AT_48K * factor)
        return cls(block, block // GUARD_SHARE, int(SEARCHED_AT_48K * factor), int(FARTHEST_AT_48K * factor))

    @property
    def valid(self) -> int:
        """Frames of a block that are a result."""
        return self.block - 2 * self.guard

    @property
    def segment(self) -> int:
        return BLOCKS * self.valid


@dataclass(frozen=True)
class Compared:
    """What came back and what was expected, whitened, and their energies by cells."""

    returned: Real
    """Shape (BLOCKS, n); rows follow each other in time, but need not lie side by side."""
    expected: Real
    energies: Real
    """Of the return, of both together and of the expectation, shape (3, cells)."""

    @classmethod
    def of(cls, returned: Real, expected: Real) -> Compared:
        """Signals of one segment."""
        energies = np.empty((3, BLOCKS * CELLS), dtype=np.float32)
        cell = returned.size // energies.shape[1]
        ones = np.ones(cell, dtype=np.float32)
        products = ((returned, returned), (returned, expected), (expected, expected))
        for row, (one, other) in zip(energies, products, strict=True):
            np.dot((one * other).reshape(-1, cell), ones, out=row)
        return cls(returned, expected, energies)


@dataclass(frozen=True)
class Followed:
    """A segment as it came back and as it was expected, whitened: what is unexplained has a power of 1 a sample."""

    pairs: list[Compared]
    """Of each channel."""
    power: list[Real]
    """Of the return as it is, each sample squared."""
    impulse: list[Signal]
    """Energy that an impulse of 1 has when it is whitened, shape (BLOCKS,)."""
    whitening: list[Real]
    """What each block was multiplied by to be white, shape (BLOCKS, bins); see `impulse_response`."""
    drifting: bool
    """Whether the clocks drift so fast that the delay changes within a block."""
    bass: bool
    """Whether there was too little treble to follow the delay."""
    energies: list[tuple[float, float]]
    """Of each channel, not whitened: what is left unexplained, and the whole return."""


def impulse_response(whitening: Real, half: int = KERNEL) -> Real:
    """What a whitening, shape (bins,), makes of an impulse of 1: so many samples before it to as many behind."""
    from scipy.fft import irfft

    taps = irfft(whitening, 2 * (len(whitening) - 1))
    return np.concatenate((taps[-half:], taps[: half + 1]))


Reader = Callable[[int, int], Real]
"""Samples of all channels from a frame on, shape (channels, frames); zeros where there is nothing."""


class ResponseFollower:
    """Predicts the return of a take from its stem, segment by segment, and follows the delay.

    Parameters
    ----------
    rate : int
        Hz.
    channels : int
        They share clock and slips; each has a response of its own.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self.layout = BlockLayout.at(rate)
        self._rate = rate
        self._channels = channels
        self._models = [_Response(self.layout, rate) for _ in range(channels)]
        self._omega = (2.0 * np.pi / self.layout.block * np.arange(self.layout.block // 2 + 1)).astype(np.float32)
        self._alignments: list[tuple[int, int]] = [(-(1 << 62), 0)]
        """From a frame of the return on: how much later it comes."""
        self._drifted = 0
        """Whole samples by which clocks have drifted apart; the same for all of a segment, so that nothing jumps."""
        self._delay = 0.0
        """What is compensated on top of it, at the end of the last segment."""
        self._slope = 0.0
        """Samples a block."""
        self._started = False
        self._tried: float | None = None
        """What the first segment leaves unexplained if there is no drift."""
        self._log = _DelayLog(self.layout.valid)
        self._recent: list[_Block] = []
        self._scan = _Scan(channels, self._omega[:SCAN_BINS])
        self._examined = -1
        """Up to where suspicions were followed."""
        self._clicks: list[tuple[int, float]] = []
        """What stood out last: its frame, and how clear it was."""
        self.slips: list[Slip] = []
        self.slip_count = 0
        self.realigned = 0
        """Slips that were found before the last segment was looked at."""

    @property
    def back(self) -> int:
        """Frames before a segment that are read."""
        return self.layout.guard + self.layout.searched + (BEFORE + AFTER + 2) * self.layout.valid

    @property
    def ahead(self) -> int:
        """Frames behind a segment that are read."""
        return self.layout.guard + self.layout.searched + AHEAD * self.layout.valid

    @property
    def alignment(self) -> int:
        """Samples by which the return is late at the end of what was followed."""
        return self._alignments[-1][1] + self._drifted

    def follow(self, start: int, frames: int, sent: Reader, returned: Reader) -> Followed:
        """Follow the segment that begins at a frame; `frames` of it are signal, the rest is beyond the end."""
        heard = self._spectra(returned(*self._span(start)))
        real = np.arange(BLOCKS) * self.layout.valid < frames
        searches = 0
        while True:
            played = self._played(start, sent)
            learnt = [
                model.learn(stem, back, real) for model, stem, back in zip(self._models, played, heard, strict=True)
            ]
            # A slip in this segment would spoil the response: that of before is the judge.
            judges = [new.answering_as(old) for new, old in zip(learnt, self._models, strict=True)]
            pairs = []
            for model, stem, back in zip(judges, played, heard, strict=True):
                expecting = model.response * model.local
                pairs.append(Compared.of(self._signal(back, model.local), self._signal(stem, expecting)))
            delays = _Delays.of(pairs)
            if not self._started and self._settle(played, heard, delays, real):
                continue
            slip = None
            if searches < MOST_SLIPS_IN_SEGMENT:
                # The misfit behind a slip would whiten itself away: here the whitening of before counts as well.
                known = [[old if old.known else judge for old, judge in zip(self._models, judges, strict=True)], judges]
                slip = self._find_slip(start, frames, delays, known, sent, returned)
            if slip is None:
                break
            self._take(slip, judges, sent, returned)
            searches += 1
        for index, (new, judge, stem) in enumerate(zip(learnt, judges, played, strict=True)):
            if new.differs_from(judge, stem):
                pairs[index] = Compared.of(pairs[index].returned, self._signal(stem, new.response * new.local))
        self.realigned = self.slip_count
        offsets: Signal = np.asarray(self._drifted + self._ramp, dtype=np.float64)
        self._models = learnt
        self._started = self._started or any(model.known for model in learnt)
        self._note(start, frames, delays)
        self._scan.add(start, self.layout.valid, played, heard, offsets)
        if np.count_nonzero(delays.usable()) < BLOCKS // 2:
            for place, late in self._scan.steps(self._slope):
                slip = self._small_slip(place, late, sent, returned)
                if slip is not None:
                    self._take(slip, self._models, sent, returned)
        raw = returned(start, self.layout.segment)
        return Followed(
            pairs,
            list(np.multiply(raw, raw, order="C")),
            [_energies(model.local) / model.local.shape[1] for model in learnt],
            [model.local for model in learnt],
            abs(self._slope) > FAST_DRIFT,
            not delays.usable().any(),
            [(model.left, model.heard) for model in learnt],
        )

    def result(self) -> TrackResult:
        """What was followed so far."""
        ppm, error = self._log.drift(self.slips)
        return TrackResult(self._log.windows(), tuple(self.slips), ppm, error)

    def _span(self, start: int) -> tuple[int, int]:
        return start - self.layout.guard, self.layout.segment + 2 * self.layout.guard

    def _spectra(self, channels: Real) -> list[Spectra]:
        """Of the blocks of each channel."""
        from scipy.fft import rfft

        layout = self.layout
        shape, strides = (BLOCKS, layout.block), (layout.valid * channels.itemsize, channels.itemsize)
        # numpy's own view of sliding windows takes a tenth of the time of the transforms.
        blocks = (np.ndarray(shape, channels.dtype, channel, strides=strides) for channel in channels)
        return [np.asarray(rfft(each, axis=1)) for each in blocks]

    def _signal(self, spectra: Spectra, weights: Spectra | Real) -> Real:
        """The filtered signal of a segment, shape (BLOCKS, valid); rows do not lie side by side."""
        from scipy.fft import irfft

        layout = self.layout
        blocks = irfft(spectra * weights, layout.block, axis=1, overwrite_x=True)
        return np.asarray(blocks[:, layout.guard : layout.guard + layout.valid])

    def aligned(self, first: int, frames: int, sent: Reader) -> Real:
        """The stem, each frame where the return is expected to have it."""
        pieces = []
        for index, (begin, late) in enumerate(self._alignments):
            end = self._alignments[index + 1][0] if index + 1 < len(self._alignments) else first + frames
            low, high = max(first, begin), min(first + frames, end)
            if low < high:
                pieces.append(sent(low - late - self._drifted, high - low))
        return pieces[0] if len(pieces) == 1 else np.concatenate(pieces, axis=1)

    def expectation(self, channel: int, first: int, frames: int, sent: Reader) -> Real:
        """What a channel is expected to bring back, as it is, shape (frames,).

        As the response is known now; `frames` are at most those of a block that are a result.
        """
        from scipy.fft import irfft, rfft

        layout = self.layout
        begin = first - (layout.block - frames) // 2
        turn = np.exp(-1j * self._delay * self._omega) if abs(self._delay) > LEAST_TURN else 1.0
        spectrum = rfft(self.aligned(begin, layout.block, sent)[channel]) * (self._models[channel].response * turn)
        return np.asarray(irfft(spectrum, layout.block)[first - begin : first - begin + frames])

    def _played(self, start: int, sent: Reader) -> list[Spectra]:
        played = self._spectra(self.aligned(*self._span(start), sent))
        self._ramp = self._delay + self._slope * (np.arange(BLOCKS) + 0.5)
        if np.abs(self._ramp).max() > LEAST_TURN:
            self._turn(played, np.asarray(self._ramp))
        else:
            self._ramp = np.zeros(BLOCKS)
        return played

    def _turn(self, played: list[Spectra], delays: Signal) -> None:
        for stem in played:
            stem *= np.exp(-1j * np.outer(delays, self._omega)).astype(np.complex64)

    # ---- delay ----

    def _settle(self, played: list[Spectra], heard: list[Spectra], delays: _Delays, real: NDArray[np.bool_]) -> bool:
        """At the start nothing is known of a drift: whether to try again, with what the phases say of one."""
        left = float(np.median(delays.left[real & (delays.expected > 0.0)])) if delays.expected.any() else 1.0
        if self._tried is None:
            slope = _slope_between(played, heard, self._omega, real)
            if slope is None or left == 1.0:
                return False
            self._tried, self._slope = left, slope
            return True
        if self._slope != 0.0 and left > 0.7 * self._tried:
            self._slope = 0.0
            return True
        return False

    def _note(self, start: int, frames: int, delays: _Delays) -> None:
        """Write the delays down, and be ready for the next segment."""
        layout = self.layout
        begins = np.arange(BLOCKS) * layout.valid
        usable = delays.usable() & (begins + layout.valid <= frames)
        found = self.alignment_at(start + begins + layout.valid // 2) + self._ramp + delays.samples
        known = np.flatnonzero(usable)
        for place, late, error in zip(
            (start + begins[known]).tolist(), found[known].tolist(), delays.errors[known].tolist(), strict=True
        ):
            self._log.add(place, late, error)
        end = self._delay + self._slope * BLOCKS
        usable &= delays.left <= 3.0 * _middle(delays.left[usable]) if usable.any() else False
        if usable.sum() >= 5:
            places = np.arange(BLOCKS)[usable] + 0.5
            found = delays.samples[usable]
            # The median of the slopes between all pairs (Theil and Sen): a block with a fault in it does not count.
            one, other = _pairs(len(places))
            slope = float(_middle((found[other] - found[one]) / (places[other] - places[one])))
            offset = float(_middle(found - slope * places))
            # A few blocks may lie in a row by chance.
            scatter = 1.5 * float(_middle(np.abs(found - offset - slope * places)))
            scatter = max(scatter, float(_middle(delays.errors[usable])))
            doubt = scatter / (float(places.std()) * math.sqrt(len(places))) * BLOCKS
            follows = self._slope != 0.0 and doubt < DEAD_ZONE
            if follows or abs(slope) * BLOCKS > max(8.0 * scatter, DEAD_ZONE):
                self._slope += 0.5 * slope
                end += offset + slope * BLOCKS
            elif abs(middle := float(_middle(found))) > max(DEAD_ZONE, 3.0 * scatter):
                end += middle
        self._delay = end
        whole = round(self._delay)
        if abs(self._delay) > 0.6:
            self._drifted += whole
            self._recent = [replace(block, delay=block.delay - whole) for block in self._recent]
            self._delay -= whole
        oldest = start - 4 * layout.segment
        while len(self._alignments) > 1 and self._alignments[1][0] < oldest:
            self._alignments.pop(0)

    def alignment_at(self, frames: NDArray[np.int_]) -> Signal:
        """Whole samples by which the return is late at some frames."""
        begins = [begin for begin, _ in self._alignments]
        lates = np.array([late for _, late in self._alignments], dtype=np.float64)
        return np.asarray(lates[np.searchsorted(begins, frames, side="right") - 1] + self._drifted)

    # ---- slips ----

    def _find_slip(
        self, start: int, frames: int, delays: _Delays, models: list[list[_Response]], sent: Reader, returned: Reader
    ) -> Slip | None:
        """A step of the delay by whole samples, if there is one in this segment or at the end of the last."""
        valid = self.layout.valid
        centres = start + np.arange(BLOCKS) * valid + valid // 2
        whole = np.arange(1, BLOCKS + 1) * valid <= frames
        active = whole & (delays.expected > ACTIVE * valid)
        now = [
            _Block(*values)
            for values in zip(
                centres.tolist(),
                (self._ramp + delays.samples).tolist(),
                delays.errors.tolist(),
                delays.left.tolist(),
                delays.steepest.tolist(),
                strict=True,
            )
        ]
        now = [block for block, is_on in zip(now, active, strict=True) if is_on]
        self._recent = ([block for block in self._recent if block.centre < start] + now)[-2 * BLOCKS :]
        for suspect in _suspects(self._recent, self._examined, start + frames - 2 * valid, valid):
            self._examined = suspect
            for judges in models:
                slip = self._search(suspect, judges, sent, returned)
                if slip is not None:
                    return slip
        return None

    def _search(self, centre: int, models: list[_Response], sent: Reader, returned: Reader) -> Slip | None:
        """Look for the delay at which the stem explains what comes after a suspicious place."""
        layout, reach = self.layout, self.layout.searched
        begin = centre + layout.valid - layout.valid // 2
        pairs = self._piece(centre, begin, AFTER * layout.valid, models, sent, returned)
        shared = np.sum([_correlate(back, stem, reach) for stem, back in pairs], axis=0)
        energy = np.sum([_moving_energy(stem, len(back), reach) for stem, back in pairs], axis=0)
        total = sum(float(back @ back) for _, back in pairs)
        if total <= 0.0 or not np.any(energy > 0.0):
            return None
        left = total - np.clip(shared, 0.0, None) ** 2 / np.maximum(energy, 1e-9 * energy.max())
        best = _most_plausible(left, reach)
        late = best - reach
        if abs(self.alignment + late) > layout.farthest:
            return None
        better = CLEARLY if abs(late) <= SMALL_SLIP else MUCH if left[reach] > NOTICED * total else BEYOND_DOUBT
        if late == 0 or left[reach] < better * left[best]:
            return None
        if left[best] > (LIKELY_LEFT if abs(late) <= SMALL_SLIP else MOST_LEFT) * total:
            return None
        if abs(late) <= SMALL_SLIP:
            small = self._small_slip(centre, late, sent, returned)
            if small is not None or left[best] > MOST_LEFT * total:
                return small
        first = begin - (BEFORE + 1) * layout.valid
        span = (BEFORE + 1 + AFTER) * layout.valid
        pairs = self._piece(centre, first, span, models, sent, returned)
        # The two alignments together leave least where the slip is. Gains are free in each piece.
        piece = layout.valid // 16
        old, new = (
            np.sum([_left(back, stem[reach - d : reach - d + span], piece) for stem, back in pairs], axis=0)
            for d in (0, late)
        )
        sums = np.concatenate(([0.0], np.cumsum(old - new)))
        rough = _lowest(sums, np.minimum(old, new), piece)
        heard = np.sum([_energies(back.reshape(-1, piece)) for _, back in pairs], axis=0)
        # What is around the slip has its click in it.
        early_pieces, late_pieces = slice(0, max(0, rough - 2)), slice(rough + 2, None)
        was, would = float(old[early_pieces].sum()), float(new[late_pieces].sum())
        total_was, total_would = float(heard[early_pieces].sum()), float(heard[late_pieces].sum())
        if total_would <= 0.0 or would > MOST_LEFT * total_would:
            return None
        beyond_doubt = bool(left[reach] >= BEYOND_DOUBT * left[best])
        # In a long pause nothing speaks for the alignment of before. Where a gate is closed there is not even noise.
        begins = max(rough - 2, layout.valid // piece)
        expected = [stem[reach : reach + begins * piece] for stem, _ in pairs]
        due = sum(float(each @ each) for each in expected)
        paused = due <= NEXT_TO_NOTHING * max(float(heard[:begins].sum()), float(sum(map(len, expected))))
        # By one or two samples a unit that bends a note looks late as well.
        if not (paused and beyond_doubt and abs(late) > SMALL_SLIP):
            if total_was <= 0.0:
                return None
            # Far back a drift may have moved it, and just before it there may be silence.
            nearer = slice(max(0, rough - 64), max(0, rough - 2))
            total_near = float(heard[nearer].sum())
            share_was = min(was / total_was, float(old[nearer].sum()) / total_near if total_near > 0.0 else 1.0)
            # Before it there may be only noise, if what follows is beyond doubt.
            if share_was > MOST_LEFT and not beyond_doubt:
                return None
            if -sums[rough] < (CLEARLY - 1.0) * was:
                return None
        if sums[-1] - sums[rough] < (CLEARLY - 1.0) * would:
            return None
        low, high = max(0, rough - 3) * piece, min(span, (rough + 3) * piece)
        change = np.zeros(high - low)
        for stem, back in pairs:
            # One gain for both, from the side that is louder.
            early, end = slice(max(0, low - 4 * piece), low + piece), min(span, high + 4 * piece)
            before = back[early], stem[reach + early.start : reach + early.stop]
            behind = back[high - piece : end], stem[reach - late + high - piece : reach - late + end]
            gain = _gain(*max(before, behind, key=lambda pair: float(pair[1] @ pair[1])))
            near = back[low:high]
            change += (near - gain * stem[reach + low : reach + high]).astype(np.float64) ** 2
            change -= (near - gain * stem[reach - late + low : reach - late + high]).astype(np.float64) ** 2
        place = int(np.argmin(np.concatenate(([0.0], np.cumsum(change)))))
        found, blocks = Slip(first + low + place, late), STEP_BLOCKS
        step, error = self._phase_step(found.frame, sent, returned, late)
        if math.isinf(error):
            # Silence on one side: further away there may be something.
            blocks = LONG_BLOCKS
            step, error = self._phase_step(found.frame, sent, returned, late, blocks)
            if error > LITTLE_DOUBT:
                return found if left[reach] > SURELY * left[best] else None
        if abs(step) > 2.0 * STEADY or error > 2.0 * STEADY:
            return None
        if abs(late) > SMALL_SLIP:
            # A steady note is like itself thousands of samples ago as well: its phases tell.
            smaller, doubt = self._phase_step(found.frame, sent, returned, blocks=blocks)
            whole = round(smaller)
            if (
                1 <= abs(whole) <= SMALL_SLIP
                and doubt < SURE_ERROR
                and left[reach + whole] < MOST_LEFT * total
                and abs(smaller - whole) < abs(step) / 2
            ):
                late, found = whole, Slip(found.frame, whole)
        # It may have been far from where it was looked for.
        return (self._small_slip(found.frame, late, sent, returned) or found) if abs(late) <= SMALL_SLIP else found

    def confirm_click(self, frame: int, clear: float, sent: Reader, returned: Reader) -> None:
        """See whether what stands out at a frame is the click of a slip by one or two samples.

        `clear` is by how much likelier a click is there than none, as twice the logarithm.
        """
        self._clicks = [*self._clicks[1 - MOST_CLICKS :], (frame, clear)]
        reach = CLICK_REACH * self.layout.valid
        for index, slip in list(enumerate(self.slips))[-8:]:
            if abs(slip.samples) <= SMALL_SLIP and abs(frame - slip.frame) < reach:
                self._place_again(index, sent, returned)
        if any(abs(frame - slip.frame) < self.layout.valid for slip in self.slips[-8:]):
            return
        step, error = self._phase_step(frame, sent, returned)
        if not 1 <= abs(round(step)) <= SMALL_SLIP or error > DOUBTFUL:
            return
        # Where it is quiet on one side, what is left does not know the place; whoever asks has seen its click.
        late = round(step)
        found = self._small_slip(frame, late, sent, returned)
        if found is None and _is_step(step, error, late):
            found = self._step_at(frame, late, sent, returned)
        if found is not None:
            self._take(found, self._models, sent, returned)

    def _at_click(self, slip: Slip, sent: Reader, returned: Reader) -> Slip:
        """A small slip where it is likeliest, given the clicks around it: in bass hardly anything else tells."""
        valid = self.layout.valid
        reach, least = CLICK_REACH * valid, CLEAR_CLICK if slip.rest else 0.0
        low, high = slip.rest or (slip.frame - reach, slip.frame + reach)
        places = []
        for frame, clear in self._clicks:
            if abs(frame - slip.frame) >= reach or not low - valid // 2 < frame < high + valid // 2:
                continue
            # Where a unit clicks now and then, a click tells little.
            usual = max((each for other, each in self._clicks if abs(other - frame) > valid // 16), default=0.0)
            clear -= CLICK_RARE * usual
            step, error = self._phase_step(frame, sent, returned)
            if clear > least and error < SURE_ERROR and abs(step - slip.samples) < CLICK_STEADY:
                places.append((frame, clear))
        if not places:
            return slip
        places.append((slip.frame, 0.0))
        first = min(frame for frame, _ in places) - 2 * valid
        span = max(frame for frame, _ in places) + 2 * valid - first
        costs = self._fit_step(slip.frame, first, span, slip.samples, sent, returned).costs
        place, clear = min(places, key=lambda place: costs[place[0] - first] - place[1])
        # What tells the place within a cell by itself tells it better; and what tells another is not overruled.
        sure = costs[place - first] > costs[slip.frame - first] + MOST_COST
        near = abs(place - slip.frame) <= valid // 128 and slip.rest is None
        return slip if not clear or near or (sure and slip.rest is None) else replace(slip, frame=place, rest=None)

    def _place_again(self, index: int, sent: Reader, returned: Reader) -> None:
        """Look again for the place of a slip that is known, as if it was not."""
        slip = self.slips[index]
        if all(begin != slip.frame for begin, _ in self._alignments[1:]):
            return
        self._align(slip.frame, -slip.samples)
        self._alignments = [each for each in self._alignments if each[0] != slip.frame]
        self.slips[index] = slip = self._at_click(slip, sent, returned)
        self._align(slip.frame, slip.samples)

    def _small_slip(self, centre: int, late: int, sent: Reader, returned: Reader) -> Slip | None:
        """A slip by one or two samples that is somewhere around a frame, if it is one."""
        if self._is_near_a_slip(centre):
            return None
        # Once more from where it was found: then there is as much on either side. It may have been noticed long after.
        place = self._placed(self._placed(centre, late, sent, returned), late, sent, returned)
        for _ in range(MOST_STEPS_BACK):
            there = self._placed(place, late, sent, returned)
            if there >= place:
                break
            place = there
        return self._step_at(place, late, sent, returned)

    def _step_at(self, place: int, late: int, sent: Reader, returned: Reader) -> Slip | None:
        """A slip by one or two samples at a frame, if the phases on both sides, and further away, say so."""
        layout = self.layout
        if place < 2 * layout.block or self._is_near_a_slip(place):
            return None
        step, error = self._phase_step(place, sent, returned)
        if math.isinf(error):
            # There may be a rest: what is beyond it must tell it well.
            step, error = self._phase_step(place, sent, returned, blocks=LONG_BLOCKS)
            if error > LITTLE_DOUBT:
                return None
        if error > DOUBTFUL or abs(step - late) > (DOUBTFUL if error < SURE_ERROR else SURE_ERROR):
            return None
        # A drift that nothing else shows goes on before and behind.
        away = SCAN_BLOCKS * layout.valid
        for beside in (place - away, place + away):
            other, doubt = self._phase_step(beside, sent, returned)
            if doubt < 1.0 and abs(other) > 0.5:
                return None
        # What bends a note for half a second does not do so for longer.
        if error > LITTLE_DOUBT:
            lasting, _ = self._phase_step(place, sent, returned, blocks=LONG_BLOCKS)
            # Another slip nearby may be among it.
            if abs(lasting - late) > LASTING and abs(lasting) < abs(late) + 0.5:
                return None
            # Where the samples themselves tell, they must say so as well.
            fit = self._fit_step(place, place - 2 * layout.valid, 4 * layout.valid, late, sent, returned)
            if fit.known > WELL_TOLD and fit.step < LEAST_STEP:
                return None
        return Slip(place, late)

    def _is_near_a_slip(self, frame: int) -> bool:
        """Whether the phases around a frame have a known slip in them."""
        reach = 2 * SCAN_BLOCKS * self.layout.valid
        return any(abs(frame - slip.frame) < reach for slip in self.slips[-8:])

    def _placed(self, centre: int, late: int, sent: Reader, returned: Reader) -> int:
        """The most likely frame of a slip by one or two samples, within two blocks of another frame."""
        first, span = centre - 2 * self.layout.valid, 4 * self.layout.valid
        return first + int(np.argmin(self._fit_step(centre, first, span, late, sent, returned).costs))

    def _fit_step(self, centre: int, first: int, span: int, late: int, sent: Reader, returned: Reader) -> _StepFit:
        """A slip by one or two samples, sought in so many from a frame on."""
        layout, reach = self.layout, self.layout.searched
        smooth = np.ones(layout.valid // 4)
        along, bend = np.zeros(span), np.zeros(span)
        for stem, back in self._piece(centre, first, span, self._models, sent, returned):
            expected, moved = (stem[reach - d : reach - d + span].astype(np.float64) for d in (0, late))
            gain = np.zeros(span)
            for each in (expected, moved):
                power = np.convolve(each * each, smooth, "same")
                gain = np.maximum(gain, np.convolve(back * each, smooth, "same") / np.maximum(power, 1e-9))
            slope = gain * (expected - moved)
            # Where it is loud, a unit is off by more than the noise.
            usual = 1.0 + SLIP_DOUBT * np.convolve((gain * expected) ** 2, np.ones(65) / 65.0, "same")
            along -= slope * (back - gain * expected) / usual
            bend += slope * slope / usual
        # The response may be off for the notes that sound: the delay before is not 0, that behind not a whole one.
        total, sums = np.concatenate(([0.0], np.cumsum(bend))), np.concatenate(([0.0], np.cumsum(along)))
        doubt = 0.02 * total[-1] + 1e-9
        low, high = layout.valid, span - layout.valid
        for _ in range(3):
            before = float(sums[low] / (total[low] + doubt))
            behind = float((sums[-1] - sums[high] + doubt) / (total[-1] - total[high] + doubt))
            costs = 2.0 * (behind - before) * sums - (behind**2 - before**2) * total
            low = high = int(np.argmin(costs))
        return _StepFit(np.asarray(costs), behind - before, float(total[-1]))

    def _phase_step(
        self, frame: int, sent: Reader, returned: Reader, late: int = 0, blocks: int = STEP_BLOCKS
    ) -> tuple[float, float]:
        """By how much the delay is larger behind a frame than before it, and a standard error, in samples.

        Bass tells little about a delay, and a response that is a little off makes it another for every note. So
        it is not asked for: the phases of return against stem before the place are compared with those behind it,
        at every frequency that sounds on both sides.
        """
        from scipy.fft import rfft

        layout = self.layout
        size, away = layout.block, layout.guard // 8
        hop = size // 2
        side = size + (blocks - 1) * hop
        first = frame - away - side
        behind_first = side + 2 * away
        stems = self.aligned(first, side, sent), self.aligned(first + behind_first - late, side, sent)
        backs = returned(first, behind_first + side)
        window = np.hanning(size).astype(np.float32)
        view = np.lib.stride_tricks.sliding_window_view
        sums = []
        told = blocks
        for low, stem in zip((0, behind_first), stems, strict=True):
            played = rfft(view(stem, size, axis=1)[:, ::hop] * window, axis=2)
            heard = rfft(view(backs[:, low : low + side], size, axis=1)[:, ::hop] * window, axis=2)
            sums.append(_common(played, heard))
            # What is before the take or behind it tells nothing.
            told = min(told, int(np.count_nonzero(heard.any(axis=(0, 2)))))
        if told < LEAST_TOLD:
            return 0.0, math.inf
        omega: Signal = np.asarray(2.0 * np.pi / size * np.arange(size // 2 + 1), dtype=np.float64)
        step, error = _steps(sums[0], sums[1], omega, 0.6 * told)
        return float(step), float(error)

    def _piece(
        self, centre: int, first: int, span: int, models: list[_Response], sent: Reader, returned: Reader
    ) -> list[tuple[Real, Real]]:
        """Of each channel, the expectation of a piece and of what is around it, and the return of the piece."""
        guard, reach = self.layout.guard, self.layout.searched
        stems = self.aligned(first - guard - reach, span + 2 * (guard + reach), sent)
        backs = returned(first - guard, span + 2 * guard)
        # Clocks may have drifted by part of a sample: as far as the blocks before say.
        recent = [block.delay for block in self._recent if block.centre < centre and block.error < 0.2][-3:]
        late = sorted(recent)[len(recent) // 2] if recent else 0.0
        turn = np.exp(-1j * late * self._omega)
        return [model.filter_long(stem, back, turn) for model, stem, back in zip(models, stems, backs, strict=True)]

    def _rest_around(
        self, slip: Slip, models: list[_Response], sent: Reader, returned: Reader
    ) -> tuple[int, int] | None:
        """The rest of the stem in which a slip is, if it is in one: from what sounds last to what sounds first.

        The stem is looked at as it lay before the slip: behind it, what is heard twice would seem to go on.
        """
        layout, reach = self.layout, self.layout.searched
        piece, half = layout.valid // 16, REST_BLOCKS * layout.valid
        begin, count = slip.frame - half, 2 * half // piece
        pairs = self._piece(slip.frame, begin, 2 * half, models, sent, returned)
        expected = [_energies(stem[reach : reach + count * piece].reshape(-1, piece)) for stem, _ in pairs]
        sounds = np.concatenate(([True], np.max(expected, axis=0) > NEXT_TO_NOTHING * piece, [True]))
        # It is told at the first place that fits, which may be in the last of what sounds.
        place = 1 + count // 2
        silent = [index for index in (place, place + 1) if not sounds[index]]
        if not silent:
            return None
        low = int(np.flatnonzero(sounds[: silent[0]])[-1])
        high = silent[0] + int(np.flatnonzero(sounds[silent[0] :])[0])
        first, last = begin + (low - 1) * piece, begin + high * piece
        # Beyond what was looked at, by whole blocks.
        if low == 0:
            before = [block.centre for block in self._recent if block.centre < begin]
            first = max(before, default=0) - layout.valid // 2
        if high == count + 1:
            behind = [block.centre for block in self._recent if block.centre > begin + 2 * half]
            last = min(behind, default=begin + 2 * half) + layout.valid // 2
        if last - first < (REST + 2) * piece:
            return None
        return max(0, min(first, slip.frame - piece)), last + max(0, slip.samples)

    def _take(self, slip: Slip, models: list[_Response], sent: Reader, returned: Reader) -> None:
        slip = replace(slip, rest=self._rest_around(slip, models, sent, returned))
        if abs(slip.samples) <= SMALL_SLIP:
            slip = self._at_click(slip, sent, returned)
        self.slip_count += 1
        if len(self.slips) < MOST_SLIPS:
            self.slips.append(slip)
        self._align(slip.frame, slip.samples)
        self._recent = [block for block in self._recent if block.centre < slip.frame]
        self._scan.correct(slip)

    def _align(self, frame: int, late: int) -> None:
        """From a frame on, the return is so much later than it was taken to be."""
        before = [each for each in self._alignments if each[0] < frame]
        behind = [(begin, each + late) for begin, each in self._alignments if begin >= frame]
        self._alignments = [*before, (frame, before[-1][1] + late), *behind]


@dataclass(frozen=True)
class _StepFit:
    """What the samples of a piece say of a slip in it."""

    costs: Signal
    """How improbable it is that it lies before each of them, as minus twice the logarithm."""
    step: float
    """By how much more what is behind the likeliest place is late than what is before it, as a part of the slip."""
    known: float
    """What the slip would change in all, as a multiple of the noise."""


def _is_step(step: float, error: float, late: int) -> bool:
    """Whether a step in the phases is one by so many samples, as far as a click may tell its place."""
    return error < SURE_ERROR and abs(step - late) < max(CLICK_STEADY, CLICK_ERRORS * error)


class _Response:
    """What one channel of a unit does to the stem: averages, the response that follows, and the whitening."""

    def __init__(self, layout: BlockLayout, rate: int) -> None:
        self._layout = layout
        bins = layout.block // 2 + 1
        self.known = False
        self._cross = np.zeros(bins, dtype=np.complex128)
        self._power = np.zeros(bins)
        self._back = np.zeros(bins)
        self._seen = 0.0
        self._turns = 0
        half = int(layout.guard * RESPONSE_SHARE)
        self._response_window = _lag_window(layout.block, half)
        self._smoothing_window = _smoothing_window(layout.block, layout.guard)
        self._whitening_window = _lag_window(layout.block, layout.guard - half)
        hz = (np.arange(bins // BAND_BINS) + 0.5) * BAND_BINS / layout.block * rate
        self._doubt = (DOUBT + 0.05 * np.minimum(1.0, 150.0 / hz) ** 2).astype(np.float32)
        self._spline = _Spline(2 * BAND_BINS)
        self.response = np.zeros(bins, dtype=np.complex64)
        self._answer = np.zeros(bins // BAND_BINS, dtype=np.float32)
        """What it makes of each band, in power, for spectra of a block."""
        self._misfit: _Misfit | None = None
        self._whitening: Real | None = np.ones(bins, dtype=np.float32)
        self.local = np.ones((BLOCKS, bins), dtype=np.float32)
        """The same for each block, by what is loud there."""
        self.left = self.heard = 0.0

    def learn(self, stem: Spectra, back: Spectra, real: NDArray[np.bool_]) -> _Response:
        """The same, with a segment taken into the averages."""
        new = copy.copy(self)
        new._turns += 1
        # Much is known: now and then is enough, and half of the blocks tell what is left.
        mature = self._seen > MATURE
        apart = LEARNT_AGAIN if mature else 1
        if new._turns % apart == 0:
            new._average(stem, back, MEMORY**apart)
        if not mature or new._turns % LOOKED_AT_AGAIN == 0:
            some = slice(None, None, 2 if mature else 1)
            new._learn_misfit(stem[some], back[some], real[some])
        new._whiten_blocks(stem)
        return new

    def _average(self, stem: Spectra, back: Spectra, memory: float) -> None:
        """Take blocks into the averages, and work out the response."""
        cross, power, heard, seen = _averages(stem, back)
        if power.any():
            self._cross = memory * self._cross + cross
            self._power = memory * self._power + power
            self._back = memory * self._back + heard
            self._seen = memory * self._seen + seen
            self.known = True
            self._solve(self._cross, self._power, self._back, self._seen)

    def answering_as(self, other: _Response) -> _Response:
        """This whitening with another response, if that one has learnt something."""
        if not other.known:
            return self
        new = copy.copy(self)
        new.response = other.response
        return new

    def differs_from(self, other: _Response, stem: Spectra) -> bool:
        """Whether it matters which of two responses explains a segment."""
        if self.response is other.response:
            return False
        weight = np.abs((self.response - other.response) * self.local.mean(axis=0)) ** 2
        change = float(_power(stem) @ weight) * 2.0 / self._layout.block
        return bool(change > MATTERS * stem.shape[0] * self._layout.block)

    def filter_long(self, stem: Real, back: Real, turn: NDArray[np.complexfloating]) -> tuple[Real, Real]:
        """The whitened expectation and return of a longer piece; both lose the guard at either end."""
        from scipy.fft import irfft, next_fast_len, rfft

        size = next_fast_len(max(len(stem), len(back)), real=True)
        block, guard = self._layout.block, self._layout.guard
        # Bands in which there is only noise say nothing about the delay.
        psd = self._power / max(0.375 * block * self._seen, 1e-30)
        signal = np.abs(self.response * self.whitening) ** 2 * psd
        weight = self.whitening * (signal / (signal + 1.0))
        window = _lag_window(block, guard)
        found = []
        for piece, taps in ((stem, irfft(self.response * weight * turn, block)), (back, irfft(weight, block))):
            longer = np.zeros(size, dtype=np.float32)
            kept = taps * window
            longer[: guard + 1] = kept[: guard + 1]
            longer[-guard:] = kept[-guard:]
            found.append(irfft(rfft(piece, size) * rfft(longer), size)[guard : len(piece) - guard])
        return found[0], found[1]

    def _solve(self, cross: NDArray[np.complex128], power: Signal, heard: Signal, seen: float) -> None:
        from scipy.fft import irfft, rfft

        size = self._layout.block
        lags = irfft(np.stack((cross, power, heard)), size) * self._smoothing_window
        smooth_cross, *powers = rfft(lags)
        smooth_power, smooth_heard = (np.maximum(each.real, 0.0) for each in powers)
        smooth_power += 1e-12 * smooth_power.max() + 1e-30
        # Where the stem has nothing, the quotient is noise over rounding. What chance alone has in common is left out.
        common = np.abs(smooth_cross) ** 2 / (smooth_power * np.maximum(smooth_heard, 1e-30))
        chance = CHANCE / seen
        sure = np.clip((common - chance) / np.maximum(common, 1e-30), 0.0, 1.0)
        response = irfft(smooth_cross / smooth_power * sure, size) * self._response_window
        self.response = rfft(response).astype(np.complex64)
        self._answer = _banded(self.response[np.newaxis])[0] / np.float32(size)

    def _learn_misfit(self, stem: Spectra, back: Spectra, real: NDArray[np.bool_]) -> None:
        """What the response leaves unexplained in some blocks."""
        expected = stem * self.response
        energy = _energy(back)
        gain = _inner(back, expected) / np.maximum(_energy(expected), 1e-30)
        unexplained = expected.view(np.float32) * -gain[:, np.newaxis].astype(np.float32)
        unexplained += back.view(np.float32)
        left = _banded(_hann(unexplained.view(np.complex64)))
        self.left, self.heard = BAND_BINS * float(left.sum()), 0.375 * float(energy.sum())
        if not real.all():
            left, expected = left[real], expected[real]
        size = self._layout.block
        self._misfit = _Misfit.of(left / np.float32(0.375 * size), expected, 2.0 * float(energy.mean()) / size**2, size)
        self._whitening = None

    @property
    def whitening(self) -> Real:
        """What makes white what is unexplained in most blocks; worked out when it is asked for."""
        if self._whitening is None:
            self._whitening = self._whiten_all()
        return self._whitening

    def _whiten_all(self) -> Real:
        from scipy.fft import irfft, rfft

        assert self._misfit is not None
        size, misfit = self._layout.block, self._misfit
        # The median over the blocks: a fault in one of them does not count.
        level = np.median(misfit.level, axis=0).astype(np.float64)
        level += FULL_SCALE_FLOOR + RELATIVE_FLOOR * misfit.total
        # A response of finite length is off in the bass; where the stem is loud, that is more than the noise.
        loudest = (misfit.expected.real**2 + misfit.expected.imag**2)[:, : size // 2].max(axis=0)
        level += self._doubt * loudest.reshape(-1, BAND_BINS).mean(axis=1) / size
        level = np.maximum(level, np.maximum(np.append(level[1:], level[-1]), np.append(level[0], level[:-1])))
        centres = (np.arange(len(level)) + 0.5) * BAND_BINS
        curve = np.exp(-0.5 * np.interp(np.arange(size // 2 + 1), centres, np.log(level)))
        return np.asarray(rfft(irfft(curve, size) * self._whitening_window).real, dtype=np.float32)

    def _whiten_blocks(self, stem: Spectra) -> None:
        """Whiten each block by what sounds there, so that a loud passage does not hide what happens in a quiet one."""
        assert self._misfit is not None
        misfit = self._misfit
        local = _banded(stem) * self._answer
        # Blocks that follow each other are not worlds apart.
        loud = local.copy()
        np.maximum(local[:-1], NEXT_BLOCK * loud[1:], out=local[:-1])
        np.maximum(local[1:], NEXT_BLOCK * loud[:-1], out=local[1:])
        floor = misfit.always + (FULL_SCALE_FLOOR + RELATIVE_FLOOR * misfit.total)
        local *= self._doubt + misfit.with_stem
        local += floor
        level = local.copy()
        np.maximum(level[:, 1:-1], local[:, 2:], out=level[:, 1:-1])
        np.maximum(level[:, 1:-1], local[:, :-2], out=level[:, 1:-1])
        # What is always there has the same power in every block, so that blocks can be compared.
        level *= ((1.0 / level) @ floor / level.shape[1])[:, np.newaxis]
        knots = 1.0 / np.sqrt(level)
        self.local = self._spline.through(0.5 * (knots[:, ::2] + knots[:, 1::2]))


@dataclass(frozen=True)
class _Misfit:
    """What a response leaves unexplained in a segment."""

    level: Real
    """Power in each band of each block, shape (blocks, bands)."""
    expected: Spectra
    """What was expected of these blocks."""
    total: float
    """Power of the return."""
    always: Real
    """What is there in any block, shape (bands,)."""
    with_stem: Real
    """What comes with the stem, as a share of what was expected."""

    @classmethod
    def of(cls, level: Real, expected: Spectra, total: float, size: int) -> _Misfit:
        """Of blocks of a size."""
        power = _banded(expected) * np.float32(1.0 / size)
        always = _lower_quartile(level)
        loudest = power.max(axis=0) if len(power) else np.zeros_like(always)
        with_stem = _middle(np.maximum(level - always, 0.0) / (power + (0.1 * loudest + 1e-30)))
        return cls(level, expected, total, always, with_stem)


def _lower_quartile(values: Real) -> Real:
    """Of each column: between the ranks next to it, as is common."""
    if not len(values):
        return np.zeros(values.shape[1], dtype=np.float32)
    ranked = np.sort(values, axis=0)
    place, share = divmod(0.25 * (len(values) - 1), 1.0)
    low, high = ranked[int(place)], ranked[min(int(place) + 1, len(values) - 1)]
    return np.asarray(low + np.float32(share) * (high - low))


def _middle(values: NDArray[Number]) -> NDArray[Number]:
    """The median of each column; of few values numpy's own costs several times as much."""
    if not len(values):
        return np.zeros(values.shape[1:], dtype=values.dtype)
    ranked = np.sort(values, axis=0)
    return np.asarray((ranked[(len(values) - 1) // 2] + ranked[len(values) // 2]) / 2, dtype=values.dtype)


@lru_cache(BLOCKS)
def _pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The earlier and the later of each two of so many."""
    return np.triu_indices(count, 1)


@dataclass(frozen=True)
class _Delays:
    """How late the blocks of a segment are against what was expected of them, over all channels."""

    samples: Signal
    errors: Signal
    """Standard errors."""
    expected: Signal
    """Energy of what was expected."""
    left: Signal
    """Part of the return that the best gain leaves unexplained."""
    steepest: Signal
    """Largest energy of a deviation in a cell, over the median of all."""

    @classmethod
    def of(cls, pairs: list[Compared]) -> _Delays:
        sums = np.zeros((5, BLOCKS))
        steepest = np.zeros(BLOCKS)
        for pair in pairs:
            r, p = pair.returned, pair.expected
            # Half the difference of the neighbours: for a shift by one sample, exact at every frequency.
            slope = np.empty_like(p)
            slope[:, 0] = slope[:, -1] = 0.0
            np.subtract(p[:, 2:], p[:, :-2], out=slope[:, 1:-1])
            cells = pair.energies.reshape(3, BLOCKS, -1)
            energies = cells.sum(axis=2, dtype=np.float64)
            sums[:3] += energies
            sums[3] += _products(r, slope)
            sums[4] += _energies(slope)
            gain = (energies[1] / np.maximum(energies[2], 1e-30)).astype(np.float32)[:, np.newaxis]
            rest = cells[0] - gain * (2.0 * cells[1] - gain * cells[2])
            # Some of the cells tell what is usual as well as all of them.
            usual = np.float32(max(float(_middle(rest[:, ::8].ravel())), 1.0))
            steepest = np.maximum(steepest, (rest / (usual + cells[2])).max(axis=1))
        heard, shared, expected, along, bend = sums
        along, bend = -0.5 * along, np.maximum(0.25 * bend, 1e-30)
        gain = np.maximum(shared / np.maximum(expected, 1e-30), 1e-6)
        left = np.maximum(heard - gain * shared, 1e-7 * heard)
        frames = pairs[0].returned.size // BLOCKS * len(pairs)
        errors = np.sqrt((left / frames / gain**2 + PHASE_ERROR**2 * expected) / bend)
        return cls(along / (gain * bend), errors, expected / len(pairs), left / np.maximum(heard, 1e-30), steepest)

    def usable(self) -> NDArray[np.bool_]:
        """Blocks whose delay is known at all."""
        return np.asarray((self.expected > 0.0) & (self.left < 0.95) & (self.errors < 0.15))


@dataclass(frozen=True)
class _Block:
    """What a block said about the delay."""

    centre: int
    delay: float
    error: float
    left: float
    """Part of the return that is not explained."""
    steepest: float
    """Largest deviation among neighbours, as a multiple of what is usual in the segment."""


def _suspects(blocks: list[_Block], examined: int, last: int, valid: int) -> list[int]:
    """Centres of blocks that do not go on as those before them; up to `last`, for two must follow."""
    changed, steep = [], []
    delays = [each.delay for each in blocks]
    # Most takes go on as they begin: then none need be compared with those before it.
    steady = bool(blocks) and max(delays) - min(delays) <= STEP_APART
    looked_at = [
        index
        for index in range(2, len(blocks) - 1)
        if examined < blocks[index].centre <= last
        and not (steady and blocks[index].left <= LEFT_MORE and blocks[index].steepest <= STEEP)
    ]
    if not looked_at:
        return []
    pauses = [index for index in range(1, len(blocks)) if blocks[index].centre > blocks[index - 1].centre + valid]
    for index in looked_at:
        block = blocks[index]
        # What is right before a pause may be behind a slip already, and nothing after it told so.
        ends = {place - away for place in pauses if place <= index for away in (1, 2)}
        before = range(max(0, index - 8), index)
        past = [blocks[place] for place in before if place not in ends] or [blocks[place] for place in before]
        usual = max(each.left for each in past)
        # The middle one, without the price of a median.
        delay = sorted(each.delay for each in past)[len(past) // 2]
        if all(
            each.left > 2.0 * usual + LEFT_MORE
            or 1.0 - each.left < 0.5 * (1.0 - usual)
            or (abs(each.delay - delay) > STEP_APART and each.error < 0.2)
            for each in blocks[index : index + 2]
        ):
            changed.append(block.centre)
        elif block.steepest > STEEP:
            steep.append(block.centre)
    return sorted(changed[:MOST_SEARCHES] + steep[:MOST_SEARCHES])


def _most_plausible(left: Signal, reach: int) -> int:
    """Index of the delay that leaves least; among some that leave about as little, one that is a buffer's length.

    A steady tone explains itself at every period.
    """
    best = int(np.argmin(left))
    likely = max(RIVAL * left[best], WELL_LEFT * left.max())
    small = [reach + late for late in (1, -1, 2, -2) if left[reach + late] < likely]
    if small and left[reach] > CLEARLY * min(left[place] for place in small):
        return min(small, key=lambda place: float(left[place]))
    inner = left[1:-1]
    if left[best] > RIVAL * MOST_LEFT * left.max():
        return best
    minima = np.flatnonzero((inner <= left[:-2]) & (inner <= left[2:]) & (inner < RIVAL * left[best])) + 1
    buffers = minima[(minima - reach) % BUFFER == 0]
    buffers = buffers[buffers != reach]
    if len(buffers):
        return int(buffers[np.argmin(np.abs(buffers - reach))])
    return best


def _lowest(sums: Signal, left: Signal, piece: int) -> int:
    """Where sums are lowest; the first of such places, if they differ by less than the noise there."""
    best = int(np.argmin(sums))
    near = left[max(0, best - 4) : best + 4]
    return int(np.argmax(sums <= sums[best] + LIKELY * float(near.mean()) / piece))


def _correlate(back: Real, stem: Real, reach: int) -> Signal:
    """Inner product of a piece with the stem at each delay from -reach to reach."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(len(stem), real=True)
    both = irfft(rfft(stem, size) * np.conj(rfft(back, size)), size)[: 2 * reach + 1]
    return np.asarray(both[::-1], dtype=np.float64)


def _moving_energy(stem: Real, frames: int, reach: int) -> Signal:
    sums = np.concatenate(([0.0], np.cumsum(stem.astype(np.float64) ** 2)))
    starts = reach - np.arange(-reach, reach + 1)
    return np.asarray(sums[starts + frames] - sums[starts])


def _gain(back: Real, stem: Real) -> float:
    return float(back @ stem) / max(float(stem @ stem), 1e-30)


def _left(back: Real, stem: Real, piece: int) -> Signal:
    """Energy that the best gain leaves in each piece."""
    r, p = back.reshape(-1, piece), stem.reshape(-1, piece)
    rr, rp, pp = (np.einsum("bn,bn->b", *pair).astype(np.float64) for pair in ((r, r), (r, p), (p, p)))
    return np.asarray(np.maximum(rr - np.clip(rp, 0.0, None) ** 2 / np.maximum(pp, 1e-30), 1e-7 * rr))


class _DelayLog:
    """Delays over time, of which neighbours are merged when there are too many."""

    def __init__(self, valid: int) -> None:
        self._span = 2 * valid
        self._windows: list[list[float]] = []
        """Start, weight, weighted delay, weighted time."""

    def add(self, frame: int, delay: float, error: float) -> None:
        weight = 1.0 / max(error, 1e-6) ** 2
        place = frame // self._span
        if self._windows and int(self._windows[-1][0]) // self._span == place:
            last = self._windows[-1]
            last[1] += weight
            last[2] += weight * delay
            last[3] += weight * frame
        else:
            self._windows.append([frame, weight, weight * delay, weight * frame])
            if len(self._windows) > MOST_WINDOWS:
                self._merge()

    def _merge(self) -> None:
        self._span *= 2
        merged: list[list[float]] = []
        for window in self._windows:
            if merged and int(merged[-1][0]) // self._span == int(window[0]) // self._span:
                merged[-1][1:] = [one + other for one, other in zip(merged[-1][1:], window[1:], strict=True)]
            else:
                merged.append(window)
        self._windows = merged

    def windows(self) -> tuple[TrackedWindow, ...]:
        return tuple(
            TrackedWindow(int(start), delay / weight, 1.0 / math.sqrt(weight))
            for start, weight, delay, _ in self._windows
        )

    def drift(self, slips: list[Slip]) -> tuple[float | None, float | None]:
        if len(self._windows) < 3:
            return None, None
        table = np.array(self._windows)
        times = table[:, 3] / table[:, 1]
        delays = table[:, 2] / table[:, 1]
        for slip in slips:
            delays -= np.where(times >= slip.frame, slip.samples, 0.0)
        weights = 1.0 / (1.0 / table[:, 1] + 1e-6)
        fit = _weighted_line(times, delays, weights)
        return (fit[1] * 1e6, fit[2] * 1e6) if fit is not None else (None, None)


def _weighted_line(times: Signal, values: Signal, weights: Signal) -> tuple[float, float, float] | None:
    """Offset at the mean time, slope, and standard error of the slope from the scatter."""
    centre = float(np.average(times, weights=weights))
    apart = times - centre
    spread = float(np.sum(weights * apart**2))
    if spread <= 0.0 or len(times) < 3:
        return None
    slope = float(np.sum(weights * apart * values)) / spread
    offset = float(np.average(values, weights=weights))
    left = values - offset - slope * apart
    scatter = float(np.sum(weights * left**2)) / (len(times) - 2)
    return offset, slope, math.sqrt(max(scatter, 1.0) / spread)


def _slope_between(played: list[Spectra], heard: list[Spectra], omega: Real, real: NDArray[np.bool_]) -> float | None:
    """Drift in samples a block, from the phase between neighbouring blocks; None if there is none to be seen."""
    slope = bend = noise = 0.0
    drift = 0.0
    for _ in range(4):
        slope = bend = noise = 0.0
        for stem, back in zip(played, heard, strict=True):
            cross = _hann(back) * np.conj(_hann(stem))
            step = cross[1:] * np.conj(cross[:-1])
            step = step[real[1:] & real[:-1]]
            if not len(step):
                return None
            together = step.sum(axis=0, dtype=np.complex128) * np.exp(1j * drift * omega)
            size = np.abs(step).sum(axis=0, dtype=np.float64)
            # The share of a bin that keeps its phase from block to block.
            steady = np.abs(together) / np.maximum(size, 1e-300)
            weight = np.where(steady > 0.9, 1.0 / np.maximum(1.0 - steady, 1e-6), 0.0)
            turn = np.angle(together)
            slope -= float(np.sum(weight * omega * turn))
            bend += float(np.sum(weight * omega**2))
            noise += float(np.sum(weight * turn**2))
        if bend == 0.0:
            return None
        drift += slope / bend
        if abs(slope / bend) < 1e-4:
            break
    return drift if abs(drift) > 0.003 else None


class _Scan:
    """The phases of return against stem in the bass, block by block, for steps that no single block shows."""

    def __init__(self, channels: int, omega: Real) -> None:
        self._omega = omega.astype(np.float64)
        self._spectra = np.zeros((2, 0, channels, SCAN_BINS + 1), dtype=np.complex64)
        """Of stem and return."""
        self._centres = np.zeros(0, dtype=np.int64)
        self._offsets = np.zeros(0)
        """Delay for which each block was compensated already, without slips."""

    def add(self, start: int, valid: int, played: list[Spectra], heard: list[Spectra], offsets: Signal) -> None:
        """Take the spectra of a segment; what is older than its predecessors' last blocks is forgotten."""
        new = [np.stack([channel[:, : SCAN_BINS + 1] for channel in each], axis=1) for each in (played, heard)]
        kept = slice(-2 * SCAN_BLOCKS, None)
        centres = start + np.arange(BLOCKS) * valid + valid // 2
        self._spectra = np.concatenate((self._spectra[:, kept], new), axis=1)
        self._centres = np.concatenate((self._centres[kept], centres))
        self._offsets = np.concatenate((self._offsets[kept], offsets))

    def correct(self, slip: Slip) -> None:
        """Blocks behind a slip that was not known when they were taken."""
        self._offsets[self._centres > slip.frame] -= slip.samples

    def steps(self, slope: float) -> list[tuple[int, int]]:
        """Frames around which the delay has a step, and by how many samples; `slope` is the drift a block."""
        count = len(self._centres) - 2 * SCAN_BLOCKS
        if count <= 0:
            return []
        line = self._offsets[-1] - slope * np.arange(len(self._offsets))[::-1]
        turn = np.exp(-1j * np.outer(self._offsets - line, self._omega))[:, np.newaxis]
        stems, backs = (_hann(each)[..., :-1].astype(np.complex128) for each in self._spectra)
        cross = _windows(backs * np.conj(stems) * turn)
        power, back = (_windows(each.real**2 + each.imag**2) for each in (stems, backs))
        # Of each block, what is before it and what is behind it.
        early, after = slice(0, count), slice(SCAN_BLOCKS + 1, None)
        before, behind = (cross[early], power[early], back[early]), (cross[after], power[after], back[after])
        steps, errors = _steps(before, behind, self._omega, float(SCAN_BLOCKS), 0)
        found = []
        seen = np.flatnonzero((np.abs(steps) > SCAN_STEP) & (errors < SCAN_ERROR))
        for group in np.split(seen, np.flatnonzero(np.diff(seen) > 1) + 1):
            if len(group):
                best = int(group[np.argmax(np.abs(steps[group]) - errors[group])])
                late = round(float(steps[best]))
                if 1 <= abs(late) <= SMALL_SLIP:
                    found.append((int(self._centres[best + SCAN_BLOCKS]), late))
        return found


def _common(played: Spectra, heard: Spectra) -> Common:
    """Cross spectrum and powers of both, shape (channels, bins), over blocks (axis 1) and three neighbouring bins."""
    cross = (heard * np.conj(played)).sum(axis=1, dtype=np.complex128)
    power = (played.real**2 + played.imag**2).sum(axis=1, dtype=np.float64)
    back = (heard.real**2 + heard.imag**2).sum(axis=1, dtype=np.float64)
    return _three(cross), _three(power), _three(back)


def _windows(values: NDArray[Number]) -> NDArray[Number]:
    """Sums over `SCAN_BLOCKS` blocks, beginning at each, and over three bins."""
    running = np.concatenate((np.zeros_like(values[:1]), np.cumsum(values, axis=0)))
    return _three(np.asarray(running[SCAN_BLOCKS:] - running[:-SCAN_BLOCKS]))


def _three(values: NDArray[Number]) -> NDArray[Number]:
    """Sums of three neighbours along the last axis."""
    sums = values.copy()
    np.add(sums[..., 1:], values[..., :-1], out=sums[..., 1:])
    np.add(sums[..., :-1], values[..., 1:], out=sums[..., :-1])
    return sums


def _steps(
    before: Common, behind: Common, omega: Signal, blocks: float, most: int = SMALL_SLIP
) -> tuple[Signal, Signal]:
    """Step of the delay between two sides, and its standard error; over the last two axes, channels and bins.

    The phase of a frequency is known on one side to a variance of (1 - c) / (2 n c), c the squared coherence (Carter,
    1987), and never better than `STEP_PHASE`. A frequency counts by that; where there is nothing common, not at all.
    """
    shape = before[0].shape
    variance = np.full(shape, STEP_PHASE**2)
    sure = np.ones(shape, dtype=bool)
    for common, one, other in (before, behind):
        coherence = np.abs(common) ** 2 / np.maximum(one * other, 1e-60)
        sure &= coherence > STEP_COHERENCE
        variance += np.maximum(1.0 - coherence, 0.0) / (2.0 * blocks * np.maximum(coherence, STEP_COHERENCE))
    weight = np.where(sure, 1.0 / variance, 0.0)
    turned = behind[0] * np.conj(before[0])
    bend = np.maximum((weight * omega**2).sum(axis=(-2, -1)), 1e-30)
    best = np.full(bend.shape, np.inf)
    step, error = np.zeros(bend.shape), np.full(bend.shape, np.inf)
    for whole in range(-most, most + 1):
        phase = np.angle(turned * np.exp(1j * omega * whole))
        more = -(weight * omega * phase).sum(axis=(-2, -1)) / bend
        rest = phase + omega * more[..., np.newaxis, np.newaxis]
        misfit = (weight * rest**2).sum(axis=(-2, -1))
        # A window and the sums make neighbours alike: few of the bins are independent.
        scatter = np.sqrt(4.0 * (weight**2 * omega**2 * (rest**2 + variance)).sum(axis=(-2, -1))) / bend
        better = misfit < best
        step, error = np.where(better, whole + more, step), np.where(better, scatter, error)
        best = np.where(better, misfit, best)
    known = bend > 1e-20
    return np.where(known, step, 0.0), np.where(known, error, np.inf)


def _averages(stem: Spectra, back: Spectra) -> tuple[NDArray[np.complex128], Signal, Signal, float]:
    """Cross spectrum, power of stem and of return, summed over the blocks, and how many blocks there are."""
    played, heard = _hann(stem), _hann(back)
    power, back_power = _power(played), _power(heard)
    heard *= np.conj(played, out=played)
    return heard.sum(axis=0).astype(np.complex128), power, back_power, float(len(stem))


def _power(spectra: Spectra) -> Signal:
    parts = np.square(spectra.view(np.float32)).sum(axis=0)
    return np.asarray(np.add(parts[::2], parts[1::2], dtype=np.float64))


def _hann(spectra: Spectra) -> Spectra:
    """Spectra as if the blocks had been under a Hann window, the outermost bins empty."""
    windowed = np.empty_like(spectra)
    windowed[..., 0] = windowed[..., -1] = 0.0
    inner = windowed[..., 1:-1]
    np.add(spectra[..., :-2], spectra[..., 2:], out=inner)
    inner *= np.float32(-0.5)
    inner += spectra[..., 1:-1]
    windowed *= np.float32(0.5)
    return windowed


def _energy(spectra: Spectra) -> Signal:
    return _energies(spectra.view(np.float32))


def _energies(rows: Real) -> Signal:
    return _products(rows, rows)


def _products(one: Real, other: Real) -> Signal:
    """Inner product of each two rows."""
    return np.asarray((one[:, np.newaxis] @ other[:, :, np.newaxis])[:, 0, 0], dtype=np.float64)


def _inner(one: Spectra, other: Spectra) -> Signal:
    """Real part of the inner product, block by block."""
    return _products(one.view(np.float32), other.view(np.float32))


def _banded(spectra: Spectra) -> Real:
    """Mean power of the bands of each block."""
    energies = np.square(spectra.view(np.float32)[:, :-2]).reshape(len(spectra), -1, 2 * BAND_BINS)
    return np.asarray(energies @ np.full(2 * BAND_BINS, 1.0 / BAND_BINS, dtype=np.float32))


class _Spline:
    """Smooth curves with a value for every `step` bins, in the middle of them: cubic B-splines.

    In the other domain they end after 1 / step: the fourth power of a sinc.
    """

    def __init__(self, step: int) -> None:
        place = (np.arange(step) + 0.5) / step
        corners = (
            (1.0 - place) ** 3,
            3.0 * place**3 - 6.0 * place**2 + 4.0,
            -3.0 * place**3 + 3.0 * place**2 + 3.0 * place + 1.0,
            place**3,
        )
        self._step = step
        self._basis = (np.stack(corners) / 6.0).astype(np.float32)

    def through(self, knots: Real) -> Real:
        """Curves through rows of knots, shape (rows, knots); a value for every bin and one more."""
        rows, count = knots.shape
        ends = np.empty((rows, count + 4), dtype=np.float32)
        ends[:, 2:-2] = knots
        ends[:, :2], ends[:, -2:] = knots[:, :1], knots[:, -1:]
        windows = np.ndarray((rows, count + 1, 4), ends.dtype, ends, strides=(*ends.strides, ends.itemsize))
        curve = (windows @ self._basis).reshape(rows, -1)
        half = self._step // 2
        return np.ascontiguousarray(curve[:, half : half + count * self._step + 1])


def _lag_window(size: int, half: int) -> Signal:
    """One at lag 0, falling to nought at `half` to either side (Blackman)."""
    lags = np.minimum(np.arange(size), size - np.arange(size))
    turn = np.pi * np.minimum(lags / half, 1.0)
    return np.asarray(np.where(lags < half, 0.42 + 0.5 * np.cos(turn) + 0.08 * np.cos(2.0 * turn), 0.0))


def _smoothing_window(size: int, half: int) -> Signal:
    """Parzen's lag window: its transform is nowhere negative, so that a smoothed power stays one."""
    lags = np.minimum(np.arange(size), size - np.arange(size)) / half
    inner = 1.0 - 6.0 * lags**2 + 6.0 * lags**3
    return np.asarray(np.where(lags < 0.5, inner, np.where(lags < 1.0, 2.0 * np.maximum(1.0 - lags, 0.0) ** 3, 0.0)))
