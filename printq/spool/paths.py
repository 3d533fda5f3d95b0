"""Where a session keeps what: the folder with the job file, and `.printq` in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = ["SessionPaths"]


@dataclass(frozen=True)
class SessionPaths:
    """Paths of one session; nothing is created by asking for them."""

    session: Path

    @property
    def own(self) -> Path:
        return self.session / ".printq"

    @property
    def journal(self) -> Path:
        return self.own / "journal.sqlite"

    @property
    def lock(self) -> Path:
        return self.own / "lock"

    @property
    def takes(self) -> Path:
        return self.own / "takes"

    @property
    def staging(self) -> Path:
        return self.own / "staging"

    @property
    def plan(self) -> Path:
        return self.own / "plan.json"

    @property
    def line_check(self) -> Path:
        return self.own / "line-check.json"

    def create(self) -> None:
        """Make the folders."""
        for folder in (self.own, self.takes, self.staging):
            folder.mkdir(parents=True, exist_ok=True)

    def absolute(self, name: str) -> Path:
        """A path that a record gives relative to the session."""
        return self.session / name
