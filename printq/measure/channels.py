"""What came back on which side, with which sign, and whether anything has happened to it on the way.

All from averaged spectra of stem and return (`CrossSpectra`), but for one thing: how deep a path nulls that seems to do
nothing is measured on the samples, because windows alone keep spectra from answering below -60 dB or so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError
from printq.measure.bands import ThirdOctaves
from printq.measure.blocks import check_block
from printq.measure.shift import FractionalShift
from printq.measure.spectra import PairedPieces, SpectralMatrix

__all__ = [
    "PathNull",
    "PathNullMeter",
    "Sides",
    "SignByBand",
    "can_be_nulled",
    "compare_sides",
    "find_lag",
    "may_be_wire",
    "signs_by_band",
]

Signal = NDArray[np.float64]
Spectrum = NDArray[np.complex128]

LOWEST_HZ = 20.0
HIGHEST_SHARE = 0.4
"""Of the rate: converters and interpolators fall off above."""
FEWEST_FRAMES = 8
"""Averages of fewer say little: two signals that have nothing to do with each other would seem to."""
SILENT_POWER = 1e-8
"""-80 dBFS: a side below that is silent."""

GROUP = 4
"""Bins taken together where sides are compared."""
TOO_ALIKE = 0.9
"""Bins in which the stem's sides have more than this of their power in common cannot tell them apart."""
FEWEST_OWN = 0.003
"""A side of the stem must have this share of its power for itself (-25 dB)."""
EXPLAINED = 0.3
"""Share of a return that the stem must explain before it is said which side of it that is."""
CROSSED = 10.0
"""Power that comes over from the other side, against that of the own one (10 dB)."""
SAME = 0.01
"""The returns differ by this much less than the stem's sides do (20 dB)."""
SAME_NOISE = 4.0
SAME_FLOOR = 1e-6
"""What two converters make of one signal; -60 dB."""

BAND_LOWEST_HZ = 31.5
BAND_HIGHEST_HZ = 10_000.0
COHERENT = 0.5
BAND_FLOOR = 1e-6
"""A band of the stem 60 dB below its strongest has nothing to say."""
CLEAR_PHASE = 0.5
"""Cosine of 60 degrees: nearer to 0 or to 180 degrees, a band has a sign."""
LAG_FINENESS = 16

MAY_BE_DB = -40.0
"""A path that nulls no deeper by its spectra does something, whatever noise allows."""
CLOSE_DB = 9.0
WORTH_DB = -20.0
"""Where noise allows no deeper null than this, a path that does little cannot be told from one that does nothing."""
ROUNDING_POWER = 2.0 * 2.0**-46 / 12.0
"""Two converters of 24 bits."""
INTERPOLATION = 10.0 ** (-95.0 / 10.0)
"""What interpolation between samples leaves, here and in the converters."""
NULL_FRAME = 8192


# ---- Sides ----


@dataclass(frozen=True)
class Sides:
    """What the two returns are made of. None where the stem cannot tell."""

    crossed: bool | None
    """Each return carries the other side of the stem."""
    same: bool | None
    """Both returns carry the same, although the stem's sides differ."""
    stem_correlation: float | None
    """Of the stem's sides as sent, from -1 to 1; None where one is silent."""
    return_correlation: float | None
    over_db: tuple[float | None, float | None]
    """In each return, power from the other side of the stem against that from its own."""


def compare_sides(matrix: SpectralMatrix, noise_power: tuple[float, float]) -> Sides:
    """Tell crossed and doubled sides of a two-channel path.

    Parameters
    ----------
    matrix : SpectralMatrix
        Of two channels.
    noise_power : tuple of float
        Of each return with nothing playing, mean square.

    Raises
    ------
    ValueError
        It has not two channels.
    """
    if matrix.channels != 2:
        raise ValueError(f"sides are compared of two channels, not of {matrix.channels}")
    band = matrix.band(LOWEST_HZ, HIGHEST_SHARE * matrix.rate)
    stem = _grouped(matrix.products[:2, :2, band])
    heard = _grouped(matrix.products[2:, 2:, band])
    across = _grouped(matrix.products[2:, :2, band])
    stem_powers = [float(stem[side, side].real.sum()) for side in (0, 1)]
    heard_powers = [float(heard[side, side].real.sum()) for side in (0, 1)]
    plays = min(stem_powers) > SILENT_POWER
    returns = all(power > 2.0 * max(noise, 1e-20) for power, noise in zip(heard_powers, noise_power, strict=True))
    return_correlation = _correlation(heard) if returns else None
    if not plays or not returns or matrix.frames < FEWEST_FRAMES:
        stem_correlation = _correlation(stem) if plays else None
        return Sides(None, None, stem_correlation, return_correlation, (None, None))
    over = _over_db(stem, heard, across)
    crossed = None if over is None else min(over) > 10.0 * math.log10(CROSSED)
    return Sides(
        crossed=crossed,
        same=_are_same(stem, heard, noise_power),
        stem_correlation=_correlation(stem),
        return_correlation=return_correlation,
        over_db=over or (None, None),
    )


def _grouped(products: Spectrum) -> Spectrum:
    """Neighbouring bins added up, so that what two signals have in common shows with fewer frames."""
    whole = products.shape[-1] // GROUP * GROUP
    return np.asarray(products[..., :whole].reshape(*products.shape[:-1], -1, GROUP).sum(axis=-1))


def _correlation(products: Spectrum) -> float:
    powers = products[0, 0].real.sum() * products[1, 1].real.sum()
    return float(np.clip(products[0, 1].real.sum() / math.sqrt(powers), -1.0, 1.0)) if powers > 0.0 else 0.0


def _over_db(stem: Spectrum, heard: Spectrum, across: Spectrum) -> tuple[float, float] | None:
    """Other side against own side in each return, by what each side of the stem has for itself."""
    left, right = stem[0, 0].real, stem[1, 1].real
    common = np.abs(stem[0, 1]) ** 2 / np.maximum(left * right, 1e-60)
    usable = (common < TOO_ALIKE) & (left > 0.0) & (right > 0.0)
    own = (1.0 - common[usable]) * stem[(0, 1), (0, 1)][:, usable].real
    if np.any(own.sum(axis=1) < FEWEST_OWN * stem[(0, 1), (0, 1)].real.sum(axis=1)):
        return None
    # The path from each side of the stem to each return, by least squares in each group of bins.
    sides = np.moveaxis(stem[..., usable], -1, 0)
    products = np.moveaxis(across[..., usable], -1, 0)
    paths = np.swapaxes(np.linalg.solve(np.swapaxes(sides, 1, 2), np.swapaxes(products, 1, 2)), 1, 2)
    explained = np.einsum("gij,gij->i", paths, np.conj(products)).real
    if np.any(explained < EXPLAINED * heard[(0, 1), (0, 1)][:, usable].real.sum(axis=1)):
        return None
    powers = np.einsum("gij,jg->ij", np.abs(paths) ** 2, own)
    ratio = 10.0 * np.log10(np.maximum(powers, 1e-30))
    return float(ratio[0, 1] - ratio[0, 0]), float(ratio[1, 0] - ratio[1, 1])


def _are_same(stem: Spectrum, heard: Spectrum, noise_power: tuple[float, float]) -> bool | None:
    """Whether one return is the other, filtered at most, while the stem's sides are not."""
    power = heard[0, 0].real.sum()
    # Noise of the second return counts as loud as it is made where the two are compared.
    noise = noise_power[0] + noise_power[1] * power / heard[1, 1].real.sum()
    allowed = SAME_NOISE * noise + SAME_FLOOR * power
    if _own_share(stem) * power * SAME < allowed:
        return None
    return bool(_own_share(heard) * power < max(allowed, 0.0) and _own_share(heard) < SAME * _own_share(stem))


def _own_share(products: Spectrum) -> float:
    """Power of the first channel that the second does not explain, as a share."""
    second = np.maximum(products[1, 1].real, 1e-60)
    own = products[0, 0].real - np.abs(products[0, 1]) ** 2 / second
    return float(np.maximum(own, 0.0).sum() / products[0, 0].real.sum())


# ---- Signs ----


@dataclass(frozen=True)
class SignByBand:
    """The sign of a path by third octaves, its delay removed."""

    bands: tuple[tuple[float, int], ...]
    """(Hz, sign) of the bands that stem and return have in common: 1 or -1, or 0 where the phase is near neither."""
    upright: float
    """Share of the bands with sign 1; a band that comes back weaker than most counts less."""
    inverted: float
    """Share of the bands with sign -1."""


def signs_by_band(matrix: SpectralMatrix, channel: int, reach: float) -> SignByBand | None:
    """Find the sign of each band, or None where stem and return have too little in common.

    An equaliser, a high-pass or a transformer turns the phase as well, yet by no more than its response makes it: that
    is the phase of the minimum-phase filter with the same magnitude (Oppenheim & Schafer, Discrete-Time Signal
    Processing, on the Hilbert transform), and it is taken off first. What is left of a filtered path is its delay and
    its sign; of an all-pass, all that it turns.

    Parameters
    ----------
    matrix : SpectralMatrix
        Its signals are lined up already.
    channel : int
    reach : float
        Samples within which the rest of the delay is looked for.
    """
    if matrix.frames < FEWEST_FRAMES:
        return None
    cross = matrix.across(channel, channel)
    thirds = ThirdOctaves(matrix.rate, matrix.frame)
    sent_bins, heard_bins = matrix.sent(channel, channel).real, matrix.returned(channel, channel).real
    sent, heard = thirds.sum(sent_bins), thirds.sum(heard_bins)
    magnitude = thirds.sum(np.abs(cross))
    common = thirds.sum(np.abs(cross) ** 2 / np.maximum(sent_bins, 1e-60))
    centres = np.array(thirds.hz)
    usable = (centres >= BAND_LOWEST_HZ) & (centres <= BAND_HIGHEST_HZ) & (heard > 0.0)
    usable &= (sent > BAND_FLOOR * sent.max(initial=0.0)) & (common > COHERENT * heard)
    if not usable.any():
        return None
    gain = magnitude[usable] / sent[usable]
    turned = np.interp(np.log(np.maximum(matrix.hz, 1e-3)), np.log(centres[usable]), np.log(gain))
    cross = cross * np.exp(-1j * _least_phase(turned))
    outside = (matrix.hz < centres[usable][0] * 2.0 ** (-1 / 6)) | (matrix.hz > centres[usable][-1] * 2.0 ** (1 / 6))
    # Every bin counts by what stem and return have in common there: by power, the bass alone would set the delay.
    voice = np.where(outside, 0.0, np.abs(cross) / np.maximum(sent_bins * heard_bins, 1e-60))
    lag = _lag_of(cross * voice, matrix.frame, reach)
    if lag is None:
        return None
    cross = cross * np.exp(2j * np.pi * matrix.hz / matrix.rate * lag)
    cosine = thirds.sum(cross.real)[usable] / np.maximum(magnitude[usable], 1e-60)
    weight = np.minimum(1.0, (gain / np.median(gain)) ** 2)
    sign = np.where(np.abs(cosine) > CLEAR_PHASE, np.sign(cosine), 0.0).astype(int)
    return SignByBand(
        bands=tuple((float(hz), int(one)) for hz, one in zip(centres[usable], sign, strict=True)),
        upright=float(weight[sign > 0].sum() / weight.sum()),
        inverted=float(weight[sign < 0].sum() / weight.sum()),
    )


def _least_phase(log_gain: Signal) -> Signal:
    """Phase of the minimum-phase filter with these natural logarithms of its gain, from 0 Hz to half the rate."""
    from scipy.fft import irfft, rfft

    cepstrum = irfft(log_gain)
    half = len(cepstrum) // 2
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    return np.asarray(rfft(cepstrum).imag)


def find_lag(matrix: SpectralMatrix, channel: int, reach: float) -> float | None:
    """How many samples a return is late by its spectra, within `reach`; None where they cannot tell."""
    if matrix.frames < FEWEST_FRAMES:
        return None
    cross = matrix.across(channel, channel).copy()
    cross[: matrix.band(0.0, LOWEST_HZ).stop] = 0.0
    magnitude = np.abs(cross)
    # Flattened half way, as where a stem is matched with its return.
    return _lag_of(cross / np.sqrt(np.maximum(magnitude, 1e-6 * magnitude.max() + 1e-60)), matrix.frame, reach)


def _lag_of(cross: Spectrum, frame: int, reach: float) -> float | None:
    """The lag of the highest peak of a correlation, to 1/16 of a sample; None where there is nothing."""
    from scipy.fft import irfft

    if not np.any(cross):
        return None
    fine = irfft(cross, LAG_FINENESS * frame)
    most = min(round(reach * LAG_FINENESS), len(fine) // 2 - 1)
    lags = np.arange(-most, most + 1)
    return float(lags[int(np.argmax(np.abs(fine[lags])))]) / LAG_FINENESS


# ---- A path that does nothing ----


@dataclass(frozen=True)
class PathNull:
    """How deep a return nulls against its stem, and how deep noise would let it."""

    depth_db: float
    """Residual's RMS over that of the fitted stem: more negative is deeper."""
    noise_allows_db: float


def can_be_nulled(matrix: SpectralMatrix, channel: int, noise_power: float) -> bool:
    """Whether a channel's stem sounds and noise leaves a null of 20 dB: else no path can be told from a wire."""
    band = matrix.band(LOWEST_HZ, HIGHEST_SHARE * matrix.rate)
    sent = float(matrix.sent(channel, channel).real[band].sum())
    heard = float(matrix.returned(channel, channel).real[band].sum())
    loud = sent >= SILENT_POWER and heard > 0.0
    return loud and matrix.frames >= FEWEST_FRAMES and 10.0 * math.log10(_allowed(heard, noise_power)) <= WORTH_DB


def may_be_wire(matrix: SpectralMatrix, channel: int, noise_power: float, reach: float) -> float | None:
    """The delay in samples of a path that may do nothing but that; None where it does something, or cannot be told.

    Spectra tell the many paths that do something; how deep the others null, `PathNullMeter` measures.
    """
    lag = find_lag(matrix, channel, reach)
    if lag is None or not can_be_nulled(matrix, channel, noise_power):
        return None
    band = matrix.band(LOWEST_HZ, HIGHEST_SHARE * matrix.rate)
    sent = float(matrix.sent(channel, channel).real[band].sum())
    heard = float(matrix.returned(channel, channel).real[band].sum())
    allowed = _allowed(heard, noise_power)
    cross = matrix.across(channel, channel)[band]
    turn = 2.0 * np.pi * matrix.hz[band] / matrix.rate
    # Newton's method to the maximum of the plain correlation, which is where a wire's null is deepest.
    for _ in range(4):
        turned = cross * np.exp(1j * turn * lag)
        slope, bend = -float((turn * turned.imag).sum()), -float((turn**2 * turned.real).sum())
        if bend == 0.0:
            return None
        lag += float(np.clip(-slope / bend, -1.0, 1.0))
    common = float((cross * np.exp(1j * turn * lag)).real.sum()) ** 2 / (sent * heard)
    depth = max(1.0 - common, 0.0)
    return lag if depth < max(10.0 ** (CLOSE_DB / 10.0) * allowed, 10.0 ** (MAY_BE_DB / 10.0)) else None


def _allowed(heard: float, noise_power: float) -> float:
    """Share of the return that noise, rounding and interpolation leave of a null."""
    return (noise_power + ROUNDING_POWER) / max(heard, 1e-30) + INTERPOLATION


class PathNullMeter:
    """Nulls what came back on one channel against the stem, from 20 Hz to 0.4 of the rate.

    Gain, polarity and what is left of the delay are fitted by least squares, on the stem and its derivative.

    Parameters
    ----------
    rate : int
        Hz.
    lag : float
        Delay in samples, to a hundredth or so; positive where the return is late.
    """

    def __init__(self, rate: int, lag: float) -> None:
        near = round(lag)
        # A delay this close to whole samples is one, and then no bit has to be changed.
        self._lag = float(near) if abs(lag - near) < 1e-3 else lag
        self._shift = FractionalShift(self._lag, 1, from_silence=True)
        self._sent: NDArray[np.floating] = np.zeros((0, 1))
        self._pieces = PairedPieces(1, NULL_FRAME)
        hz = np.arange(NULL_FRAME // 2 + 1) * rate / NULL_FRAME
        self._band = slice(*np.searchsorted(hz, (LOWEST_HZ, HIGHEST_SHARE * rate)))
        self._turn = 2.0 * np.pi * hz[self._band] / rate
        self._window = np.hanning(NULL_FRAME + 1)[:-1]
        self._gain: float | None = None
        self._sums = np.zeros(5)
        self._weight = 0.0

    def add(self, sent: NDArray[np.floating], returned: NDArray[np.floating]) -> None:
        """Add samples of one channel, shape (frames, 1) each.

        Raises
        ------
        ValueError, UnmeasurableError
            As `CrossSpectra.add`.
        """
        check_block(sent, 1)
        if len(sent) != len(returned):
            raise ValueError(f"{len(sent)} frames sent and {len(returned)} returned are no pair")
        shifted = self._shift.process(returned)
        together = np.concatenate((self._sent, sent))
        ready, self._sent = together[: len(shifted)], together[len(shifted) :]
        for stem, piece in self._pieces.add(ready, shifted):
            self._take(stem[0], piece[0])

    def result(self, noise_power: float) -> PathNull:
        """Depth of the null, and what noise of that mean square allows.

        Raises
        ------
        UnmeasurableError
            Not one frame of 8192 samples with sound on both sides.
        """
        from_error, from_slope, errors, sent, slopes = (float(each) for each in self._sums)
        if self._gain is None or sent <= 0.0:
            raise UnmeasurableError("the signals are too short or too quiet to be nulled")
        left = max(errors - from_error**2 / sent - from_slope**2 / max(slopes, 1e-300), 0.0)
        gain = self._gain + from_error / sent
        fitted = gain**2 * sent
        if fitted <= 0.0:
            raise UnmeasurableError("nothing of the stem came back")
        power = fitted / self._weight
        return PathNull(
            depth_db=10.0 * math.log10(max(left / fitted, 1e-30)),
            noise_allows_db=10.0 * math.log10(_allowed(power, noise_power)),
        )

    def _take(self, stem: Signal, piece: Signal) -> None:
        from scipy.fft import rfft

        sent, returned = (rfft(each * self._window)[self._band] for each in (stem, piece))
        power = float(np.vdot(sent, sent).real)
        self._weight += 0.5 * NULL_FRAME * float(np.sum(self._window**2))
        if self._gain is None:
            if power == 0.0:
                return
            self._gain = float(np.vdot(sent, returned).real) / power
        error = returned - self._gain * sent
        slope = 1j * self._turn * sent
        self._sums += (
            np.vdot(sent, error).real,
            np.vdot(slope, error).real,
            np.vdot(error, error).real,
            power,
            np.vdot(slope, slope).real,
        )
