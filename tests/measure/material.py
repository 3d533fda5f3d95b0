"""Six kinds of music, units to send it through, and faults to put into what comes back.

Everything follows from a seed. The music is made from wave tables, because ten hours of it are wanted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from printq.audio.processors import KINDS, make_processor
from printq.audio.processors.base import QUANTUM

Signal = NDArray[np.float64]
Random = np.random.Generator

TABLE = 4096
"""Samples to a period of a wave table; read with linear interpolation."""


def table(weights: Signal, rng: Random) -> Signal:
    """One period of a sum of harmonics with random phases, its peak 1, one sample more than a period."""
    spectrum = np.zeros(TABLE // 2 + 1, dtype=complex)
    spectrum[1 : len(weights) + 1] = weights * np.exp(2j * np.pi * rng.random(len(weights)))
    period = np.fft.irfft(spectrum)
    period /= np.abs(period).max()
    return np.append(period, period[0])


def voice(period: Signal, hz: Signal | float, frames: int, rate: int, start: float = 0.0) -> Signal:
    """A wave table read at a frequency, constant or frame by frame."""
    turns = (start + np.arange(frames) * (hz / rate)) if np.isscalar(hz) else start + np.cumsum(hz) / rate
    place = (turns % 1.0) * TABLE
    whole = place.astype(np.intp)
    part = place - whole
    return np.asarray(period[whole] * (1.0 - part) + period[whole + 1] * part)


def harmonics(hz: float, rate: int, highest: float, slope: float) -> Signal:
    """Weights of the harmonics below `highest` Hz, falling as a power."""
    count = max(1, min(int(min(highest, 0.42 * rate) / hz), TABLE // 4))
    return np.asarray(np.arange(1, count + 1) ** -slope)


def pitch(rng: Random, low: float, high: float) -> float:
    return float(low * 2.0 ** (rng.integers(0, int(12 * np.log2(high / low))) / 12.0))


def edges(frames: int, rate: int, rise_s: float, fall_s: float) -> Signal:
    """A note's envelope: raised cosines at both ends."""
    level = np.ones(frames)
    for samples, ends in ((rise_s, 0), (fall_s, 1)):
        count = min(frames // 2, max(1, round(samples * rate)))
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(count) / count)
        if ends:
            level[frames - count :] *= ramp[::-1]
        else:
            level[:count] *= ramp
    return level


def reed(rng: Random, frames: int, rate: int) -> Signal:
    """A harmonium: chords of reeds rich in overtones, moved by the bellows, with a rest now and then."""
    out = np.zeros(frames)
    at = 0
    while at < frames:
        length = min(int(rng.uniform(0.8, 4.0) * rate), frames - at)
        if rng.random() > 0.12:
            for _ in range(rng.integers(1, 4)):
                hz = pitch(rng, 110.0, 660.0)
                wave = table(harmonics(hz, rate, 14_000.0, 1.0), rng)
                out[at : at + length] += voice(wave, hz, length, rate, rng.random()) * edges(length, rate, 0.05, 0.04)
        at += length
    bellows = 1.0 + 0.2 * np.sin(2.0 * np.pi * rng.uniform(0.15, 0.4) * np.arange(frames) / rate)
    return out * bellows


def harp(rng: Random, frames: int, rate: int) -> Signal:
    """Plucked strings: hard onsets, overtones that die first."""
    out = np.zeros(frames)
    at = 0
    while at < frames:
        hz = pitch(rng, 98.0, 1568.0)
        length = min(int(1.6 * rate), frames - at)
        seconds = np.arange(length) / rate
        start = rng.random()
        body = voice(table(harmonics(hz, rate, 3_000.0, 1.5), rng), hz, length, rate, start) * np.exp(-seconds / 0.5)
        bright = voice(table(harmonics(hz, rate, 16_000.0, 0.7), rng), hz, length, rate, start)
        note = body + 0.5 * bright * np.exp(-seconds / 0.08)
        nail = min(length, rate // 50)
        note[:nail] += 0.4 * rng.standard_normal(nail) * np.exp(-np.arange(nail) / (0.0015 * rate))
        out[at : at + length] += rng.uniform(0.2, 1.0) * note * edges(length, rate, 0.0003, 0.1)
        at += int(rng.choice([0.11, 0.22, 0.22, 0.44, 0.88, 2.5], p=[0.3, 0.3, 0.2, 0.12, 0.06, 0.02]) * rate)
    return out


def bowed(rng: Random, frames: int, rate: int) -> Signal:
    """A violin: vibrato, swells, the hiss of the bow."""
    out = np.zeros(frames)
    at = 0
    while at < frames:
        length = min(int(rng.uniform(0.3, 2.5) * rate), frames - at)
        if rng.random() > 0.1:
            base = pitch(rng, 196.0, 1568.0)
            seconds = np.arange(length) / rate
            hz = base * (1.0 + 0.006 * np.minimum(1.0, seconds / 0.4) * np.sin(2.0 * np.pi * 5.7 * seconds))
            note = voice(table(harmonics(base, rate, 12_000.0, 1.1), rng), hz, length, rate, rng.random())
            hiss = lfilter([0.2], [1.0, -0.8], rng.standard_normal(length))
            swell = 0.4 + 0.6 * np.sin(np.pi * np.arange(length) / length) ** 2
            out[at : at + length] += (note + 0.03 * hiss) * swell * edges(length, rate, 0.04, 0.06)
        at += length
    return out


def speech(rng: Random, frames: int, rate: int) -> Signal:
    """A narrator: pulses of the voice, hisses, bursts, and digital silence between phrases."""
    out = np.zeros(frames)
    at = 0
    while at < frames:
        kind = rng.random()
        length = min(int(rng.uniform(0.06, 0.25) * rate), frames - at)
        if kind < 0.55:
            base = rng.uniform(90.0, 220.0)
            order = np.arange(1, len(harmonics(base, rate, 7_000.0, 1.0)) + 1) * base
            formants = sum(
                1.0 / (1.0 + ((order - centre) / width) ** 2)
                for centre, width in ((rng.uniform(300, 800), 90.0), (rng.uniform(900, 2300), 130.0), (2800.0, 300.0))
            )
            glide = base * np.linspace(1.0, rng.uniform(0.85, 1.15), length)
            note = voice(table(formants / order**0.6, rng), glide, length, rate, rng.random())
            out[at : at + length] += rng.uniform(0.4, 1.0) * note * edges(length, rate, 0.02, 0.03)
        elif kind < 0.75:
            hiss = lfilter([0.3, -0.3], [1.0, 0.4], rng.standard_normal(length))
            out[at : at + length] += rng.uniform(0.05, 0.2) * hiss * edges(length, rate, 0.02, 0.03)
        elif kind < 0.85:
            burst = min(length, int(0.012 * rate))
            out[at : at + burst] += (
                rng.uniform(0.1, 0.5) * rng.standard_normal(burst) * np.exp(-np.arange(burst) / (0.003 * rate))
            )
        elif rng.random() < 0.3:
            length = min(int(rng.uniform(0.3, 1.2) * rate), frames - at)
        at += length
    return out


def applause(rng: Random, frames: int, rate: int) -> Signal:
    """Many hands: claps so dense that they are noise, and some that stand out."""
    out = 0.25 * rng.standard_normal(frames)
    out *= 1.0 + 0.5 * np.sin(2.0 * np.pi * 0.1 * np.arange(frames) / rate + rng.uniform(0, 6))
    clap = int(0.012 * rate)
    for at in rng.integers(0, max(1, frames - clap), int(12 * frames / rate)):
        burst = rng.standard_normal(clap) * np.exp(-np.arange(clap) / (0.002 * rate))
        out[at : at + clap] += rng.uniform(0.2, 1.2) * burst[: frames - at]
    return np.asarray(lfilter([0.6], [1.0, -0.4], out))


def drone(rng: Random, frames: int, rate: int) -> Signal:
    """A cello on its open strings: nothing above 1 kHz."""
    out = np.zeros(frames)
    at = 0
    while at < frames:
        length = min(int(rng.uniform(2.0, 8.0) * rate), frames - at)
        if rng.random() > 0.1:
            for hz in (65.4 * rng.choice([1.0, 1.122, 1.335]), 98.0 * rng.choice([1.0, 1.5])):
                wave = table(harmonics(float(hz), rate, 950.0, 1.2), rng)
                for beat in (0.0, 0.4):
                    note = voice(wave, float(hz) + beat, length, rate, rng.random())
                    out[at : at + length] += 0.5 * note * edges(length, rate, 0.15, 0.2)
        at += length
    return out


MATERIAL: dict[str, Callable[[Random, int, int], Signal]] = {
    "reed": reed,
    "harp": harp,
    "bowed": bowed,
    "speech": speech,
    "applause": applause,
    "drone": drone,
}


def make_stem(kind: str, rng: Random, frames: int, rate: int, peak_dbfs: float) -> Signal:
    """Music of one kind, shape (frames,), its peak at a level."""
    music = MATERIAL[kind](rng, frames, rate)
    return np.asarray(music * (10.0 ** (peak_dbfs / 20.0) / max(1e-9, np.abs(music).max())))


@dataclass(frozen=True)
class Unit:
    """A processor of the simulated rack and where its controls stand."""

    kind: str
    settings: dict[str, float]


def through(units: list[Unit], signal: Signal, rate: int) -> Signal:
    """What units make of a signal, shape (frames, channels)."""
    channels = signal.shape[1]
    chain = [make_processor(unit.kind, rate, channels, unit.settings) for unit in units]
    padded = np.zeros((-(-len(signal) // QUANTUM) * QUANTUM, channels))
    padded[: len(signal)] = signal
    out = np.empty_like(padded)
    for start in range(0, len(padded), QUANTUM):
        block = padded[start : start + QUANTUM]
        for processor in chain:
            block = processor.process(block)
        out[start : start + QUANTUM] = block
    return out[: len(signal)]


def any_setting(kind: str, rng: Random) -> Unit:
    """A unit with each of its controls anywhere in its range."""
    settings = {}
    for parameter in KINDS[kind].parameters:
        low, high = parameter.low, parameter.high
        log = low > 0.0 and high / low > 20.0
        value = low * (high / low) ** rng.random() if log else rng.uniform(low, high)
        settings[parameter.name] = float(min(max(value, low), high))
    return Unit(kind, settings)


def equaliser(rng: Random) -> Unit:
    """An equaliser with each band anywhere."""
    return any_setting("parametric-equaliser", rng)


def compressor(rng: Random, peak_dbfs: float) -> Unit:
    """A compressor that works: its threshold 6 to 24 dB below the peaks, its times those of a mix."""
    threshold = float(np.clip(peak_dbfs - rng.uniform(6.0, 24.0), -60.0, 12.0))
    if rng.random() < 0.5:
        return Unit(
            "vca-compressor",
            {
                "threshold_db": threshold,
                "ratio": float(rng.choice([2.0, 4.0, 10.0, 20.0])),
                "attack_ms": float(0.3 * 100.0 ** rng.random()),
                "release_ms": float(40.0 * 25.0 ** rng.random()),
                "knee_db": float(rng.uniform(0.0, 12.0)),
                "makeup_db": float(rng.uniform(0.0, 10.0)),
                "mix": float(rng.choice([1.0, 1.0, 0.5])),
            },
        )
    return Unit(
        "opto-compressor",
        {
            "threshold_db": threshold,
            "ratio": float(rng.choice([2.0, 3.0, 6.0])),
            "attack_ms": float(rng.uniform(5.0, 40.0)),
            "release_ms": float(rng.uniform(40.0, 300.0)),
            "tail_s": float(rng.uniform(1.0, 8.0)),
            "makeup_db": float(rng.uniform(0.0, 10.0)),
        },
    )


@dataclass(frozen=True)
class MadeFault:
    """A fault as it was made."""

    kind: str
    """gap, repeat (in place of what belongs there), slip, tick."""
    start: int
    length: int
    """Samples; of a slip signed, + = heard twice."""


def insert_fault(returned: Signal, fault: MadeFault, level: float = 0.0) -> Signal:
    """The return of one channel with a fault in it, shape (frames,)."""
    faulty = returned.copy()
    at, length = fault.start, fault.length
    if fault.kind == "gap":
        faulty[at : at + length] = 0.0
    elif fault.kind == "repeat":
        faulty[at : at + length] = returned[at - length : at]
    elif fault.kind == "tick":
        faulty[at] += level
    elif length < 0:
        faulty[at:] = np.append(returned[at - length :], np.zeros(-length))
    else:
        faulty[at:] = returned[at - length : len(returned) - length]
    return faulty


def any_fault(kind: str, rng: Random, clean: Signal, rate: int, margin: int) -> tuple[MadeFault, Signal]:
    """A random fault of one kind, and the return with it."""
    at = int(rng.integers(margin, len(clean) - margin))
    level = 0.0
    if kind == "gap":
        fault = MadeFault(kind, at, round(2000.0 ** rng.random()))
    elif kind == "repeat":
        fault = MadeFault(kind, at, round(32.0 * 62.5 ** rng.random()))
    elif kind == "slip":
        fault = MadeFault(kind, at, int(rng.choice([-1, 1])))
    else:
        fault = MadeFault(kind, at, 1)
        near = np.abs(clean[max(0, at - rate // 100) : at + rate // 100]).max()
        level = float(near * 10.0 ** (rng.uniform(-20.0, 6.0) / 20.0) * rng.choice([-1.0, 1.0]))
    return fault, insert_fault(clean, fault, level)


def stands_out_db(clean: Signal, faulty: Signal, noise: Signal, fault: MadeFault, rate: int) -> float:
    """Energy of (faulty - clean) over that of the noise, in dB.

    Both are taken in the millisecond around the start of the fault, or over its own length if that is longer. The
    noise is that of unit and converter: what is in the return and is not the stem's.
    """
    half = round(rate / 2000)
    low = fault.start - half
    high = max(fault.start + half, fault.start + (fault.length if fault.kind in ("gap", "repeat") else 1))
    change = float(np.sum((faulty[low:high] - clean[low:high]) ** 2))
    floor = float(np.sum(noise[low:high] ** 2))
    return float(10.0 * np.log10(max(change, 1e-30) / max(floor, 1e-30)))
