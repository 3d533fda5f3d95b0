"""Stem and return as averaged spectra: what each side of one has to do with each side of the other.

A bounded number of frames is looked at, of long stems the loudest of each stretch, so that memory and time do not grow
with the length. Averaged products of spectra (Welch's method) are all that the questions about wiring need: which
channel carries what, with which sign, and whether anything at all has happened on the way.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import Block, CheckedBlock, EvenPieces, check_block

__all__ = ["CrossSpectra", "PairedPieces", "SpectralMatrix", "energies"]

Signal = NDArray[np.float64]

FRAME_S = 0.085
MOST_FRAMES = 512
"""Averages of more would change a coherence by less than 0.002."""
HALVES = 15
"""Half frames in a piece: 30 720 frames at 48 kHz."""


@dataclass(frozen=True)
class SpectralMatrix:
    """Mean products of the spectra of all channels, sent ones first, then returned ones.

    Each is a power: over all bins the diagonal sums to the mean square of that channel in the frames.
    """

    rate: int
    channels: int
    """Of the stem, and as many of the return."""
    frame: int
    """Length of a frame, in samples."""
    frames: int
    """How many were averaged."""
    products: NDArray[np.complex128]
    """Shape (2 * channels, 2 * channels, bins): mean of X_i times the conjugate of X_j."""

    @property
    def hz(self) -> Signal:
        """Frequency of each bin."""
        return np.asarray(np.arange(self.products.shape[2]) * (self.rate / self.frame), dtype=np.float64)

    def band(self, lowest_hz: float, highest_hz: float) -> slice:
        """The bins from `lowest_hz` on, below `highest_hz`."""
        step = self.rate / self.frame
        return slice(int(np.ceil(lowest_hz / step)), max(int(np.ceil(highest_hz / step)), 0))

    def sent(self, first: int, second: int) -> NDArray[np.complex128]:
        """Product of two sent channels."""
        return np.asarray(self.products[first, second])

    def returned(self, first: int, second: int) -> NDArray[np.complex128]:
        """Product of two returned channels."""
        return np.asarray(self.products[self.channels + first, self.channels + second])

    def across(self, returned: int, sent: int) -> NDArray[np.complex128]:
        """Product of a returned channel and a sent one: its phase is that of the path."""
        return np.asarray(self.products[self.channels + returned, sent])


class CrossSpectra:
    """Averages products of the spectra of stem and return.

    Parameters
    ----------
    rate : int
        Hz.
    channels : int
    frames : int
        How long the signals will be. Where that is more than 512 frames, only the loudest frame of each of 512
        stretches is taken: the loudest of channel 1 in the first, of channel 2 in the second, and so on in turn.
    """

    def __init__(self, rate: int, channels: int, frames: int) -> None:
        self._rate = rate
        self._channels = channels
        self._half: int = 1 << max(4, round(math.log2(FRAME_S * rate)) - 1)
        self._pieces = PairedPieces(channels, HALVES * self._half)
        self._per_stretch = max(1, -(-frames // (self._half * MOST_FRAMES)))
        self._window = np.hanning(2 * self._half + 1)[:-1]
        self._scale = self._bin_weights() / (2 * self._half * float(np.sum(self._window**2)))
        self._products = np.zeros((2 * channels, 2 * channels, self._half + 1), dtype=np.complex128)
        """Below the diagonal and on it; what is above follows from it."""
        self._averaged = 0
        self._seen = 0
        self._last = np.zeros((2 * channels, self._half))
        self._last_power = np.zeros(channels)
        self._loudest: Signal | None = None
        self._loudest_power = -1.0

    def add(self, sent: Block, returned: Block) -> None:
        """Add samples of the stem as sent and of what came back, lined up; shape (frames, channels) each.

        Raises
        ------
        ValueError
            A shape is another, or they are not equally long.
        UnmeasurableError
            A sample is not a finite number; nothing of the blocks is counted then.
        """
        for piece, back in self._pieces.add(sent, returned):
            self._take(piece, back)

    def result(self) -> SpectralMatrix:
        """The averages so far; an incomplete frame at the end is left out. Zeros where nothing was whole."""
        ended = copy.deepcopy(self)
        rest, back = ended._pieces.rest()
        whole = rest.shape[1] // self._half * self._half
        if whole:
            ended._take(rest[:, :whole], back[:, :whole])
        ended._end_stretch()
        products = ended._products
        for first in range(len(products)):
            products[:first, first] = np.conj(products[first, :first])
        return SpectralMatrix(
            rate=self._rate,
            channels=self._channels,
            frame=2 * self._half,
            frames=ended._averaged,
            products=products * self._scale / max(1, ended._averaged),
        )

    def _take(self, piece: Signal, back: Signal) -> None:
        shape = (self._channels, -1, self._half)
        halves = piece.reshape(shape), back.reshape(shape)
        powers = energies(halves[0]).T
        frames = powers + np.concatenate((self._last_power[np.newaxis], powers[:-1]))
        place = 0 if self._seen else 1  # the very first half ends no frame
        self._seen += place
        while place < len(frames):
            # As far as the stretch goes in this piece.
            size = min(len(frames) - place, self._per_stretch - (self._seen - 1) % self._per_stretch)
            self._offer(halves, place, frames[place : place + size, self._turn()])
            place += size
        self._last_power = powers[-1]
        self._last = self._half_at(halves, len(powers) - 1)

    def _half_at(self, halves: tuple[Signal, Signal], place: int) -> Signal:
        """Of stem and return, one below the other."""
        return self._last if place < 0 else np.concatenate([each[:, place] for each in halves])

    def _offer(self, halves: tuple[Signal, Signal], first: int, powers: Signal) -> None:
        """Frames of one stretch that end with the halves from `first` on; the loudest is kept if none was louder."""
        best = int(powers.argmax())
        if powers[best] > self._loudest_power:
            last = first + best
            self._loudest = np.concatenate((self._half_at(halves, last - 1), self._half_at(halves, last)), axis=1)
            self._loudest_power = float(powers[best])
        self._seen += len(powers)
        if (self._seen - 1) % self._per_stretch == 0:
            self._end_stretch()

    def _turn(self) -> int:
        """The channel whose loudest frame is wanted."""
        return (self._seen - 1) // self._per_stretch % self._channels

    def _end_stretch(self) -> None:
        if self._loudest is not None:
            self._add_products_of(self._loudest)
            self._averaged += 1
        self._loudest, self._loudest_power = None, -1.0

    def _add_products_of(self, frame: Signal) -> None:
        from scipy.fft import rfft

        spectra = rfft(frame * self._window, axis=1)
        conjugates = np.conj(spectra)
        for first, one in enumerate(spectra):
            self._products[first, : first + 1] += one * conjugates[: first + 1]

    def _bin_weights(self) -> Signal:
        weights = np.full(self._half + 1, 2.0)
        weights[[0, -1]] = 1.0
        return weights


class PairedPieces:
    """Cuts a stem and its return into pieces of the same length, each in step with the other.

    Parameters
    ----------
    channels : int
        Of each.
    frames : int
        Length of a piece.
    """

    def __init__(self, channels: int, frames: int) -> None:
        self._channels = channels
        self._sent = EvenPieces(channels, frames)
        self._returned = EvenPieces(channels, frames)

    def add(self, sent: Block, returned: Block) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """Take a block of each, shape (frames, channels), and yield pieces of each, shape (channels, frames).

        Pieces are valid until the next ones are asked for. Blocks that are refused leave nothing behind.

        Raises
        ------
        ValueError
            A shape is another, or they are not equally long.
        UnmeasurableError
            A sample is not a finite number.
        """
        self._check(sent, returned)
        yield from zip(self._sent.add(sent), self._returned.add(returned), strict=True)

    def runs(self, sent: Block, returned: Block) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """As `add`, but several pieces that lie side by side in a block are one; see `EvenPieces`."""
        self._check(sent, returned)
        if isinstance(sent, CheckedBlock) and isinstance(returned, CheckedBlock):
            yield from zip(self._sent.runs(sent), self._returned.runs(returned), strict=True)
        else:
            yield from zip(self._sent.add(sent), self._returned.add(returned), strict=True)

    def _check(self, sent: Block, returned: Block) -> None:
        # The return is looked at before anything of the stem is taken.
        check_block(returned, self._channels)
        if len(sent) != len(returned):
            raise ValueError(f"{len(sent)} frames sent and {len(returned)} returned are no pair")

    def rest(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """What is not a whole piece yet, shape (channels, n) each."""
        return self._sent.rest(), self._returned.rest()


def energies(rows: Signal) -> Signal:
    """Sum of the squares along the last axis: einsum takes three times as long for the same."""
    return np.asarray((rows[..., np.newaxis, :] @ rows[..., np.newaxis])[..., 0, 0])
