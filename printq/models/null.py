"""What is left when one recording is taken from another."""

from __future__ import annotations

from printq.models.base import Record

__all__ = ["DelayJump", "Null", "NullBand", "NullMoment"]


class NullBand(Record):
    """One third octave; None where the reference has nothing there, or nothing is left."""

    hz: float
    """Nominal mid-band frequency, IEC 61260-1."""
    depth_db: float | None
    gain_db: float | None
    """B over A in this band."""
    noise_allows_db: float | None = None
    residual_dbfs: float | None = None
    """RMS of what is left, re full scale = 1.0; None where nothing is."""


class NullMoment(Record):
    """One second; None where the reference is silent, and for the delay where none nearby fits."""

    start_s: float
    """From the first frame of A."""
    depth_db: float | None
    gain_db: float | None
    delay_samples: float | None
    residual_dbfs: float | None = None
    """RMS of what is left, re full scale = 1.0; None where nothing is."""


class DelayJump(Record):
    """Samples lost or repeated."""

    at_s: float
    """The second in which it shows, from the first frame of A."""
    samples: int
    """Positive: what follows in B is later, samples were repeated; negative: samples were lost."""


class Null(Record):
    """B against A after gain, polarity and delay were fitted."""

    delay_samples: float
    """Positive: B is later than A."""
    gain_db: float
    """B over A."""
    polarity: int
    depth_db: float | None
    """Residual RMS over fitted reference RMS; None where nothing at all is left."""
    reference_dbfs: float | None
    """RMS of A after the fit, re full scale = 1.0."""
    residual_dbfs: float | None
    """RMS of what is left; None where nothing is."""
    bands: tuple[NullBand, ...]
    over_time: tuple[NullMoment, ...]
    noise_allows_db: float | None
    """Depth at which the noise of the two recordings ends the null; None where it is not known."""
    channel_depth_db: tuple[float | None, ...]
    drift_ppm: float | None
    """Clocks that run apart; positive: B falls behind. None where the delay stands still as far as can be told."""
    jumps: tuple[DelayJump, ...]
    rate: int
    """Hz."""
    compared_s: float
    """How much of the two was compared."""
    fitted: bool
    """False: subtracted as they are."""
