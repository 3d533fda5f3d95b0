"""Clarinet, bowed and plucked strings, harp and harmonium."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from .tools import (
    RATE,
    Array,
    Note,
    band_noise,
    disperse,
    draw_levels,
    draw_pitch,
    low_pass,
    midi_to_hz,
    resonate,
    saw,
    smooth,
    vibrato,
)

__all__ = [
    "CELLO",
    "VIOLA",
    "BowedString",
    "play_bowed",
    "play_clarinet",
    "play_harmonium",
    "play_harp",
    "play_pizzicato",
]


def play_clarinet(notes: Sequence[Note], frames: int, rng: np.random.Generator) -> Array:
    """A cylindrical tube closed at one end: odd partials, brighter when louder, and breath.

    The even partials come in weakly from the sixth on, where the tone holes no longer favour odd ones.
    """
    level = draw_levels(notes, frames, attack_s=0.045, release_s=0.07, dip=0.12)
    pitch = draw_pitch(notes, frames, glide_s=0.014) + vibrato(notes, frames, 4.7, 0.07, rng)
    frequency = midi_to_hz(pitch)
    turn = np.exp(2j * np.pi * np.cumsum(frequency) / RATE)
    tone = np.zeros(frames)
    partial = np.ones(frames, dtype=np.complex128)
    for number in range(1, 19):
        partial *= turn
        strength = number**-1.05 if number % 2 else min(number, 8) / 8.0 * 0.16 * number**-0.3
        # Upper partials open up with the level, and stop well below half the rate.
        opening = level ** (1.0 + 0.16 * (number - 1))
        tone += strength * opening * np.clip((15_000.0 - number * frequency) / 3_000.0, 0.0, 1.0) * partial.imag
    breath = band_noise(rng, frames, 900.0, 5_500.0)
    onset = np.clip(level - smooth(level, 0.03), 0.0, None)
    return low_pass(tone, 6_000.0, order=4) + breath * (0.004 * level + 0.04 * onset)


@dataclass(frozen=True)
class BowedString:
    """What makes one member of the family sound like itself."""

    body: tuple[tuple[float, float, float], ...]
    """Resonances of air and wood: Hz, Q, dB."""
    top_hz: float
    vibrato_hz: float
    vibrato_semitones: float
    attack_s: float


VIOLA = BowedString(
    body=(
        (225.0, 4.0, 6.0),
        (380.0, 5.0, 4.0),
        (610.0, 6.0, 5.0),
        (980.0, 5.0, -4.0),
        (1_250.0, 6.0, 3.0),
        (2_300.0, 2.5, 5.0),
        (3_400.0, 3.0, -3.0),
    ),
    top_hz=4_600.0,
    vibrato_hz=5.4,
    vibrato_semitones=0.17,
    attack_s=0.085,
)
CELLO = BowedString(
    body=(
        (102.0, 4.0, 5.0),
        (176.0, 5.0, 4.0),
        (230.0, 6.0, 3.0),
        (420.0, 4.0, -4.0),
        (660.0, 5.0, 3.0),
        (1_500.0, 2.5, 4.0),
        (2_600.0, 3.0, -3.0),
    ),
    top_hz=3_200.0,
    vibrato_hz=5.0,
    vibrato_semitones=0.15,
    attack_s=0.11,
)


def play_bowed(string: BowedString, notes: Sequence[Note], frames: int, rng: np.random.Generator) -> Array:
    """A string that sticks to the bow and slips, once a period: a sawtooth, through a wooden body."""
    for_hand, for_rosin, for_hiss = rng.spawn(3)
    level = draw_levels(notes, frames, string.attack_s, release_s=0.11, dip=0.22)
    wavering = vibrato(notes, frames, string.vibrato_hz, string.vibrato_semitones, for_hand)
    frequency = midi_to_hz(draw_pitch(notes, frames, glide_s=0.022) + wavering)
    # Rosin makes every slip a little different in strength.
    grain = 1.0 + smooth(smooth(for_rosin.standard_normal(frames), 0.004), 0.004)
    tone = saw(frequency)
    # The bow is heard while it slips, so the noise comes in bursts with the period.
    hiss = band_noise(for_hiss, frames, 1_200.0, 6_500.0)
    scrape = np.clip(level - smooth(level, 0.05), 0.0, None)
    bow = hiss * (0.018 * level * (1.0 + tone) + 0.16 * scrape)
    # Less weight on the bow takes the top off first.
    dark, bright = low_pass(tone, 900.0), low_pass(tone, string.top_hz, order=3)
    mixed = dark + (bright - dark) * np.clip(0.35 + 0.65 * level, 0.0, 1.0)
    return resonate(mixed * level * grain + low_pass(bow, 6_000.0), string.body)


def _pluck(hz: float, frames: int, rng: np.random.Generator, decay_s: float, damping: float, at: float) -> Array:
    """A plucked string as a delay line with a loss in its loop (Karplus and Strong, 1983).

    `decay_s` is the time to -60 dB of the fundamental, `damping` the share of each neighbour in the loop's
    low pass, `at` the place of the finger along the string. A period at a time, since none depends on itself.
    """
    period = RATE / hz
    # The symmetrical loss takes one sample and the fractional delay one to two; the line holds the rest.
    whole = int(period - 2.5)
    place = period - 1.0 - whole
    lagrange = np.array([np.prod([(place - j) / (i - j) for j in range(4) if j != i]) for i in range(4)])
    loop = np.convolve([damping, 1.0 - 2.0 * damping, damping], lagrange) * 10.0 ** (-3.0 / (decay_s * hz))
    burst = rng.uniform(-1.0, 1.0, whole)
    burst = np.asarray(lfilter([0.16], [1.0, -0.84], burst - np.mean(burst)))
    comb = max(1, round(at * whole))
    burst = burst - np.roll(burst, comb)
    taps = len(loop)
    line = np.zeros(taps + whole + frames)
    line[taps : taps + whole] = burst / np.sqrt(np.mean(burst**2))
    for begin in range(taps + whole, len(line), whole):
        end = min(begin + whole, len(line))
        for delay, share in enumerate(loop, start=whole):
            line[begin:end] += share * line[begin - delay : end - delay]
    # The finger's own attack is a few milliseconds, not a step.
    return line[taps : taps + frames] * np.minimum(1.0, np.arange(frames) / (0.003 * RATE))


def play_pizzicato(notes: Sequence[Note], frames: int, rng: np.random.Generator) -> Array:
    """The cello's strings under the finger: short, dark, with the thump of the body."""
    out = np.zeros(frames)
    for note in notes:
        length = round(2.0 * RATE)
        hz = float(midi_to_hz(note.pitch))
        tone = _pluck(hz, length, rng, decay_s=1.9, damping=0.24, at=0.22)
        _add(out, note.level * _damp(tone, note.length_s, 0.08), note.start_s)
    return resonate(low_pass(out, 2_400.0), CELLO.body)


def play_harp(notes: Sequence[Note], frames: int, rng: np.random.Generator) -> Array:
    """Long strings from left (bass) to right (treble), as the player hears them; shape (frames, 2)."""
    out = np.zeros((frames, 2))
    for note in notes:
        hz = float(midi_to_hz(note.pitch))
        length = round(min(3.2, note.length_s + 0.5) * RATE)
        tone = _pluck(hz, length, rng, decay_s=4.2 * (220.0 / hz) ** 0.45, damping=0.10, at=0.38)
        tone = low_pass(_damp(tone, note.length_s, 0.18), 5_600.0, order=4)
        place = np.clip((note.pitch - 66.0) / 30.0, -0.75, 0.75)
        angle = (place + 1.0) * np.pi / 4.0
        _add(out, note.level * np.outer(tone, [np.cos(angle), np.sin(angle)]), note.start_s)
    out = disperse(out, 12)
    return np.column_stack([resonate(side, ((190.0, 3.0, 3.0), (430.0, 3.0, 2.0))) for side in out.T])


def play_harmonium(voices: Sequence[Sequence[Note]], frames: int, rng: np.random.Generator) -> Array:
    """Two ranks of free reeds a few cents apart, on one bellows; shape (frames, 2).

    Each of `voices` is what one finger plays: notes one after the other.
    """
    moments = np.arange(frames) / RATE
    bellows = 0.86 + 0.14 * np.sin(2.0 * np.pi * moments / 7.8 - 1.2) + 0.02 * np.sin(2.0 * np.pi * moments * 1.7)
    out = np.zeros((frames, 2))
    air = np.zeros(frames)
    for voice in voices:
        level = draw_levels(voice, frames, attack_s=0.09, release_s=0.10, dip=0.0)
        pitch = draw_pitch(voice, frames, glide_s=0.002)
        air += level
        for cents, sides in ((-3.5, (0.85, 0.5)), (4.0, (0.5, 0.85))):
            # A reed speaks a little flat under full wind.
            frequency = midi_to_hz(pitch + (cents + rng.uniform(-1.0, 1.0) - 3.0 * (bellows - 0.86)) / 100.0)
            reed = saw(frequency, start=rng.uniform(), width=0.31)
            out += np.outer(reed * level, sides)
    out = np.column_stack([resonate(side, ((430.0, 2.0, 4.0), (1_150.0, 2.5, 3.0))) for side in out.T])
    wind = band_noise(rng, frames, 300.0, 3_500.0) * 0.004 * air
    return disperse(low_pass(out, 3_200.0, order=4), 40) * bellows[:, None] + wind[:, None]


def _damp(tone: Array, after_s: float, release_s: float) -> Array:
    """Lay a hand on the string after a while."""
    late = np.clip(np.arange(len(tone)) / RATE - after_s, 0.0, None)
    fade = np.clip((len(tone) - 1 - np.arange(len(tone))) / (0.02 * RATE), 0.0, 1.0)
    return np.asarray(tone * np.exp(-3.0 * late / release_s) * fade)


def _add(out: Array, tone: Array, start_s: float) -> None:
    begin = round(start_s * RATE)
    end = min(begin + len(tone), len(out))
    if end > begin:
        out[begin:end] += tone[: end - begin]
