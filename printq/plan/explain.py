"""Why a pass stands where it stands: read off the finished plan, whoever made it.

Everything in a plan begins at the moment at which the last thing that it waits for ends. Which one that is gives its
cause; the cause of that gives the next; and so on back to the start.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from printq.errors import UsageError
from printq.models.explanation import Cause, CauseKind, Explanation
from printq.models.passes import FileSource, Job, SumSource
from printq.models.plan import Plan, PlanEntry

__all__ = ["explain_pass"]

SAME_S = 1e-3
"""Moments closer than this are one."""


def explain_pass(job: Job, plan: Plan, pass_id: str) -> Explanation:
    """Why a pass starts when it does.

    Parameters
    ----------
    job, plan
        The plan must be of passes of the job; it may have been made by any rule.
    pass_id : str
        A pass of the plan.

    Raises
    ------
    UsageError
        It is not in the plan.
    """
    return _Reader(job, plan).explain(pass_id)


class _Reader:
    def __init__(self, job: Job, plan: Plan) -> None:
        self._job = job
        self._entries = {entry.pass_id: entry for entry in plan.entries}
        self._held = {
            name: job.resources_of(each) for name in self._entries if (each := job.find_pass(name)) is not None
        }
        self._end_s = max((entry.end_s for entry in plan.entries), default=0.0)

    def explain(self, pass_id: str) -> Explanation:
        entry = self._entries.get(pass_id)
        if entry is None:
            known = ", ".join(self._entries) or "none, there is nothing to print"
            raise UsageError(f"there is no pass {pass_id!r} in this plan; there are: {known}")
        holding, _ = _split(self._before_roll(entry), entry.start_s)
        sooner_s, sooner = self._sooner(entry)
        return Explanation(
            pass_id=pass_id,
            start_s=entry.start_s,
            causes=tuple(holding),
            chain=tuple(self._chain(entry)),
            critical=pass_id in self._critical(),
            sooner_s=sooner_s,
            sooner=sooner,
        )

    # ---- what each thing waits for, the weightiest first among those that end together ----

    def _before_roll(self, entry: PlanEntry) -> list[Cause]:
        found = [self._cause(entry, "roll", "start", 0.0, None, (), "the plan begins with it")]
        if entry.moves:
            units = tuple(dict.fromkeys(move.unit for move in entry.moves))
            seconds = entry.set_up_end_s - entry.set_up_start_s
            words = f"its set-up ends ({_clock(seconds)} of handwork on {_list(units)})"
            if entry.probe_end_s > entry.set_up_end_s + SAME_S:
                probed = "its set-up has been probed"
                found.append(self._cause(entry, "roll", "probe", entry.probe_end_s, None, units, probed))
            else:
                found.append(self._cause(entry, "roll", "set-up", entry.set_up_end_s, None, units, words))
        found += self._sources(entry)
        if not entry.moves:
            found += self._holders(entry, "roll", entry.start_s)
        if not self._job.options.hands_during_passes:
            found += [
                self._cause(
                    entry,
                    "roll",
                    "dialling",
                    other.set_up_end_s,
                    other.pass_id,
                    (),
                    f"the hands have set up {other.pass_id}: nothing rolls while they work",
                )
                for other in self._others(entry)
                if other.moves and other.set_up_end_s <= entry.start_s + SAME_S
            ]
        return found

    def _before_set_up(self, entry: PlanEntry) -> list[Cause]:
        found = [self._cause(entry, "set-up", "start", 0.0, None, (), "the hands begin with it")]
        found += self._holders(entry, "set-up", entry.set_up_start_s)
        for other in self._others(entry):
            if other.moves and other.set_up_end_s <= entry.set_up_start_s + SAME_S:
                seconds = other.set_up_end_s - other.set_up_start_s
                words = f"the hands have set up {other.pass_id} ({_clock(seconds)})"
                found.append(self._cause(entry, "set-up", "hands", other.set_up_end_s, other.pass_id, (), words))
        if not self._job.options.hands_during_passes:
            found += [
                self._cause(
                    entry,
                    "set-up",
                    "recording",
                    other.end_s,
                    other.pass_id,
                    (),
                    f"{other.pass_id} has been recorded: the hands rest while anything records",
                )
                for other in self._others(entry)
                if other.end_s <= entry.set_up_start_s + SAME_S
            ]
        return found

    def _sources(self, entry: PlanEntry) -> Iterable[Cause]:
        each = self._job.find_pass(entry.pass_id)
        for need in each.needs if each is not None else ():
            other = self._entries.get(need)
            if other is None or each is None:
                continue
            if isinstance(each.source, SumSource):
                words = f"{need} has been recorded, a part of the sum that it plays"
            elif isinstance(each.source, FileSource):
                words = f"{need} has been recorded, which its file is made from"
            else:
                words = f"{need} has been recorded, whose print it plays"
            yield self._cause(entry, "roll", "source", other.end_s, need, (), words)

    def _holders(self, entry: PlanEntry, event: str, moment: float) -> Iterable[Cause]:
        """Passes before this one that held units or channels of it."""
        for other in self._others(entry):
            shared = tuple(name for name in self._held[entry.pass_id] if name in self._held[other.pass_id])
            units = {unit.id for unit in self._job.rig.unit}
            named = tuple(name for name in shared if name in units) or shared
            if shared and other.end_s <= moment + SAME_S:
                words = f"{other.pass_id} lets go of {_list(named)}"
                yield self._cause(entry, event, "unit", other.end_s, other.pass_id, named, words)

    def _others(self, entry: PlanEntry) -> Iterable[PlanEntry]:
        return (other for other in self._entries.values() if other is not entry)

    @staticmethod
    def _cause(
        entry: PlanEntry,
        event: str,
        kind: CauseKind,
        until: float,
        because_of: str | None,
        units: Sequence[str],
        text: str,
    ) -> Cause:
        return Cause(
            pass_id=entry.pass_id,
            event="roll" if event == "roll" else "set-up",
            at_s=entry.start_s if event == "roll" else entry.set_up_start_s,
            kind=kind,
            until_s=until,
            because_of=because_of,
            units=tuple(units),
            text=text,
        )

    # ---- from cause to cause ----

    def _causes_of(self, entry: PlanEntry, event: str) -> list[Cause]:
        """What holds it until it begins; one cause of kind `nothing` where it could begin sooner."""
        if event == "roll":
            return _split(self._before_roll(entry), entry.start_s)[0]
        return _split(self._before_set_up(entry), entry.set_up_start_s)[0]

    def _next(self, cause: Cause) -> tuple[PlanEntry, str] | None:
        """What must begin sooner for a cause to end sooner; None at the end of a chain."""
        if cause.kind in ("start", "nothing"):
            return None
        if cause.because_of is None:
            return self._entries[cause.pass_id], "set-up"
        event = "set-up" if cause.kind in ("hands", "dialling") else "roll"
        return self._entries[cause.because_of], event

    def _chain(self, entry: PlanEntry) -> Iterable[Cause]:
        place: tuple[PlanEntry, str] | None = (entry, "roll")
        met: set[tuple[str, str]] = set()
        while place is not None and (place[0].pass_id, place[1]) not in met:
            met.add((place[0].pass_id, place[1]))
            cause = self._causes_of(*place)[0]
            yield cause
            place = self._next(cause)

    def _critical(self) -> set[str]:
        """Passes that lead, without a gap, to one that ends last."""
        left = [(entry, "roll") for entry in self._entries.values() if entry.end_s >= self._end_s - SAME_S]
        met: set[tuple[str, str]] = set()
        while left:
            entry, event = left.pop()
            if (entry.pass_id, event) not in met:
                met.add((entry.pass_id, event))
                left += [place for cause in self._causes_of(entry, event) if (place := self._next(cause)) is not None]
        return {name for name, _ in met}

    # ---- what would help ----

    def _sooner(self, entry: PlanEntry) -> tuple[float, str]:
        """By how much sooner it could roll if what holds it now were gone, and what that takes."""
        holding, others = _split(self._before_roll(entry), entry.start_s)
        after = max(others, key=lambda cause: cause.until_s, default=None)
        gain = entry.start_s - (after.until_s if after is not None else 0.0)
        if len(holding) == 1 and holding[0].kind in ("set-up", "probe"):
            # Its set-up moves as a whole: what holds the set-up is what counts.
            holding, others = _split(self._before_set_up(entry), entry.set_up_start_s)
            if holding[0].kind == "start":
                gain = min(gain, entry.set_up_end_s - entry.set_up_start_s)
                return gain, "less to dial: its own set-up is all that it waits for"
            earlier = max(others, key=lambda cause: cause.until_s, default=None)
            room = entry.set_up_start_s - (earlier.until_s if earlier is not None else 0.0)
            if room <= gain:
                gain, after = room, earlier
        if holding[0].kind == "start":
            return 0.0, "nothing could: it starts at once"
        if holding[0].kind == "nothing":
            return gain, f"nothing holds it: the plan leaves it {_clock(gain)} of room"
        if len(holding) > 1:
            if any(cause.kind in ("set-up", "probe") for cause in holding):
                gain = min(gain, entry.set_up_start_s)
            what = f"{_list([cause.because_of or 'its own set-up' for cause in holding])} would all have to end sooner"
        else:
            what = _remedy(holding[0])
        then = "" if after is None or after.kind == "start" else f"; from then on it waits until {after.text}"
        return gain, f"{what} (up to {_clock(gain)} gained){then}"


def _split(causes: Sequence[Cause], moment: float) -> tuple[list[Cause], list[Cause]]:
    """Causes that hold until a moment, by weight, and those that ended before."""
    holding = [cause for cause in causes if cause.until_s >= moment - SAME_S]
    others = [cause for cause in causes if cause.until_s < moment - SAME_S]
    if holding:
        # The start holds only what nothing else does.
        return [cause for cause in holding if cause.kind != "start"] or holding, others
    last = max(causes, key=lambda cause: cause.until_s)
    words = f"nothing holds it any more: it could begin {_clock(moment - last.until_s)} sooner"
    free = last.model_copy(update={"kind": "nothing", "because_of": None, "units": (), "text": words})
    return [free], others


def _remedy(cause: Cause) -> str:
    name = cause.because_of
    if cause.kind == "unit":
        return f"a second {' and '.join(cause.units)}, or {name} later than this pass"
    if cause.kind == "hands":
        return f"less to dial for {name}, or another pair of hands"
    if cause.kind == "source":
        return f"{name} would have to be printed sooner"
    if cause.kind == "dialling":
        return f"less to dial for {name}, or hands_during_passes = true"
    return f"{name} recorded sooner, or hands_during_passes = true"


def _list(names: Sequence[str]) -> str:
    return " and ".join(names) if len(names) < 3 else f"{', '.join(names[:-1])} and {names[-1]}"


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}" if minutes >= 60 else f"{minutes}:{rest:02d}"
