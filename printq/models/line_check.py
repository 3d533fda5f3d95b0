"""What a line check found: which return hears which send, and what is wrong with the wiring."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from printq.models.base import Record

__all__ = ["Heard", "InsertLine", "LineCheck", "LineProblem"]

LineFault = Literal["dead", "crossed", "inverted", "doubled", "leaking", "weak", "skewed", "noisy", "humming"]


class Heard(Record):
    """One path from a send to a return on which the marker was heard."""

    send: int
    return_: int = Field(alias="return", serialization_alias="return")
    level_db: float
    """Return over send."""
    delay_samples: float
    polarity: int

    model_config = {"populate_by_name": True}


class LineProblem(Record):
    """Something wrong, in plain words."""

    fault: LineFault
    send: int | None
    return_: int | None = Field(alias="return", serialization_alias="return")
    text: str
    cause: str
    remedy: str
    severity: Literal["error", "caution"]
    """A caution does not make the line check fail."""

    model_config = {"populate_by_name": True}


class InsertLine(Record):
    """The wiring of one insert; None where nothing came back."""

    insert: str
    ok: bool
    latency_samples: float | None
    gain_db: float | None
    gain_dbu: float | None
    """The same between the analog levels, where the rig says what full scale is on either side."""
    polarity: int | None
    noise_dbfs: float | None
    hum_dbfs: float | None
    heard_on: tuple[Heard, ...]
    problems: tuple[LineProblem, ...]


class LineCheck(Record):
    """All inserts of a rig."""

    format: Literal["printq-line-check/1"]
    rig: str
    at: str
    """ISO 8601, UTC."""
    driver: str
    device: str
    rate: int
    inserts: tuple[InsertLine, ...]

    @property
    def ok(self) -> bool:
        """Whether every insert is wired as the rig file says."""
        return all(line.ok for line in self.inserts)
