"""Do the prints still sum to the mix, and where not, what is left?

Nothing is held in memory but blocks. A mix that has more in it than these prints is not called wrong: it is said how
much of it they explain, and where the rest lies.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.archive.mix_levels import LevelFit, fit_levels
from printq.archive.mix_wording import describe_mix
from printq.errors import FileError, UnlikeError, UnmeasurableError
from printq.files.checksums import AudioHasher
from printq.files.quantise import to_integers
from printq.files.soundfiles import FileFacts, SoundReader
from printq.files.stems import StemReader, SummedFiles
from printq.models.null import Null
from printq.models.proof import LevelInMix, MixProof, SummedPart, Uncovered
from printq.recordings.nulling import Recording, null_recordings
from printq.units import level_or_none, ratio_to_db

__all__ = ["Candidate", "prove_mix", "word_length_allows_db"]

Signal = NDArray[np.float64]

BLOCK_FRAMES = 1 << 16
BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
DITHER_DB = 4.8
"""TPDF dither of two steps leaves three times the power of rounding alone: 10 log10(3) = 4.77."""
MARGIN_DB = 1.0
"""What a stretch of so many seconds differs from the long run by."""
FILTER_DB = -118.0
"""As deep as a null goes where one of the two is moved by a part of a sample: what the interpolation is right to."""
UNMOVED_SAMPLES = 1e-3
UNCHANGED_DB = 1e-3
FAR_MORE_DB = 6.0
"""Levels print by print are told where they leave this much less."""


@dataclass(frozen=True)
class Candidate:
    """What the mix may be: a sum of prints, or one print."""

    name: str
    """As `MixProof.compared_with`."""
    files: SummedFiles
    parts: tuple[SummedPart, ...]
    """The same, in the session's words."""
    is_print: bool = False


@dataclass(frozen=True)
class _Held:
    """The mix held against one candidate."""

    against: Candidate
    null: Null | None
    why_not: str = ""
    unlike: bool = False

    @property
    def depth_db(self) -> float:
        if self.null is None:
            return math.inf
        return -math.inf if self.null.depth_db is None else self.null.depth_db


def prove_mix(mix: Path, name: str, candidates: Sequence[Candidate]) -> MixProof:
    """Hold a mix against sums and prints; the one that it nulls deepest with is what it is described by.

    Parameters
    ----------
    mix : Path
        Any file that libsndfile reads.
    name : str
        What the archive calls it.
    candidates : sequence of Candidate
        At least one.

    Raises
    ------
    FileError
        The mix or a print cannot be read.
    """
    facts, checksum = _read_mix(mix)
    held = [_hold(mix, facts, candidate) for candidate in candidates]
    best = min(held, key=lambda each: each.depth_db)
    against, null = best.against, best.null
    allows = word_length_allows_db(facts, null.reference_dbfs) if null is not None else None
    samples, steps = _compare_samples(mix, facts, against, null) if null is not None else (None, None)
    uncovered = _find_uncovered(mix, facts, against.files, null) if null is not None else ()
    fit = None
    if len(against.parts) > 1 and (best.unlike or (null is not None and not _is_explained(null, allows))):
        delay = round(null.delay_samples) if null is not None else 0
        fit = fit_levels(against.files, mix, delay)
        if fit is not None and fit.depth_db > min(best.depth_db, 0.0) - FAR_MORE_DB:
            fit = None
    proof = MixProof(
        mix=name,
        frames=facts.frames,
        rate=facts.rate,
        channels=facts.channels,
        encoding=facts.encoding,
        audio_sha256=checksum,
        verdict=_judge(best, samples, allows, uncovered, facts),
        summary="",
        compared_with=against.name,
        parts=against.parts,
        frames_of_prints=against.files.frames,
        null=null,
        word_length_allows_db=allows,
        differing_samples=samples,
        largest_difference_lsb=steps,
        uncovered=uncovered,
        levels=_levels(against, fit),
        levels_depth_db=fit.depth_db if fit is not None else None,
        others=tuple((each.against.name, level_or_none(each.depth_db)) for each in held if each.against is not against),
    )
    return proof.model_copy(update={"summary": describe_mix(proof, against.is_print, best.why_not)})


def word_length_allows_db(facts: FileFacts, reference_dbfs: float | None) -> float | None:
    """Depth at which rounding to a file's word length ends a null, without dither.

    Rounding to steps of 2^(1-bits) leaves a mean square of a twelfth of a step squared (W. R. Bennett, "Spectra of
    quantized signals", Bell System Technical Journal 27, 1948). Floating point rounds each sample by its own size:
    there, the largest that it can be is given. None where the encoding is lossy.
    """
    if reference_dbfs is None:
        return None
    if facts.encoding in ("FLOAT", "DOUBLE"):
        return ratio_to_db(2.0 ** (-23 if facts.encoding == "FLOAT" else -52) / math.sqrt(12.0))
    bits = BITS.get(facts.encoding)
    return None if bits is None else ratio_to_db(2.0 ** (1 - bits) / math.sqrt(12.0)) - reference_dbfs


def _read_mix(mix: Path) -> tuple[FileFacts, str]:
    with SoundReader(mix) as reader:
        hasher = AudioHasher(reader.facts.rate, reader.facts.channels)
        for block in reader.blocks(BLOCK_FRAMES):
            hasher.add(block)
        return reader.facts, hasher.hexdigest()


def _hold(mix: Path, facts: FileFacts, candidate: Candidate) -> _Held:
    prints = candidate.files
    with StemReader(prints.parts, prints.channels, prints.frames) as reader:
        rates = sorted(reader.rates)
    if rates != [facts.rate]:
        return _Held(candidate, None, f"it has {facts.rate} Hz and the prints {rates[0]} Hz; nothing is resampled here")
    if facts.channels != prints.channels and 1 not in (facts.channels, prints.channels):
        return _Held(candidate, None, f"it has {facts.channels} channels and the prints come to {prints.channels}")
    whole = Recording(Path(candidate.name), summed=prints)
    try:
        return _Held(candidate, null_recordings(whole, Recording(mix)))
    except UnlikeError:
        return _Held(candidate, None, "hardly anything of the prints is in it", unlike=True)
    except UnmeasurableError as error:
        return _Held(candidate, None, str(error))


def _is_explained(null: Null, allows: float | None) -> bool:
    if null.depth_db is None:
        return True
    if allows is None:
        return False
    whole = abs(null.delay_samples - round(null.delay_samples)) < UNMOVED_SAMPLES
    return null.depth_db <= max(allows + DITHER_DB + MARGIN_DB, -math.inf if whole else FILTER_DB)


def _judge(
    best: _Held, samples: int | None, allows: float | None, uncovered: Sequence[Uncovered], facts: FileFacts
) -> str:
    if best.null is None:
        return "not-found" if best.unlike else "not-compared"
    bits = BITS.get(facts.encoding, 24)
    # A step or two is dither; more is something that the prints have not.
    silence_dbfs = ratio_to_db(2.0 ** (1 - bits) * 3.0)
    rest = [each for each in uncovered if each.of == "mix" and (each.peak_dbfs or -math.inf) > silence_dbfs]
    if rest or not _is_explained(best.null, allows):
        return "in-part"
    return "same" if samples == 0 and not any(each.peak_dbfs is not None for each in uncovered) else "explained"


def _compare_samples(mix: Path, facts: FileFacts, against: Candidate, null: Null) -> tuple[int | None, int | None]:
    """Samples that differ once the prints are rounded as the mix is, and the largest difference in steps."""
    shift = round(null.delay_samples)
    at_place = abs(null.delay_samples - shift) < UNMOVED_SAMPLES and null.polarity == 1
    bits = BITS.get(facts.encoding)
    is_float = facts.encoding in ("FLOAT", "DOUBLE")
    alike = facts.channels == against.files.channels and (is_float or bits is not None)
    if not at_place or abs(null.gain_db) > UNCHANGED_DB or not alike:
        return None, None
    differing = largest = 0
    for prints, mixed in _in_step(mix, facts, against.files, shift):
        if bits is None:
            kind = np.float32 if facts.encoding == "FLOAT" else np.float64
            differing += int(np.count_nonzero(prints.astype(kind) != mixed.astype(kind)))
            continue
        steps = np.rint(mixed * 2.0 ** (bits - 1)).astype(np.int64) - to_integers(prints, bits, None).samples
        differing += int(np.count_nonzero(steps))
        largest = max(largest, int(np.abs(steps).max(initial=0)))
    return differing, None if is_float else largest


def _in_step(mix: Path, facts: FileFacts, prints: SummedFiles, shift: int) -> Iterator[tuple[Signal, Signal]]:
    """What both have, in blocks: frame n of the prints beside frame n + shift of the mix."""
    first, end = max(0, -shift), min(prints.frames, facts.frames - shift)
    with ExitStack() as opened:
        stem = opened.enter_context(StemReader(prints.parts, prints.channels, prints.frames))
        reader = opened.enter_context(SoundReader(mix))
        stem.seek(first)
        reader.seek(min(facts.frames, first + shift))
        for start in range(first, end, BLOCK_FRAMES):
            size = min(BLOCK_FRAMES, end - start)
            block = reader.read(size)
            if len(block) < size:
                raise FileError(f"{mix} ends before its header says so; copy it again")
            yield stem.read(size), block


def _find_uncovered(mix: Path, facts: FileFacts, prints: SummedFiles, null: Null | None) -> tuple[Uncovered, ...]:
    """What only one of the two has, before and behind what they have in common."""
    shift = round(null.delay_samples) if null is not None else 0
    found = []
    with StemReader(prints.parts, prints.channels, prints.frames) as stem, SoundReader(mix) as reader:
        stretches = (
            ("prints", stem, 0, min(prints.frames, -shift)),
            ("prints", stem, max(0, facts.frames - shift), prints.frames),
            ("mix", reader, 0, min(facts.frames, shift)),
            ("mix", reader, max(0, prints.frames + shift), facts.frames),
        )
        for of, source, first, end in stretches:
            if end <= first:
                continue
            source.seek(first)
            peak = 0.0
            for start in range(first, end, BLOCK_FRAMES):
                block = source.read(min(BLOCK_FRAMES, end - start))
                peak = max(peak, float(np.abs(block).max(initial=0.0)))
            found.append(
                Uncovered(
                    of="mix" if of == "mix" else "prints",
                    start_s=first / facts.rate,
                    seconds=(end - first) / facts.rate,
                    peak_dbfs=level_or_none(ratio_to_db(peak)),
                )
            )
    return tuple(found)


def _levels(against: Candidate, fit: LevelFit | None) -> tuple[LevelInMix, ...]:
    if fit is None:
        return ()
    return tuple(
        LevelInMix(
            stem=part.stem,
            gain_db=tuple(level_or_none(ratio_to_db(gain)) if abs(gain) > fit.least else None for gain in gains),
            polarity=tuple(-1 if gain < 0.0 else 1 for gain in gains),
        )
        for part, gains in zip(against.parts, fit.gains, strict=True)
    )
