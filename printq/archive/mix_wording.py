"""A mix proof in words: what the prints explain of the mix, and where the rest lies."""

from __future__ import annotations

import math
from collections.abc import Sequence

from printq.models.null import Null, NullMoment
from printq.models.proof import LevelInMix, MixProof, Uncovered

__all__ = ["describe_mix", "mix_lines"]

WORTH_TELLING_DB = 0.05
SPAN_DB = 6.0
"""Neighbouring seconds within this of the loudest belong to what is strongest."""
MOST_LINES = 24
SURE_BELOW_DB = -60.0
SURE_DB, UNSURE_DB = 0.005, 0.1
SURE_SAMPLES, UNSURE_SAMPLES = 0.005, 0.1


def describe_mix(proof: MixProof, is_print: bool, why_not: str) -> str:
    """The finding in one or a few sentences."""
    what = f"the print of {proof.compared_with}" if is_print else f"the {proof.compared_with}"
    null = proof.null
    if null is None:
        if proof.verdict == "not-compared":
            return f"{proof.mix} was not compared with {what}: {why_not}."
        return " ".join([f"{proof.mix} is not {what}: {why_not}.", *_levels_sentence(proof)])
    if proof.verdict == "same":
        begin = f"{proof.mix} is {what}, sample for sample"
        rounded = "" if is_print else f", once rounded as the mix is ({proof.encoding})"
        return " ".join([f"{begin}{rounded}{_moved(null)}.", *_uncovered_sentences(proof)])
    if proof.verdict == "explained":
        return " ".join(
            [
                f"{proof.mix} is {what}{_moved(null)}: what is left, {_depth(null)}, is no more than its word length "
                f"leaves ({proof.encoding}: {_db(proof.word_length_allows_db)} without dither).",
                *_uncovered_sentences(proof),
            ]
        )
    return " ".join(
        [
            f"{what[0].upper()}{what[1:]} explains {proof.mix} {_within(null)}{_moved(null)}"
            + (f"; {proof.encoding} alone would leave {_db(proof.word_length_allows_db)}" if _allows(proof) else "")
            + ".",
            *_rest_sentence(null),
            *_levels_sentence(proof),
            *_uncovered_sentences(proof),
        ]
    )


def mix_lines(proof: MixProof) -> list[str]:
    """The proof as a page of text."""
    lines = [proof.mix, "=" * len(proof.mix), "", proof.summary, ""]
    lines += [
        f"  mix      {proof.frames} frames at {proof.rate} Hz, {proof.channels} channels, {proof.encoding}",
        f"  prints   {proof.frames_of_prints} frames: {proof.compared_with}",
    ]
    lines += [f"           {part.file}  {part.gain_db:+.2f} dB, pan {part.pan:+.2f}" for part in proof.parts]
    null = proof.null
    if null is None:
        return lines
    lines += [
        f"  delay    {null.delay_samples:.3f} samples; positive: the mix is later",
        f"  gain     {null.gain_db:+.3f} dB, polarity {'as it is' if null.polarity == 1 else 'turned over'}",
        f"  left     {_depth(null)}; rounding to {proof.encoding} allows {_db(proof.word_length_allows_db)}",
    ]
    if null.residual_dbfs is not None:
        lines += _rest_lines(null)
    if proof.others:
        lines += ["", "  held against as well"]
        lines += [
            f"    {name}: {_db(depth) if depth is not None else 'not found in it'}" for name, depth in proof.others
        ]
    return lines


def _rest_lines(null: Null) -> list[str]:
    """What is left, by third octave, and second by second where it is most."""
    lines = ["", "  third octaves: depth, and level of what is left"]
    lines += [
        f"    {band.hz:>8g} Hz  {_db(band.depth_db):>10}  {_dbfs(band.residual_dbfs):>12}"
        for band in null.bands
        if band.residual_dbfs is not None or band.depth_db is not None
    ]
    loudest = sorted(null.over_time, key=lambda each: -_level(each.residual_dbfs))[:MOST_LINES]
    lines += ["", "  seconds in which most is left"]
    lines += [
        f"    {each.start_s:>8.1f} s   {_db(each.depth_db):>10}  {_dbfs(each.residual_dbfs):>12}"
        for each in sorted(loudest, key=lambda each: each.start_s)
    ]
    return lines


def _allows(proof: MixProof) -> bool:
    return proof.word_length_allows_db is not None


def _moved(null: Null) -> str:
    words = []
    depth = _level(null.depth_db)
    # What is left pulls at the fit: of a shallow null, small differences say nothing.
    if abs(null.gain_db) >= (SURE_DB if depth < SURE_BELOW_DB else UNSURE_DB):
        words.append(f"{abs(null.gain_db):.2f} dB {'louder' if null.gain_db > 0 else 'softer'}")
    if null.polarity < 0:
        words.append("with its polarity turned over")
    if abs(null.delay_samples) >= (SURE_SAMPLES if depth < SURE_BELOW_DB else UNSURE_SAMPLES):
        late = "later" if null.delay_samples > 0 else "earlier"
        words.append(f"{abs(null.delay_samples):.2f}".rstrip("0").rstrip(".") + f" samples {late}")
    return f", {', '.join(words)}" if words else ""


def _rest_sentence(null: Null) -> list[str]:
    bands = [band for band in null.bands if band.residual_dbfs is not None]
    if not bands or not null.over_time:
        return []
    band = max(bands, key=lambda each: _level(each.residual_dbfs))
    start, end = _strongest_stretch(null.over_time)
    return [
        f"What is left ({_dbfs(null.residual_dbfs)} RMS) is strongest at {band.hz:g} Hz, "
        f"and from {_clock(start)} to {_clock(end)}."
    ]


def _strongest_stretch(moments: Sequence[NullMoment]) -> tuple[float, float]:
    """The seconds around the one with most left that have nearly as much."""
    levels = [_level(each.residual_dbfs) for each in moments]
    first = last = max(range(len(levels)), key=lambda n: levels[n])
    least = levels[first] - SPAN_DB
    while first > 0 and levels[first - 1] >= least:
        first -= 1
    while last + 1 < len(levels) and levels[last + 1] >= least:
        last += 1
    return moments[first].start_s, moments[last].start_s + 1.0


def _levels_sentence(proof: MixProof) -> list[str]:
    if not proof.levels:
        return []
    words = [text for level in proof.levels if (text := _level_words(level))]
    if not words:
        return []
    return [
        f"With every print at a level of its own they explain it to within {_db(proof.levels_depth_db)}: "
        f"{'; '.join(words)}."
    ]


def _level_words(level: LevelInMix) -> str:
    known = [gain for gain in level.gain_db if gain is not None]
    if not known:
        return f"{level.stem} is not in it"
    turned = " and turned over" if -1 in level.polarity else ""
    spread = max(known) - min(known)
    if len(known) == len(level.gain_db) and spread < WORTH_TELLING_DB:
        mean = sum(known) / len(known)
        if abs(mean) < WORTH_TELLING_DB:
            return f"{level.stem} is turned over" if turned else ""
        return f"{level.stem} is {abs(mean):.2f} dB {'louder' if mean > 0 else 'softer'}{turned}"
    if len(known) < len(level.gain_db) and spread < WORTH_TELLING_DB and abs(known[0]) < WORTH_TELLING_DB:
        return ""  # on one side alone, as the sum has it
    sides = ", ".join("none" if gain is None else f"{gain:+.2f} dB" for gain in level.gain_db)
    return f"{level.stem} has {sides} in its channels{turned}"


def _uncovered_sentences(proof: MixProof) -> list[str]:
    return [_uncovered_sentence(each) for each in proof.uncovered]


def _uncovered_sentence(each: Uncovered) -> str:
    where = f"from {_clock(each.start_s)}, for {each.seconds:.3f} s"
    holds = "silence" if each.peak_dbfs is None else f"peaks of {_dbfs(each.peak_dbfs)}"
    if each.of == "mix":
        return f"The mix goes beyond the prints {where}: {holds}."
    return f"The prints go beyond the mix {where}: {holds}."


def _within(null: Null) -> str:
    return "to the last bit" if null.depth_db is None else f"to within {_db(null.depth_db)}"


def _depth(null: Null) -> str:
    return "nothing at all" if null.depth_db is None else _db(null.depth_db)


def _level(dbfs: float | None) -> float:
    return -math.inf if dbfs is None else dbfs


def _db(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} dB"


def _dbfs(value: float | None) -> str:
    return "silence" if value is None else f"{value:.1f} dBFS"


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"
