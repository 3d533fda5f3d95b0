"""What is about to be played, measured before anything plays."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

from printq.audio.channels import to_sends
from printq.files.checksums import AudioHasher, FileHasher, file_sha256
from printq.files.soundfiles import read_facts
from printq.files.stems import StemPart, StemReader
from printq.measure.blocks import PIECE_FRAMES, CheckedBlock
from printq.measure.loudness import LoudnessMeter, LoudnessResult
from printq.measure.peaks import LevelMeter, LevelResult, TruePeakMeter
from printq.models.passes import Pass
from printq.models.rig import ChannelMode
from printq.models.verdict import Level, Loudness, SourceFacts
from printq.units import db_to_ratio, level_or_none, ratio_to_db

__all__ = ["BLOCK_FRAMES", "SourceCheck", "describe_level", "describe_loudness", "measure_source"]

BLOCK_FRAMES = PIECE_FRAMES
"""Whole pieces for the meters: what they need not put together costs them nothing."""


def measure_source(each: Pass, mode: ChannelMode, parts: Sequence[StemPart]) -> SourceFacts:
    """Checksum and levels of a pass's source, and of what it becomes on the wire.

    Parameters
    ----------
    each : Pass
        Its gains and channels decide what is sent.
    mode : ChannelMode
        Of its insert.
    parts : sequence of StemPart
        The file, or the files of the sum.

    Raises
    ------
    FileError
        A file is missing or unreadable.
    """
    gain = db_to_ratio(each.send_db)
    hasher = AudioHasher(each.rate, each.source_channels)
    source_levels = LevelMeter(each.source_channels)
    source_true = TruePeakMeter(each.rate, each.source_channels)
    source_loudness = LoudnessMeter(each.rate, each.source_channels)
    as_sent = gain != 1.0 or mode == "mid-side"
    sent_levels = LevelMeter(each.channels)
    sent_true = TruePeakMeter(each.rate, each.channels)
    with StemReader(parts, each.source_channels, each.source_frames) as stem:
        for block in stem.blocks(BLOCK_FRAMES):
            hasher.add(block)
            checked = CheckedBlock(block)
            source_levels.add(checked)
            source_true.add(checked)
            source_loudness.add(checked)
            if as_sent:
                sent = CheckedBlock(to_sends(block, mode) * gain)
                sent_levels.add(sent)
                sent_true.add(sent)
    level = describe_level(source_levels.result(), source_true.result())
    facts = read_facts(parts[0].path)
    return SourceFacts(
        audio_sha256=hasher.hexdigest(),
        file_sha256=file_sha256(parts[0].path) if len(parts) == 1 else None,
        frames=each.source_frames,
        rate=each.rate,
        channels=each.source_channels,
        time_reference=each.time_reference,
        encoding=facts.encoding if len(parts) == 1 else "sum",
        level=level,
        loudness=describe_loudness(source_loudness.result()),
        sent_sample_peak_dbfs=(
            level_or_none(ratio_to_db(max(sent_levels.result().sample_peak))) if as_sent else level.sample_peak_dbfs
        ),
        sent_true_peak_dbtp=(level_or_none(ratio_to_db(max(sent_true.result()))) if as_sent else level.true_peak_dbtp),
    )


class SourceCheck:
    """Whether what was measured before a pass is still there, sample for sample: the dry file is sacred.

    A step at a time, while there is other work; use it as a context manager. The answer is that of the moment when it
    is given: a file that was touched since it was opened here is looked at anew.

    Raises
    ------
    FileError
        A file is missing or unreadable; so do its methods.
    """

    def __init__(self, each: Pass, parts: Sequence[StemPart], facts: SourceFacts) -> None:
        self._each, self._parts, self._facts = each, parts, facts
        # The same bytes hold the same samples. Other bytes may hold them too: somebody may have edited the metadata.
        self._bytes = FileHasher(parts[0].path) if facts.file_sha256 is not None else None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bytes is not None:
            self._bytes.__exit__(kind, value, trace)

    def go_on(self) -> None:
        """A step."""
        if self._bytes is not None:
            self._bytes.go_on()

    def is_unchanged(self) -> bool:
        """All that is left to be looked at, and the answer."""
        if self._facts.file_sha256 is not None and self._file_sha256() == self._facts.file_sha256:
            return True
        each = self._each
        hasher = AudioHasher(each.rate, each.source_channels)
        with StemReader(self._parts, each.source_channels, each.source_frames) as stem:
            for block in stem.blocks(BLOCK_FRAMES):
                hasher.add(block)
        return hasher.hexdigest() == self._facts.audio_sha256

    def _file_sha256(self) -> str:
        assert self._bytes is not None
        found = self._bytes.hexdigest()
        return found if self._bytes.is_untouched() else file_sha256(self._parts[0].path)


def describe_level(level: LevelResult, true_peaks: Sequence[float]) -> Level:
    """The loudest channel's figures as a record."""
    return Level(
        sample_peak_dbfs=level_or_none(ratio_to_db(max(level.sample_peak, default=0.0))),
        true_peak_dbtp=level_or_none(ratio_to_db(max(true_peaks, default=0.0))),
        rms_dbfs=level_or_none(ratio_to_db(max(level.rms, default=0.0))),
        dc=max(level.mean, key=abs, default=0.0),
    )


def describe_loudness(result: LoudnessResult) -> Loudness:
    """The meter's figures as a record."""
    return Loudness(
        integrated_lufs=result.integrated_lufs,
        range_lu=result.range_lu,
        momentary_max_lufs=result.momentary_max_lufs,
        short_term_max_lufs=result.short_term_max_lufs,
    )
