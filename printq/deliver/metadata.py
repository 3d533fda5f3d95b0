"""What a print's Broadcast Wave header says about it.

Time reference carried over from the dry file, loudness by EBU Tech 3285 v2, and a coding history by
EBU R 98: the history of the source, then the way out, the analog pass, and the way back. What is only
true of this start of the stream, such as the trim, stays in the sidecar, so that the same take gives
the same bytes.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from printq.deliver.order import PrintOrder
from printq.files.broadcast import BroadcastExtension, read_broadcast, to_ascii
from printq.models.passes import SumSource
from printq.models.verdict import Verdict

__all__ = ["add_loudness", "make_broadcast"]

CONVERTER_BITS = 24


def make_broadcast(order: PrintOrder) -> BroadcastExtension:
    """The header of a print before its loudness is known."""
    each = order.each
    recorded = datetime.fromisoformat(order.take.recorded_at)
    what = "SIMULATED print" if order.take.driver == "simulated" else "Print"
    chain = " > ".join(unit.name for unit in order.units)
    return BroadcastExtension(
        description=f"{what} of {each.stem} through {each.insert} ({chain}); snapshot {each.snapshot}",
        originator=order.program,
        originator_reference=each.print_name[:32],
        origination_date=recorded.strftime("%Y-%m-%d"),
        origination_time=recorded.strftime("%H:%M:%S"),
        time_reference=each.time_reference or 0,
        coding_history=tuple(_coding_history(order)),
    )


def add_loudness(broadcast: BroadcastExtension, verdict: Verdict) -> BroadcastExtension:
    """The same header with what was measured on the finished print."""
    loudness = verdict.loudness
    return replace(
        broadcast,
        loudness_value=loudness.integrated_lufs,
        loudness_range=loudness.range_lu,
        max_true_peak=verdict.true_peak_dbtp,
        max_momentary=loudness.momentary_max_lufs,
        max_short_term=loudness.short_term_max_lufs,
    )


def _coding_history(order: PrintOrder) -> list[str]:
    each, take, program = order.each, order.take, order.program
    mode = "mono" if each.channels == 1 else "dual-mono" if order.insert.mode == "dual-mono" else "stereo"
    converter = f"A=PCM,F={take.rate},W={CONVERTER_BITS},M={mode}"
    chain = "; ".join(_plain(unit.name) for unit in order.units)
    if isinstance(each.source, SumSource):
        lines = [f"{converter},T={program}; sum of {_plain('; '.join(part.stem for part in each.source.parts))}"]
    else:
        lines = _history_of(order.parts[0].path)
    if take.driver == "simulated":
        return [*lines, f"{converter},T={program}; simulated rack; {chain}; {each.snapshot}"]
    return [
        *lines,
        f"{converter},T={program}; D/A",
        f"A=ANALOGUE,M={mode},T={chain}; {each.snapshot}",
        f"A=PCM,F={take.rate},W={order.options.bit_depth},M={mode},T={_plain(take.device)}; A/D",
    ]


def _history_of(path: Path) -> list[str]:
    known = read_broadcast(path) if path.suffix.lower() == ".wav" else None
    return list(known.coding_history) if known is not None else []


def _plain(text: str) -> str:
    """Free text of a coding history line: ASCII without commas."""
    return to_ascii(text).replace(",", ";")
