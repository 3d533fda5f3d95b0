"""What a print is made from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from printq.files.stems import StemPart
from printq.models.job import Options
from printq.models.passes import Pass
from printq.models.rig import Insert, Unit
from printq.models.take import TakeRecord

__all__ = ["PrintOrder"]


@dataclass(frozen=True)
class PrintOrder:
    """A take, and everything that decides how its print is rendered and described."""

    each: Pass
    insert: Insert
    units: tuple[Unit, ...]
    """In signal order."""
    options: Options
    take: TakeRecord
    take_path: Path
    parts: tuple[StemPart, ...]
    """The files that were played."""
    program: str
    """Name and version for the header."""
