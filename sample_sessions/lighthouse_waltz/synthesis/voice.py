"""A speaking voice that says nothing: glottal pulses through moving formants, and bursts of noise.

The text is written a letter a sound; capitals are stressed vowels, a comma is a breath, a full stop a
longer one. It is nonsense on purpose: what matters here is that it is loud and soft where speech is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .tools import RATE, Array, disperse, smooth

__all__ = ["speak"]

# First three formants of male speakers, Hz: Peterson and Barney (1952), J. Acoust. Soc. Am. 24, 175-184.
_VOWELS = {
    "i": (270.0, 2290.0, 3010.0),
    "e": (530.0, 1840.0, 2480.0),
    "a": (730.0, 1090.0, 2440.0),
    "o": (570.0, 840.0, 2410.0),
    "u": (300.0, 870.0, 2240.0),
    "@": (640.0, 1190.0, 2390.0),
}


@dataclass(frozen=True)
class _Consonant:
    length_s: float
    voice: float = 0.0
    formants: tuple[float, float, float] | None = None
    """None: on the way from the sound before to the one after."""
    noise: float = 0.0
    band_hz: tuple[float, float] = (1_000.0, 6_000.0)
    closure_s: float = 0.0
    """Silence before it, or a murmur where it is voiced: the lips or the tongue stop the air."""


_CONSONANTS = {
    "m": _Consonant(0.070, 0.30, (250.0, 1100.0, 2200.0)),
    "n": _Consonant(0.065, 0.30, (250.0, 1600.0, 2500.0)),
    "l": _Consonant(0.060, 0.45, (360.0, 1100.0, 2600.0)),
    "r": _Consonant(0.060, 0.45, (380.0, 1200.0, 1600.0)),
    "w": _Consonant(0.065, 0.40, (300.0, 700.0, 2200.0)),
    "v": _Consonant(0.060, 0.28, (300.0, 1000.0, 2300.0), 0.020, (1_500.0, 7_000.0)),
    "z": _Consonant(0.075, 0.22, (300.0, 1500.0, 2500.0), 0.070, (4_200.0, 8_500.0)),
    "s": _Consonant(0.100, noise=0.200, band_hz=(4_300.0, 8_800.0)),
    "x": _Consonant(0.105, noise=0.220, band_hz=(2_100.0, 6_000.0)),
    "f": _Consonant(0.085, noise=0.060, band_hz=(1_400.0, 8_000.0)),
    "h": _Consonant(0.060, 0.08, noise=0.050, band_hz=(500.0, 3_000.0)),
    "t": _Consonant(0.024, noise=0.150, band_hz=(3_000.0, 7_500.0), closure_s=0.055),
    "k": _Consonant(0.028, noise=0.130, band_hz=(1_300.0, 3_600.0), closure_s=0.055),
    "p": _Consonant(0.020, noise=0.110, band_hz=(400.0, 2_400.0), closure_s=0.060),
    "d": _Consonant(0.014, 0.30, (280.0, 1700.0, 2600.0), 0.080, (2_500.0, 6_500.0), 0.040),
    "b": _Consonant(0.012, 0.30, (280.0, 900.0, 2300.0), 0.050, (400.0, 2_000.0), 0.045),
    "g": _Consonant(0.016, 0.30, (280.0, 1500.0, 2200.0), 0.060, (1_200.0, 3_200.0), 0.045),
}
_PAUSES_S = {" ": 0.0, ",": 0.24, ".": 0.50}

_CONTROL_RATE = 500
_HOP = RATE // _CONTROL_RATE
_HIGHEST_HZ = 7_000.0


@dataclass
class _Score:
    """What mouth and throat do, one value for every 2 ms."""

    voice: Array
    noise: Array
    band: Array
    formants: Array
    pitch: Array


def speak(text: str, rng: np.random.Generator, pitch_hz: float = 112.0, pace: float = 1.0) -> Array:
    """Say a sentence; `pace` stretches all sounds. Starts and ends in silence."""
    score = _write_score(text, rng, pitch_hz, pace)
    frames = len(score.voice) * _HOP
    moments = np.arange(frames) / _HOP
    knots = np.arange(len(score.voice))
    phase = np.cumsum(np.interp(moments, knots, score.pitch)) / RATE
    turn = np.exp(2j * np.pi * phase)
    spoken = np.zeros(frames)
    partial = np.ones(frames, dtype=np.complex128)
    for shape in _shape_partials(score):
        partial *= turn
        weight = np.interp(moments, knots, shape.real) + 1j * np.interp(moments, knots, shape.imag)
        spoken += (partial * weight).imag
    return disperse(spoken, 24) + _blow(score, frames, rng)


def _shape_partials(score: _Score) -> NDArray[np.complex128]:
    """Complex amplitude of every partial of the voice for every 2 ms, shape (partials, moments)."""
    numbers = range(1, int(_HIGHEST_HZ / np.min(score.pitch)) + 1)
    shapes = np.empty((len(numbers), len(score.pitch)), dtype=np.complex128)
    for number in numbers:
        hz = number * score.pitch
        # Glottal flow falls with 12 dB an octave; radiation from the lips gives 6 dB back.
        strength = np.clip((_HIGHEST_HZ - hz) / 1_500.0, 0.0, 1.0) / number**0.9
        shapes[number - 1] = _mouth(hz, score.formants) * strength
    # A practised speaker evens out the vowels, which the formants alone would leave 10 dB apart.
    power = np.sum(np.abs(shapes) ** 2, axis=0)
    return np.asarray(shapes * score.voice * power**-0.4)


def _mouth(hz: Array, formants: Array) -> NDArray[np.complex128]:
    """Complex response of the vocal tract: five resonances in series, 1 at 0 Hz."""
    response = np.ones(len(hz), dtype=np.complex128)
    upper = ((3_400.0, 200.0), (4_400.0, 280.0))
    widths = (70.0, 100.0, 150.0)
    moving = [(formants[:, i], width) for i, width in enumerate(widths)]
    for centre, width in (*moving, *upper):
        response *= centre**2 / (centre**2 - hz**2 + 1j * width * hz)
    return response


def _blow(score: _Score, frames: int, rng: np.random.Generator) -> Array:
    """Turbulence: overlapping windows of noise, each with the band and level of its moment."""
    size = 4 * _HOP
    hz = np.fft.rfftfreq(size, 1.0 / RATE)
    window = np.hanning(size)
    out = np.zeros(frames + size)
    for index in range(len(score.noise)):
        low, high = score.band[index]
        band = 1.0 / (1.0 + (low / np.maximum(hz, 1.0)) ** 4) / (1.0 + (hz / high) ** 6)
        burst = np.fft.irfft(np.fft.rfft(rng.standard_normal(size)) * band, size)
        begin = index * _HOP
        out[begin : begin + size] += score.noise[index] * window * burst
    # The windows lie around their moment, not after it.
    return out[size // 2 : size // 2 + frames]


def _write_score(text: str, rng: np.random.Generator, pitch_hz: float, pace: float) -> _Score:
    """Turn letters into targets for every 2 ms, and let the mouth lag behind them."""
    rows: list[tuple[float, float, tuple[float, float], tuple[float, float, float] | None, float]] = []
    last_vowels = {max(i for i, c in enumerate(text[:end]) if c.lower() in _VOWELS) for end in _phrase_ends(text)}

    def hold(
        seconds: float,
        voice: float,
        noise: float,
        band: tuple[float, float],
        formants: tuple[float, float, float] | None,
        accent: float = 0.0,
    ) -> None:
        rows.extend([(voice, noise, band, formants, accent)] * max(1, round(seconds * pace * _CONTROL_RATE)))

    hold(0.06, 0.0, 0.0, (1_000.0, 6_000.0), None)
    for index, letter in enumerate(text):
        if letter in _PAUSES_S:
            if _PAUSES_S[letter]:
                hold(_PAUSES_S[letter], 0.0, 0.0, (1_000.0, 6_000.0), None)
        elif letter.lower() in _VOWELS:
            stressed = letter.isupper()
            length = (0.150 if stressed else 0.085) * rng.uniform(0.9, 1.15)
            length *= 1.6 if index in last_vowels else 1.0
            hold(
                length,
                1.0 if stressed else 0.72,
                0.006,
                (1_500.0, 5_000.0),
                _VOWELS[letter.lower()],
                float(stressed),
            )
        else:
            sound = _CONSONANTS[letter]
            if sound.closure_s:
                hold(sound.closure_s, 0.35 * sound.voice, 0.0, sound.band_hz, sound.formants)
            hold(sound.length_s, sound.voice, sound.noise, sound.band_hz, sound.formants)
    hold(0.15, 0.0, 0.0, (1_000.0, 6_000.0), None)

    formants = np.array([row[3] or (np.nan,) * 3 for row in rows])
    known = np.flatnonzero(~np.isnan(formants[:, 0]))
    steps = np.arange(len(rows))
    formants = np.column_stack([np.interp(steps, known, formants[known, i]) for i in range(3)])
    voice, noise, accent = (np.array([row[column] for row in rows], dtype=np.float64) for column in (0, 1, 4))
    formants = np.column_stack([_lag(_lag(track, 0.014), 0.014) for track in formants.T])
    return _Score(
        voice=_lag(_lag(voice, 0.008), 0.008),
        noise=_lag(noise, 0.004),
        band=np.array([row[2] for row in rows]),
        formants=formants,
        pitch=_draw_melody(text, rows_voice=voice, accent=accent, rng=rng, pitch_hz=pitch_hz),
    )


def _draw_melody(text: str, *, rows_voice: Array, accent: Array, rng: np.random.Generator, pitch_hz: float) -> Array:
    """The tune of a sentence: sinks to its end, rises on stresses, and wavers a little."""
    length = len(rows_voice)
    sinking = np.interp(np.arange(length), [0, 0.85 * length, length], [3.0, -1.5, -5.0])
    bumps = _lag(_lag(3.2 * accent, 0.05), 0.05)
    knots = rng.uniform(-1.0, 1.0, length // 40 + 2)
    waver = 0.25 * np.interp(np.arange(length), 40.0 * np.arange(len(knots)), knots)
    return np.asarray(pitch_hz * 2.0 ** ((sinking + bumps + waver) / 12.0))


def _phrase_ends(text: str) -> list[int]:
    """Where phrases end: at each comma and full stop."""
    return [i for i, letter in enumerate(text) if letter in ",."] or [len(text)]


def _lag(curve: Array, seconds: float) -> Array:
    return smooth(curve, seconds, _CONTROL_RATE)
