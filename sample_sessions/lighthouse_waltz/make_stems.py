"""Makes the dry stems of the lighthouse waltz: run it and it writes dry/*.flac, the same every time.

    python make_stems.py            all six
    python make_stems.py viola      only that one

A waltz in D minor of thirteen bars for clarinet, viola, cello, harp and harmonium, with a narrator who
speaks no language. Tune, chords and sounds were made up for this session. Needs numpy, scipy and soundfile.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from synthesis.instruments import (
    CELLO,
    VIOLA,
    play_bowed,
    play_clarinet,
    play_harmonium,
    play_harp,
    play_pizzicato,
)
from synthesis.room import place_in_room, room_tone, round_peaks
from synthesis.tools import RATE, Array, Note
from synthesis.voice import speak

__all__ = ["STEMS", "render"]

SEED = 1871
LENGTH_S = 27.2
BEAT_S = 60.0 / 92.0
FIRST_BEAT_S = 0.6
BARS = 13

# One chord a bar: bass first, then the upper voices as the harmonium holds them.
CHORDS: tuple[tuple[int, ...], ...] = (
    (38, 57, 62, 65),  # D minor
    (46, 57, 62, 65),  # B flat with its major seventh
    (43, 58, 62, 64),  # G minor with a sixth
    (45, 55, 61, 64),  # A seventh
    (50, 57, 62, 65),  # D minor
    (48, 57, 60, 65),  # F over C
    (46, 57, 62, 67),  # G minor with a ninth, over B flat
    (45, 57, 61, 64),  # A
    (46, 58, 62, 65),  # B flat
    (48, 55, 60, 64),  # C
    (45, 55, 60, 64),  # A minor seventh
    (43, 58, 61, 64),  # C sharp diminished over G
    (38, 57, 62, 66),  # D major
)


def _at(bar: int, beat: float) -> float:
    """Seconds of a beat of a bar, both counted from 1 as musicians do."""
    return FIRST_BEAT_S + ((bar - 1) * 3 + beat - 1.0) * BEAT_S


def _line(*notes: tuple[int, float, float, int, float] | tuple[int, float, float, int, float, str]) -> list[Note]:
    """A tune: (bar, beat, beats long, pitch, level), and "slur" where it goes on without an attack."""
    return [
        Note(_at(bar, beat), beats * BEAT_S - (0.012 if not rest else 0.0), pitch, level, slurred=bool(rest))
        for bar, beat, beats, pitch, level, *rest in notes
    ]


CLARINET = _line(
    (2, 3.0, 0.5, 69, 0.62), (2, 3.5, 0.5, 67, 0.66, "slur"),
    (3, 1.0, 1.5, 76, 0.84, "slur"), (3, 2.5, 0.5, 74, 0.76, "slur"), (3, 3.0, 1.0, 70, 0.72, "slur"),
    (4, 1.0, 2.0, 73, 0.80), (4, 3.0, 0.5, 76, 0.78, "slur"), (4, 3.5, 0.5, 79, 0.84, "slur"),
    (5, 1.0, 1.0, 77, 0.90), (5, 2.0, 0.9, 69, 0.70, "slur"), (5, 3.5, 0.5, 74, 0.76),
    (6, 1.0, 1.5, 84, 1.00, "slur"), (6, 2.5, 0.5, 81, 0.90, "slur"), (6, 3.0, 0.95, 77, 0.84, "slur"),
    (7, 1.0, 1.0, 81, 0.94), (7, 2.0, 0.5, 82, 0.92, "slur"), (7, 2.5, 0.5, 79, 0.86, "slur"),
    (7, 3.0, 1.0, 74, 0.80, "slur"),
    (8, 1.0, 1.0, 74, 0.78), (8, 2.0, 1.5, 73, 0.70, "slur"),
    (10, 3.0, 0.5, 79, 0.74), (10, 3.5, 0.5, 76, 0.74, "slur"),
    (11, 1.0, 1.0, 72, 0.78, "slur"), (11, 2.0, 1.5, 76, 0.84), (11, 3.5, 0.5, 74, 0.76, "slur"),
    (12, 1.0, 1.5, 82, 0.96, "slur"), (12, 2.5, 0.5, 79, 0.86, "slur"), (12, 3.0, 1.0, 73, 0.78, "slur"),
    (13, 1.0, 1.0, 74, 0.74), (13, 2.0, 2.0, 78, 0.72, "slur"),
)  # fmt: skip

VIOLA_PART = _line(
    (4, 2.0, 2.0, 64, 0.66),
    (5, 1.0, 2.0, 65, 0.74), (5, 3.0, 1.0, 64, 0.70, "slur"),
    (6, 1.0, 1.0, 65, 0.74), (6, 2.0, 2.0, 69, 0.82, "slur"),
    (7, 1.0, 2.0, 70, 0.84), (7, 3.0, 1.0, 69, 0.76, "slur"),
    (8, 1.0, 1.0, 67, 0.76), (8, 2.0, 1.95, 64, 0.70, "slur"),
    (9, 1.0, 0.5, 62, 0.84), (9, 1.5, 0.5, 65, 0.88, "slur"), (9, 2.0, 1.5, 70, 1.00, "slur"),
    (9, 3.5, 0.5, 69, 0.90, "slur"),
    (10, 1.0, 1.5, 67, 0.92), (10, 2.5, 0.5, 64, 0.84, "slur"), (10, 3.0, 1.0, 72, 0.94),
    (11, 1.0, 1.0, 72, 0.88, "slur"), (11, 2.0, 1.0, 69, 0.80, "slur"), (11, 3.0, 1.0, 67, 0.78),
    (12, 1.0, 1.0, 67, 0.80), (12, 2.0, 1.0, 64, 0.78, "slur"), (12, 3.0, 0.5, 70, 0.82),
    (12, 3.5, 0.5, 69, 0.78, "slur"),
    (13, 1.0, 3.2, 69, 0.78, "slur"),
)  # fmt: skip

ARCO_BARS = (5, 6, 7, 8)

SPEECH = (
    (1, 1.6, "vElorin dasO makEm, tu lAris mon tEvare."),
    (5, 2.4, "s@nu xOre vAlimet, ko brEl @ sundAri."),
    (9, 1.4, "wem tAl@ pirOs, nega fOlen da mArisu."),
    (12, 1.2, "lOm@s teri hAvel."),
)


def _clarinet(frames: int, rng: np.random.Generator) -> Array:
    return play_clarinet(CLARINET, frames, rng)[:, None]


def _viola(frames: int, rng: np.random.Generator) -> Array:
    return play_bowed(VIOLA, VIOLA_PART, frames, rng)[:, None]


def _cello(frames: int, rng: np.random.Generator) -> Array:
    """Plucked on the first beat and lighter on the third; bowed through the middle and at the end."""
    plucked: list[Note] = []
    bowed: list[Note] = []
    for bar, (bass, *_rest) in enumerate(CHORDS, start=1):
        if bar in ARCO_BARS or bar == BARS:
            beats = 3.5 if bar == BARS else 2.9
            bowed.append(Note(_at(bar, 1.0), beats * BEAT_S, bass, 0.85))
        else:
            # Before the last bar the bass leads home over A.
            fifth = 45 if bar == BARS - 1 else bass + 7
            plucked.append(Note(_at(bar, 1.0), 1.7 * BEAT_S, bass, 1.0))
            plucked.append(Note(_at(bar, 3.0), 0.8 * BEAT_S, fifth, 0.55))
    for_bow, for_finger = rng.spawn(2)
    arco = play_bowed(CELLO, bowed, frames, for_bow)
    return (arco + 0.55 * play_pizzicato(plucked, frames, for_finger))[:, None]


def _harp(frames: int, rng: np.random.Generator) -> Array:
    """Six quavers a bar, up and down again, never twice alike; the last chord is rolled."""
    notes: list[Note] = []
    for bar, (bass, *upper) in enumerate(CHORDS[:-1], start=1):
        ladder = [bass + 12, *upper, upper[0] + 12, upper[1] + 12, upper[2] + 12]
        pattern = (0, 2, 3, 5, 4, 2) if bar % 2 else (0, 1, 3, 4, 6, 5)
        for quaver, step in enumerate(pattern):
            late = rng.uniform(0.0, 0.012)
            level = (1.0 if quaver == 0 else 0.66) * rng.uniform(0.88, 1.06)
            notes.append(Note(_at(bar, 1.0 + quaver / 2) + late, 1.6 * BEAT_S, ladder[step], level))
    bass, *upper = CHORDS[-1]
    roll = [bass + 12, *upper, *(pitch + 12 for pitch in upper), bass + 48]
    notes += [Note(_at(BARS, 1.0) + 0.075 * i, 4.0, pitch, 0.6) for i, pitch in enumerate(roll)]
    return play_harp(notes, frames, rng)


def _harmonium(frames: int, rng: np.random.Generator) -> Array:
    """The second and third beat; at the end the chord stays."""
    voices: list[list[Note]] = [[], [], []]
    for bar, (_bass, *upper) in enumerate(CHORDS, start=1):
        for voice, pitch in zip(voices, upper, strict=True):
            if bar == BARS:
                voice.append(Note(_at(bar, 1.0), 3.4 * BEAT_S, pitch, 0.8))
            else:
                voice.append(Note(_at(bar, 2.0), 0.80 * BEAT_S, pitch, 0.95))
                voice.append(Note(_at(bar, 3.0), 0.72 * BEAT_S, pitch, 0.82))
    return play_harmonium(voices, frames, rng)


def _narrator(frames: int, rng: np.random.Generator) -> Array:
    out = np.zeros(frames)
    for bar, beat, text in SPEECH:
        begin = round(_at(bar, beat) * RATE)
        if begin < frames:
            said = speak(text, rng)[: frames - begin]
            out[begin : begin + len(said)] += said
    return out[:, None]


Player = Callable[[int, np.random.Generator], Array]
"""Makes a number of frames, shape (frames, channels), with chance from the generator."""

# Player, gain in dB to the usual working level (about -18 dBFS RMS), room's decay in s and level in dB.
STEMS: dict[str, tuple[Player, float, float, float]] = {
    "clarinet": (_clarinet, -12.7, 0.70, -11.0),
    "viola": (_viola, -13.8, 0.70, -10.0),
    "cello": (_cello, -13.4, 0.70, -12.0),
    "harp": (_harp, -13.5, 0.75, -11.0),
    "harmonium": (_harmonium, -22.0, 0.65, -12.0),
    "narrator": (_narrator, -14.3, 0.35, -15.0),
}


def render(stem: str, seconds: float = LENGTH_S) -> NDArray[np.int32]:
    """The first `seconds` of a stem as 24-bit numbers in 32-bit integers, shape (frames, channels).

    Shorter renderings are the beginning of the whole, but for the fade at the end of the file.
    """
    play, gain_db, decay_s, wet_db = STEMS[stem]
    frames = round(min(seconds, LENGTH_S) * RATE)
    # A generator for each purpose, so that no stem depends on the length or order of another.
    for_notes, for_walls, for_tone = (np.random.default_rng([SEED, list(STEMS).index(stem), n]) for n in range(3))
    sound = place_in_room(play(frames, for_notes), for_walls, decay_s, wet_db) * 10.0 ** (gain_db / 20.0)
    sound = round_peaks(sound, from_dbfs=-10.0, below_dbfs=-6.2)
    sound += room_tone(frames, sound.shape[1], for_tone, level_dbfs=-87.0)
    sound *= np.clip(np.arange(frames) / (0.02 * RATE), 0.0, 1.0)[:, None]
    left = round(LENGTH_S * RATE) - np.arange(frames)
    sound *= np.clip(left / (0.4 * RATE), 0.0, 1.0)[:, None]
    # The room's noise is far above one step of 24 bits and dithers the rounding by itself.
    return np.asarray(np.round(sound * 2.0**23), dtype=np.int32)


def main(names: Sequence[str]) -> None:
    """Write the stems of those names, or all of them, into dry/ beside this file."""
    folder = Path(__file__).parent / "dry"
    folder.mkdir(exist_ok=True)
    if strangers := set(names) - set(STEMS):
        sys.exit(f"no such stem: {', '.join(sorted(strangers))}; there are {', '.join(STEMS)}")
    for name in names or STEMS:
        # soundfile takes integers at the top of their 32 bits.
        soundfile.write(folder / f"{name}.flac", render(name) << 8, RATE, subtype="PCM_24", compression_level=1.0)
        print(f"dry/{name}.flac")


if __name__ == "__main__":
    main(sys.argv[1:])
