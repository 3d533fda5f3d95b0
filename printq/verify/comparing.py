"""A measured value against the limit of its check: the verdict, and the words that go with it."""

from __future__ import annotations

from collections.abc import Mapping

from printq.models.limits import Limit, LimitOrOff
from printq.models.verdict import Check, Outcome
from printq.units import level_or_none
from printq.verify.findings import FINDINGS

__all__ = ["Detail", "Judge"]

Detail = dict[str, float | str | None]


class Judge:
    """Compares values with the limits of a pass."""

    def __init__(self, limits: Mapping[str, LimitOrOff]) -> None:
        self._limits = limits

    def compare(
        self,
        check: str,
        value: float | None,
        unit: str,
        detail: Detail | None = None,
        *,
        allowed: float | None = None,
        warn_finding: str | None = None,
    ) -> Check:
        """Judge a value by the check's limit; `allowed` lifts it to what the stem has itself."""
        limit = self._limits[check]
        verdict: Outcome = "pass"
        if isinstance(limit, Limit) and value is not None:
            for name, level in (("warn", limit.warn), ("fail", limit.fail)):
                if level is not None and value > (level if allowed is None else max(level, allowed)):
                    verdict = "warn" if name == "warn" else "fail"
        finding = warn_finding if verdict == "warn" and warn_finding else check
        return self.make(check, value, unit, verdict, finding, detail or {})

    def make(
        self, check: str, value: float | None, unit: str, verdict: Outcome, finding: str | None, detail: Detail
    ) -> Check:
        """A check with its verdict decided; a limit that is off passes, on the record."""
        limit = self._limits[check]
        if limit == "off":
            verdict = "pass"
        found = FINDINGS.get(finding) if finding is not None and verdict != "pass" else None
        return Check(
            check=check,
            value=level_or_none(value),
            unit=unit,
            limit=limit,
            verdict=verdict,
            cause=found.cause if found else None,
            remedy=found.remedy if found else None,
            detail=detail,
        )
