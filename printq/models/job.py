"""job.toml: which stem passes through which insert with which snapshot."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from printq.models.base import Flag, Id, Number, Record, Whole
from printq.models.limits import Limits

__all__ = ["JobFile", "Options", "Stem", "SumTerm", "Through"]


class Options(Record):
    """Settings for the whole job; every one is optional."""

    takes: Whole = Field(default=1, ge=1, le=20)
    """Takes recorded of every pass."""
    retries: Whole = Field(default=2, ge=0, le=100)
    """New takes after a slip or a wrong length."""
    glitch_retries: Whole = Field(default=5, ge=0, le=100)
    """New takes after a driver glitch."""
    lead_s: Number = Field(default=1.0, ge=0.2, le=60)
    """Silence recorded first, in seconds: noise and hum with the unit in circuit."""
    gap_s: Number = Field(default=1.0, ge=0.1, le=60)
    """Rest between marker and music, in seconds."""
    settle_s: Number = Field(default=0.0, ge=0, le=600)
    """Plays the stem's opening before the take, so that detectors are at work; recorded, not delivered."""
    align: Literal["sample", "subsample"] = "sample"
    """`"sample"`: whole-sample trim, bits untouched; `"subsample"`: interpolated."""
    bit_depth: Literal[16, 24, 32] = 24
    """Word length of prints; 32 is floating point."""
    hands_during_passes: Flag = True
    """Whether a unit may be dialled while another insert is recording."""
    tempo_bpm: Number | None = Field(default=None, gt=0)
    """Tempo, kept for times in bars."""
    beats_per_bar: Whole | None = Field(default=None, ge=1)
    """Beats in a bar."""
    first_beat_s: Number | None = None
    """Where the first beat falls, in seconds."""


class Through(Record):
    """One pass of a stem."""

    insert: Id
    """The insert it goes through."""
    snapshot: Id
    """The snapshot to dial in."""
    send_db: Number = Field(default=0.0, ge=-120, le=60)
    """Gain before the send, dB."""
    return_db: Number = Field(default=0.0, ge=-120, le=60)
    """Gain after the return, dB."""
    blend: Number = Field(default=1.0, gt=0, le=1)
    """Share of the printed signal in the print, the rest is the source; linear amplitude."""
    limits: Limits | None = None
    """Limits for this pass alone."""


class SumTerm(Record):
    """One stem in a sum."""

    stem: Id
    """The stem whose last print is summed."""
    gain_db: Number = Field(default=0.0, ge=-120, le=60)
    """Gain in the sum, dB."""
    pan: Number = Field(default=0.0, ge=-1, le=1)
    """Balance from -1 (left) to 1 (right): the other side is turned down, neither is turned up."""


class Stem(Record):
    """A dry audio file, or the sum of several prints, and the passes it takes."""

    id: Id
    """Name of the stem; part of every print's name."""
    file: str | None = None
    """Path of the dry file, relative to the job file."""
    sum_of: list[Id | SumTerm] | None = None
    """Stems whose last prints are summed, instead of a file."""
    made_from: list[Id] = []
    """Stems whose prints went into this file when it was bounced elsewhere; it must be newer than they are."""
    through: list[Through] = []
    """The passes, in series."""

    def sum_terms(self) -> list[SumTerm]:
        """The terms of `sum_of`, those written as a bare id included."""
        return [SumTerm(stem=term) if isinstance(term, str) else term for term in self.sum_of or []]


class JobFile(Record):
    """A print job."""

    format: Literal["printq-job/1"]
    """Name and version of this format."""
    title: str = ""
    """What the job is called."""
    rig: str
    """Path of the rig file, relative to this file."""
    snapshots: list[str] = []
    """Paths of the snapshot files, relative to this file."""
    options: Options = Options()
    """Settings for the whole job."""
    limits: Limits | None = None
    """Limits for every pass of the job."""
    stem: list[Stem] = []
    """The stems."""
