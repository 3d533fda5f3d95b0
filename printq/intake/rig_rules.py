"""Rules between the keys of a rig file: what fits the interface, and what a unit can do."""

from __future__ import annotations

from collections.abc import Sequence

from printq.intake.locate import KeyPath
from printq.intake.model_rules import check_model
from printq.intake.reading import SourceFile
from printq.intake.wording import show_number, suggest
from printq.models.clock import clock_travel, parse_clock
from printq.models.limits import Limit, Limits
from printq.models.rig import Control, Insert, Interface, Position, Rig, Unit
from printq.models.snapshots import PRESET

__all__ = ["check_ids", "check_limits", "check_rig", "position_problem"]


def check_rig(source: SourceFile, rig: Rig) -> None:
    """Report everything that is wrong with a rig."""
    _check_interface(source, rig.interface)
    check_ids(source, ("unit",))
    check_ids(source, ("insert",))
    for index, unit in enumerate(rig.unit):
        _check_unit(source, rig, unit, ("unit", index))
    for index, insert in enumerate(rig.insert):
        _check_insert(source, rig, insert, ("insert", index))
        _check_shared_channels(source, insert, rig.insert[:index], ("insert", index))


def check_ids(source: SourceFile, where: KeyPath) -> None:
    """Report ids that occur twice, also where only the case differs: file names must not depend on it."""
    entries = source.written_at(where)
    if not isinstance(entries, list):
        return
    written = [entry.get("id") if isinstance(entry, dict) else None for entry in entries]
    seen: dict[str, str] = {}
    for index, name in enumerate(written):
        if not isinstance(name, str):
            continue
        other = seen.setdefault(name.lower(), name)
        if written.index(other) != index:
            how = "is used twice" if other == name else f"differs from {other!r} in case only"
            source.report(
                (*source.written_path(where), index, "id"), f"id {name!r} {how}", "give every one an id of its own"
            )


def check_limits(source: SourceFile, where: KeyPath, limits: Limits | None) -> None:
    """Report limits that fail before they warn."""
    if limits is None:
        return
    for name in Limits.model_fields:
        said = getattr(limits, name)
        if said is None:
            continue
        if isinstance(said, Limit) and said.warn is not None and said.fail is not None and said.warn > said.fail:
            source.error(
                (*where, name),
                f"warns at {show_number(said.warn)} only after it has failed at {show_number(said.fail)}",
                "make warn the lower one",
            )


def position_problem(control: Control, position: Position) -> tuple[str, str] | None:
    """What is wrong with a position of a control and what would be right, or None."""
    if control.kind == "knob":
        return _knob_problem(control, position)
    places = control.positions
    if not places or position in places:
        return None
    return (
        f"{_show(position)} is not a position of {control.name}",
        f"it has {', '.join(_show(place) for place in places)}{_quotes_hint(position, places)}",
    )


def _quotes_hint(position: Position, places: Sequence[Position]) -> str:
    """Whether a position would be right but for its quotes."""
    plain = position if isinstance(position, str) else show_number(position)
    if any(not isinstance(place, str) and show_number(place) == plain for place in places):
        return ", without quotes"
    return ", in quotes" if plain in places else ""


def _knob_problem(control: Control, position: Position) -> tuple[str, str] | None:
    if control.range is None or _range_problem(control) is not None:
        return None
    low, high = control.range
    right = f"it goes from {_show(low)} to {_show(high)}"
    if isinstance(low, str) or isinstance(high, str):
        if not isinstance(position, str):
            return f"{_show(position)} is no clock position", f"{right}, written in quotes"
        try:
            travel = clock_travel(position, str(low), str(high))
        except ValueError:
            return f"{position!r} is no clock position", f"{right}; write hours and minutes"
        if travel > 1.0:
            return f"{position!r} is in the dead part of {control.name}", right
        return None
    right += f" {control.measure}" if control.measure else ""
    if isinstance(position, str):
        return f"{position!r} is no number", f"{right}, without quotes"
    if not low <= position <= high:
        return f"{_show(position)} is out of range of {control.name}", right
    return None


def _check_interface(source: SourceFile, interface: Interface) -> None:
    at = ("interface",)
    if interface.driver == "portaudio" and interface.reserved_sends is None:
        source.error(
            (*at, "reserved_sends"),
            "missing: which sends feed monitors or headphones",
            "list them, so that nothing is ever played there; [] if there are none",
        )
    if interface.driver == "portaudio" and interface.reserved_sends == []:
        source.caution((*at, "reserved_sends"), "no send is kept for monitors", "be sure that none feeds a loudspeaker")
    if interface.driver == "portaudio" and interface.simulation is not None:
        source.caution((*at, "simulation"), "has no effect with a real interface", "nothing to do")
    if interface.driver == "simulated" and interface.device is not None:
        source.caution((*at, "device"), "has no effect on the simulated rack", "nothing to do")
    for index, send in enumerate(interface.reserved_sends or []):
        _check_channel(source, (*at, "reserved_sends", index), "sends", send, interface.sends)
    loop = interface.timing_loop
    if loop is not None:
        _check_channel(source, (*at, "timing_loop", "send"), "sends", loop.send, interface.sends)
        _check_channel(source, (*at, "timing_loop", "return"), "returns", loop.return_, interface.returns)
        if loop.send in (interface.reserved_sends or []):
            source.error((*at, "timing_loop", "send"), f"send {loop.send} is reserved", "use another send")


def _check_channel(source: SourceFile, where: KeyPath, what: str, channel: int, exist: int) -> None:
    """`what` is `sends` or `returns`, of which so many `exist`."""
    if source.is_lost(("interface", what)) or 1 <= channel <= exist:
        return
    are = f"{what} 1 to {exist}" if exist > 1 else f"{what[:-1]} 1 alone"
    source.error(where, f"there is no {what[:-1]} {channel}", f"the interface has {are}")


def _check_unit(source: SourceFile, rig: Rig, unit: Unit, at: KeyPath) -> None:
    check_ids(source, (*at, "control"))
    for index, control in enumerate(unit.control):
        if control.id in (PRESET, "patch"):
            source.error(
                (*at, "control", index, "id"), f"{control.id!r} has a meaning of its own", "give the control another id"
            )
        _check_control(source, (*at, "control", index), control)
    if unit.max_in_dbu is not None and rig.interface.full_scale_send_dbu is None:
        source.caution((*at, "max_in_dbu"), "cannot be checked", "give full_scale_send_dbu under [interface] as well")
    if unit.model is not None:
        check_model(source, unit, at)


def _check_control(source: SourceFile, at: KeyPath, control: Control) -> None:
    if control.kind == "knob":
        if control.positions is not None:
            source.error((*at, "positions"), "a knob has a range, not positions", 'use range, or kind = "stepped"')
        if control.range is None:
            source.error((*at, "range"), "missing", "the lowest and highest position, such as [0, 10]")
        elif (problem := _range_problem(control)) is not None:
            source.error((*at, "range"), *problem)
    else:
        if control.range is not None:
            source.error((*at, "range"), f"a {control.kind} has positions, not a range", "list its positions")
        if not control.positions:
            source.error((*at, "positions"), "missing", 'every position in panel order, such as ["in", "out"]')
        elif len(set(control.positions)) < len(control.positions):
            source.error((*at, "positions"), "a position is there twice", "name every position once")
    if control.fixed is not None and (problem := position_problem(control, control.fixed)) is not None:
        source.error((*at, "fixed"), *problem)


def _range_problem(control: Control) -> tuple[str, str] | None:
    assert control.range is not None
    low, high = control.range
    if isinstance(low, str) or isinstance(high, str):
        if control.measure != "clock":
            return "a range in texts", 'numbers, or measure = "clock" with times such as "7:00"'
        for end in (low, high):
            try:
                parse_clock(str(end))
            except ValueError:
                return f"{_show(end)} is no clock position", 'hours and minutes in quotes, such as ["7:00", "5:00"]'
    elif control.measure == "clock":
        return "a clock scale in numbers", 'hours and minutes in quotes, such as ["7:00", "5:00"]'
    elif not low < high:
        return f"{_show(low)} is not below {_show(high)}", "the lowest position first"
    return None


def _check_insert(source: SourceFile, rig: Rig, insert: Insert, at: KeyPath) -> None:
    interface = rig.interface
    check_limits(source, (*at, "limits"), insert.limits)
    _check_insert_units(source, rig, insert, at)
    wanted = insert.channels
    mode_known = not source.is_lost((*at, "mode"))
    for what, channels, exist in (
        ("sends", insert.sends, interface.sends),
        ("returns", insert.returns, interface.returns),
    ):
        if len(channels) != wanted and mode_known:
            source.error(
                (*at, what),
                f"{len(channels)} channel{'s' if len(channels) != 1 else ''} on a {insert.mode} insert",
                f"a {insert.mode} insert has {wanted} {what if wanted > 1 else what[:-1]}",
            )
        elif len(set(channels)) < len(channels):
            source.error((*at, what), f"channel {channels[0]} is there twice", "two different ones")
        for index, channel in enumerate(channels):
            _check_channel(source, (*at, what, index), what, channel, exist)
    for index, send in enumerate(insert.sends):
        if send in (interface.reserved_sends or []):
            source.error(
                (*at, "sends", index),
                f"send {send} is reserved for monitors",
                "use a send that feeds no loudspeaker",
            )
    loop = interface.timing_loop
    if loop is not None:
        if loop.send in insert.sends:
            source.error((*at, "sends"), f"send {loop.send} carries the timing loop", "use another send")
        if loop.return_ in insert.returns:
            source.error((*at, "returns"), f"return {loop.return_} carries the timing loop", "use another return")
    for key in ("timing", "trim"):
        if getattr(insert, key) == "loop" and loop is None and not source.is_lost(("interface", "timing_loop")):
            source.error(
                (*at, key),
                "needs a timing loop",
                "run a cable from a free send to a free return and name it under [interface] as timing_loop",
            )


def _check_shared_channels(source: SourceFile, insert: Insert, others: Sequence[Insert], at: KeyPath) -> None:
    """Inserts that share a unit never play at once; others do, and must not meet on a channel."""
    if source.is_lost((*at, "units")):
        return
    for key, own in (("sends", insert.sends), ("returns", insert.returns)):
        for index, channel in enumerate(own):
            for other in others:
                if channel in getattr(other, key) and not set(insert.each_unit()) & set(other.each_unit()):
                    source.caution(
                        (*at, key, index),
                        f"{key[:-1]} {channel} is on insert {other.id} as well, and they share no unit",
                        "give each a channel of its own, or use only one of them in a job",
                    )


def _check_insert_units(source: SourceFile, rig: Rig, insert: Insert, insert_at: KeyPath) -> None:
    at = (*insert_at, "units")
    seen: set[str] = set()
    known = [unit.id for unit in rig.unit]
    mode_known = not source.is_lost((*insert_at, "mode"))
    for index, element in enumerate(insert.units):
        pair = not isinstance(element, str)
        names = [element] if isinstance(element, str) else list(element)
        if pair and insert.mode == "mono" and mode_known:
            source.error((*at, index), "a pair of units on a mono insert", "one unit, or a two-channel mode")
        for name in names:
            unit = rig.find_unit(name)
            if unit is None:
                if not source.has_entry(("unit",), name):
                    source.error((*at, index), f"there is no unit {name!r}", suggest(name, known))
                continue
            if name in seen:
                source.error((*at, index), f"unit {name!r} is on this insert twice", "a signal passes a unit once")
            seen.add(name)
            unit_channels_known = not source.is_lost(("unit", name, "channels"))
            if insert.mode != "mono" and not pair and unit.channels != 2 and unit_channels_known:
                source.error(
                    (*at, index),
                    f"{name} treats one channel and the insert has two",
                    f'a two-channel unit, or a pair such as ["{name}", "…"]',
                )


def _show(position: Position) -> str:
    return repr(position) if isinstance(position, str) else show_number(position)
