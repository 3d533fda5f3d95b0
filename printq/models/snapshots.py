"""snapshots.toml: the positions of all controls on one insert's units, under a name."""

from __future__ import annotations

from typing import Literal

from printq.models.base import Id, Record
from printq.models.rig import Position

__all__ = ["PRESET", "Settings", "Snapshot", "SnapshotFile"]

PRESET = "preset"
"""The key in a unit's settings that names a stored preset instead of a control."""

Settings = dict[str, dict[str, Position]]
"""Unit id to control id (or `preset`) to position."""


class Snapshot(Record):
    """Where every control of an insert's units stands."""

    id: Id
    """Name of the snapshot in jobs."""
    insert: Id
    """The insert whose units it sets."""
    note: str = ""
    """What to remember; shown at the set-up, makes nothing stale."""
    photo: str | None = None
    """Path of a picture of the panel, relative to this file."""
    settings: dict[Id, dict[Id, Position]] = {}
    """For each unit: every control that is not fixed and its position; or `preset`; or both."""


class SnapshotFile(Record):
    """A file of snapshots."""

    format: Literal["printq-snapshots/1"]
    """Name and version of this format."""
    snapshot: list[Snapshot] = []
    """The snapshots."""
