"""Oscillators, noise, filters and curves that the instruments share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

__all__ = [
    "RATE",
    "Array",
    "Note",
    "band_noise",
    "disperse",
    "draw_levels",
    "draw_pitch",
    "low_pass",
    "midi_to_hz",
    "resonate",
    "saw",
    "smooth",
    "vibrato",
]

RATE = 48_000
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Note:
    """One note of a part."""

    start_s: float
    length_s: float
    pitch: float
    """MIDI note number; 69 is 440 Hz."""
    level: float = 1.0
    slurred: bool = False
    """Goes on from the note before without a new attack."""

    @property
    def end_s(self) -> float:
        return self.start_s + self.length_s


def midi_to_hz(pitch: Array | float) -> Array:
    """Frequency of MIDI note numbers in equal temperament, 69 = 440 Hz."""
    return np.asarray(440.0 * 2.0 ** ((np.asarray(pitch) - 69.0) / 12.0))


def smooth(curve: Array, seconds: float, rate: float = RATE) -> Array:
    """Follow a curve with a one-pole lag of that time constant, starting at its first value."""
    keep = np.exp(-1.0 / (seconds * rate))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], curve, zi=[keep * curve[0]])[0])


def low_pass(signal: Array, hz: float, order: int = 2) -> Array:
    """Butterworth low pass."""
    return np.asarray(sosfilt(butter(order, hz, fs=RATE, output="sos"), signal, axis=0))


def band_noise(rng: np.random.Generator, frames: int, low_hz: float, high_hz: float) -> Array:
    """Gaussian noise of unit power before it is limited to a band."""
    band = butter(2, (low_hz, high_hz), "bandpass", fs=RATE, output="sos")
    return np.asarray(sosfilt(band, rng.standard_normal(frames)))


def disperse(signal: Array, stages: int, share: float = 0.6) -> Array:
    """Delay low partials against high ones by a few milliseconds: all-passes in series, nothing gets louder.

    Stiff strings and large cases do this; it also keeps pulses from piling up into needles.
    """
    for _ in range(stages):
        signal = np.asarray(lfilter([-share, 1.0], [1.0, -share], signal, axis=0))
    return signal


def resonate(signal: Array, peaks: Sequence[tuple[float, float, float]]) -> Array:
    """Pass through peaking filters in series, each (Hz, Q, dB): the wood of an instrument."""
    for hz, q, gain_db in peaks:
        root_gain = 10.0 ** (gain_db / 40.0)
        angle = 2.0 * np.pi * hz / RATE
        alpha = np.sin(angle) / (2.0 * q)
        b = np.array([1.0 + alpha * root_gain, -2.0 * np.cos(angle), 1.0 - alpha * root_gain])
        a = np.array([1.0 + alpha / root_gain, -2.0 * np.cos(angle), 1.0 - alpha / root_gain])
        signal = np.asarray(lfilter(b / a[0], a / a[0], signal))
    return signal


def saw(frequency: Array, start: float = 0.0, width: float | None = None) -> Array:
    """Sawtooth from -1 to 1 with rounded corners (polynomial band-limited steps).

    With `width`, a pulse of that share of the period: the difference of two sawtooths, free of DC.
    """
    step = frequency / RATE
    phase = (start + np.cumsum(step)) % 1.0
    if width is not None:
        return _saw_at(phase, step) - _saw_at((phase + width) % 1.0, step)
    return _saw_at(phase, step)


def _saw_at(phase: Array, step: Array) -> Array:
    after = phase / step
    before = (phase - 1.0) / step
    corner = np.where(after < 1.0, 2.0 * after - after**2 - 1.0, 0.0)
    corner = np.where(before > -1.0, before**2 + 2.0 * before + 1.0, corner)
    return np.asarray(2.0 * phase - 1.0 - corner)


def draw_pitch(notes: Sequence[Note], frames: int, glide_s: float) -> Array:
    """Pitch over time in MIDI note numbers; rests keep the pitch, so nothing slides out of silence."""
    pitch = np.full(frames, notes[0].pitch, dtype=np.float64)
    for note, before in zip(notes[1:], notes, strict=False):
        # A fresh attack changes pitch just before it sounds; a slur is heard gliding.
        lead_s = 0.0 if note.slurred else min(0.04, max(0.0, note.start_s - before.end_s))
        pitch[_frame(note.start_s - lead_s, frames) :] = note.pitch
    return smooth(smooth(pitch, glide_s / 2), glide_s / 2)


def draw_levels(notes: Sequence[Note], frames: int, attack_s: float, release_s: float, dip: float) -> Array:
    """Level over time: every note swells a little; a new attack comes out of a dip (0 = silence).

    Notes that touch without a slur dip to `dip` of their level, as at a tongue stroke or a bow change.
    """
    times, levels = [0.0], [0.0]
    for i, note in enumerate(notes):
        before = notes[i - 1] if i else None
        after = notes[i + 1] if i + 1 < len(notes) else None
        touching = before is not None and note.start_s - before.end_s < 0.02
        if not touching:
            times.append(note.start_s)
            levels.append(0.0)
        times += [note.start_s + attack_s, note.start_s + 0.45 * note.length_s + 0.5 * attack_s]
        levels += [0.88 * note.level, note.level]
        if after is not None and after.start_s - note.end_s < 0.02:
            share = 0.86 if after.slurred else dip
            times += [note.end_s - 0.4 * release_s, note.end_s]
            levels += [0.88 * note.level, share * note.level]
        else:
            times += [note.end_s - 0.5 * release_s, note.end_s + 0.5 * release_s]
            levels += [0.8 * note.level, 0.0]
    moments = np.arange(frames) / RATE
    return smooth(smooth(np.interp(moments, times, levels), 0.006), 0.006)


def vibrato(
    notes: Sequence[Note],
    frames: int,
    hz: float,
    semitones: float,
    rng: np.random.Generator,
    onset_s: float = 0.35,
) -> Array:
    """Deviation of pitch in semitones: sets in after each note has begun, and is never quite even."""
    times, depths = [0.0], [0.0]
    for note in notes:
        grown = min(1.0, note.length_s / onset_s)
        times += [note.start_s, note.start_s + 0.25 * min(onset_s, note.length_s)]
        depths += [depths[-1] * 0.4, 0.1]
        times.append(note.start_s + 0.95 * min(onset_s, note.length_s))
        depths.append(semitones * grown)
    depth = np.interp(np.arange(frames) / RATE, times, depths)
    # A new wander value every half second, as a hand or a diaphragm has it.
    knots = rng.uniform(-1.0, 1.0, 200)
    wander = np.interp(np.arange(frames) / RATE, 0.5 * np.arange(200), knots)
    speed = hz * (1.0 + 0.06 * wander)
    return np.asarray(smooth(depth, 0.03) * np.sin(2.0 * np.pi * np.cumsum(speed) / RATE) + 0.03 * wander)


def _frame(seconds: float, frames: int) -> int:
    return min(max(round(seconds * RATE), 0), frames)
