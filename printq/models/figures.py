"""What `measure` finds in an audio file."""

from __future__ import annotations

from printq.models.base import Record

__all__ = ["ChannelFigures", "FileFigures", "MainsLine", "Quietest"]


class ChannelFigures(Record):
    """Levels of one channel; None for silence."""

    sample_peak_dbfs: float | None
    sample_peak_at_s: float | None
    """Where it comes first."""
    true_peak_dbtp: float | None
    true_peak_at_s: float | None
    rms_dbfs: float | None
    """Re full scale = 1.0: a full-scale sine reads -3.01."""
    dc_dbfs: float | None
    """Magnitude of the mean; None where there is none but rounding."""
    crest_db: float | None
    """Sample peak over RMS."""


class MainsLine(Record):
    """A line of the mains that stands out of the noise."""

    hz: float
    dbfs: float


class Quietest(Record):
    """The quietest second as it is heard (K-weighted). Levels are the loudest channel's, without its offset."""

    start_s: float
    seconds: float
    rms_dbfs: float | None
    """None for digital silence."""
    a_weighted_dbfs: float | None
    mains_hz: int | None = None
    """Whose hum was looked for; None where nobody said."""
    hum_dbfs: float | None = None
    """Sum of the mains lines; None where none stands out."""
    lines: tuple[MainsLine, ...] = ()
    """Of the channel with most hum."""


class FileFigures(Record):
    """Figures of an audio file. Those of levels are the loudest channel's; None where a value cannot be had."""

    frames: int
    rate: int
    channels: int
    format: str
    encoding: str
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    integrated_lufs: float | None
    loudness_range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    rms_dbfs: float | None
    dc_dbfs: float | None
    crest_db: float | None
    """`sample_peak_dbfs` over `rms_dbfs`."""
    momentary_max_at_s: float | None
    """Where the window begins."""
    short_term_max_at_s: float | None
    per_channel: tuple[ChannelFigures, ...]
    quietest: Quietest | None
    """None for what is shorter than a second, or has no loudness."""
