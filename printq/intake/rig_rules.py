"""Rules between the keys of a rig file: what fits the interface, and what a unit can do."""

from __future__ import annotations

from collections.abc import Sequence

from printq.audio.processors import KINDS, parameters_of
from printq.intake.reading import SourceFile, suggest
from printq.models.clock import parse_clock
from printq.models.limits import LATER_CHECKS, Limit, Limits
from printq.models.rig import Control, Insert, Interface, Position, Rig, Unit

__all__ = ["check_ids", "check_limits", "check_rig", "position_problem"]


def check_rig(source: SourceFile, rig: Rig) -> None:
    """Report everything that is wrong with a rig."""
    _check_interface(source, rig.interface)
    check_ids(source, ("unit",), [unit.id for unit in rig.unit])
    check_ids(source, ("insert",), [insert.id for insert in rig.insert])
    for unit in rig.unit:
        _check_unit(source, rig, unit)
    for insert in rig.insert:
        _check_insert(source, rig, insert)


def check_ids(source: SourceFile, where: Sequence[str | int], ids: Sequence[str]) -> None:
    """Report ids that occur twice, also where only the case differs: file names must not depend on it."""
    seen: dict[str, int] = {}
    raw = source.data
    for step in where:
        raw = raw.get(step, []) if isinstance(raw, dict) else []
    written = [item.get("id") for item in raw if isinstance(item, dict)] if isinstance(raw, list) else list(ids)
    for index, name in enumerate(written):
        if not isinstance(name, str):
            continue
        first = seen.setdefault(name.lower(), index)
        if first != index:
            other = written[first]
            how = "is used twice" if other == name else f"differs from {other!r} in case only"
            source.error((*where, index, "id"), f"id {name!r} {how}", "give every one an id of its own")


def check_limits(source: SourceFile, where: Sequence[str | int], limits: Limits | None) -> None:
    """Report limits that promise what is not done, or that fail before they warn."""
    if limits is None:
        return
    for name in Limits.model_fields:
        said = getattr(limits, name)
        if said is None:
            continue
        if name in LATER_CHECKS:
            source.error((*where, name), "this check is not available in this version", "take the limit out")
        elif isinstance(said, Limit) and said.warn is not None and said.fail is not None and said.warn > said.fail:
            source.error(
                (*where, name),
                f"warns at {said.warn:g} only after it has failed at {said.fail:g}",
                "make warn the lower one",
            )


def position_problem(control: Control, position: Position) -> tuple[str, str] | None:
    """What is wrong with a position of a control and what would be right, or None."""
    if control.kind == "knob":
        return _knob_problem(control, position)
    places = control.positions or []
    if position in places:
        return None
    return (
        f"{_show(position)} is not a position of {control.name}",
        f"it has {', '.join(_show(p) for p in places)}",
    )


def _knob_problem(control: Control, position: Position) -> tuple[str, str] | None:
    if control.range is None:
        return None
    low, high = control.range
    right = f"it goes from {_show(low)} to {_show(high)}{' ' + control.measure if control.measure else ''}"
    if isinstance(low, str) or isinstance(high, str):
        if not isinstance(position, str):
            return f"{_show(position)} is no clock position", f"{right}, written in quotes"
        try:
            minutes = parse_clock(position)
            start, end = parse_clock(str(low)), parse_clock(str(high))
        except ValueError as error:
            return str(error), right
        if (minutes - start) % 720 > ((end - start) % 720 or 720):
            return f"{position} is in the dead part of {control.name}", right
        return None
    if isinstance(position, str):
        return f"{position!r} is no number", right
    if not low <= position <= high:
        return f"{position:g} is out of range of {control.name}", right
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
        _check_channel(source, (*at, "reserved_sends", index), "send", send, interface.sends)
    loop = interface.timing_loop
    if loop is not None:
        _check_channel(source, (*at, "timing_loop", "send"), "send", loop.send, interface.sends)
        _check_channel(source, (*at, "timing_loop", "return"), "return", loop.return_, interface.returns)
        if loop.send in (interface.reserved_sends or []):
            source.error((*at, "timing_loop", "send"), f"send {loop.send} is reserved", "use another send")


def _check_channel(source: SourceFile, where: Sequence[str | int], what: str, channel: int, exist: int) -> None:
    if not 1 <= channel <= exist:
        source.error(where, f"there is no {what} {channel}", f"the interface has {what}s 1 to {exist}")


def _check_unit(source: SourceFile, rig: Rig, unit: Unit) -> None:
    at = ("unit", unit.id)
    check_ids(source, (*at, "control"), [control.id for control in unit.control])
    _check_control_ids(source, unit)
    for control in unit.control:
        _check_control(source, (*at, "control", control.id), control)
    if unit.max_in_dbu is not None and rig.interface.full_scale_send_dbu is None:
        source.caution((*at, "max_in_dbu"), "cannot be checked", "give full_scale_send_dbu under [interface] as well")
    if unit.model is not None:
        _check_model(source, unit)


def _check_control_ids(source: SourceFile, unit: Unit) -> None:
    seen: set[str] = set()
    for index, control in enumerate(unit.control):
        if control.id in seen:
            source.error(
                ("unit", unit.id, "control", index, "id"),
                f"control {control.id!r} is there twice",
                "give every control of a unit an id of its own",
            )
        if control.id == "preset" or control.id == "patch":
            source.error(
                ("unit", unit.id, "control", index, "id"),
                f"{control.id!r} has a meaning of its own",
                "call it otherwise",
            )
        seen.add(control.id)


def _check_control(source: SourceFile, at: tuple[str, ...], control: Control) -> None:
    if control.kind == "knob":
        if control.positions is not None:
            source.error((*at, "positions"), "a knob has a range, not positions", 'use range, or kind = "stepped"')
        if control.range is None:
            source.error((*at, "range"), "missing", "the lowest and highest position, such as [0, 10]")
        else:
            _check_range(source, at, control)
    else:
        if control.range is not None:
            source.error((*at, "range"), f"a {control.kind} has positions, not a range", "list its positions")
        if not control.positions:
            source.error((*at, "positions"), "missing", 'every position in panel order, such as ["in", "out"]')
        elif len(set(control.positions)) < len(control.positions):
            source.error((*at, "positions"), "a position is there twice", "name every position once")
    if control.fixed is not None and (problem := position_problem(control, control.fixed)) is not None:
        source.error((*at, "fixed"), *problem)


def _check_range(source: SourceFile, at: tuple[str, ...], control: Control) -> None:
    assert control.range is not None
    low, high = control.range
    if isinstance(low, str) or isinstance(high, str):
        if control.measure != "clock":
            source.error((*at, "range"), "a range in texts", 'numbers, or measure = "clock" with times such as "7:00"')
            return
        for end in (low, high):
            try:
                parse_clock(str(end))
            except ValueError as error:
                source.error((*at, "range"), str(error), 'such as ["7:00", "5:00"]')
    elif control.measure == "clock":
        source.error((*at, "range"), "a clock scale in numbers", 'times in quotes, such as ["7:00", "5:00"]')
    elif not low < high:
        source.error((*at, "range"), f"{low:g} is not below {high:g}", "the lowest position first")


def _check_model(source: SourceFile, unit: Unit) -> None:
    model = unit.model
    assert model is not None
    at = ("unit", unit.id, "model")
    if model.kind not in KINDS:
        source.error((*at, "kind"), f"there is no processor {model.kind!r}", suggest(model.kind, list(KINDS)))
        return
    known = {parameter.name: parameter for parameter in parameters_of(model.kind)}

    def check_value(where: tuple[str | int, ...], name: str, value: float | None) -> None:
        if name not in known:
            source.error(where, f"{model.kind} has no parameter {name!r}", suggest(name, list(known)))
        elif value is not None and not known[name].low <= value <= known[name].high:
            right = f"{known[name].low:g} to {known[name].high:g} {known[name].measure}".rstrip()
            source.error(where, f"{value:g} is out of range of {name}", right)

    for name, value in model.parameters.items():
        check_value((*at, "parameters", name), name, value)
    if model.presets and unit.recall != "preset":
        source.error((*at, "presets"), "this unit is set by hand", 'recall = "preset", or take the presets out')
    for preset, values in model.presets.items():
        for name, value in values.items():
            check_value((*at, "presets", preset, name), name, value)
    for control_id, drive in model.controls.items():
        where = (*at, "controls", control_id)
        control = unit.find_control(control_id)
        if control is None:
            ids = [each.id for each in unit.control]
            source.error(where, f"{unit.id} has no control {control_id!r}", suggest(control_id, ids))
            continue
        for key, value in (("drives", None), ("low", drive.low), ("high", drive.high)):
            if key == "drives" or drive.drives in known:
                check_value((*where, key), drive.drives, value)
        if (drive.low is None) != (drive.high is None):
            source.error(where, "low and high go together", "give both, or neither")
        if drive.curve == "log" and drive.low is not None and drive.high is not None and drive.low * drive.high <= 0:
            source.error((*where, "curve"), "a logarithmic travel cannot reach or cross 0", 'curve = "linear"')
        if drive.values is not None:
            if len(drive.values) != len(control.positions or []):
                source.error(
                    (*where, "values"),
                    f"{len(drive.values)} values for {len(control.positions or [])} positions",
                    "one value for each position, in their order",
                )
            for index, value in enumerate(drive.values):
                check_value((*where, "values", index), drive.drives, value)
        elif drive.low is None and any(isinstance(place, str) for place in control.range or control.positions or []):
            source.error(where, f"the positions of {control_id} are no numbers", "give low and high, or values")


def _check_insert(source: SourceFile, rig: Rig, insert: Insert) -> None:
    at = ("insert", insert.id)
    interface = rig.interface
    check_limits(source, (*at, "limits"), insert.limits)
    _check_insert_units(source, rig, insert)
    wanted = insert.channels
    for what, channels, exist in (
        ("sends", insert.sends, interface.sends),
        ("returns", insert.returns, interface.returns),
    ):
        if len(channels) != wanted:
            source.error((*at, what), f"{len(channels)} {what} on a {insert.mode} insert", f"it has {wanted}")
        elif len(set(channels)) < len(channels):
            source.error((*at, what), f"the same channel twice in {what}", "two different ones")
        for index, channel in enumerate(channels):
            _check_channel(source, (*at, what, index), what[:-1], channel, exist)
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
        if getattr(insert, key) == "loop" and loop is None:
            source.error(
                (*at, key),
                "needs a timing loop",
                "run a cable from a free send to a free return and name it under [interface] as timing_loop",
            )


def _check_insert_units(source: SourceFile, rig: Rig, insert: Insert) -> None:
    at = ("insert", insert.id, "units")
    seen: set[str] = set()
    known = [unit.id for unit in rig.unit]
    for index, element in enumerate(insert.units):
        pair = not isinstance(element, str)
        names = [element] if isinstance(element, str) else list(element)
        if pair and insert.mode == "mono":
            source.error((*at, index), "a pair of units on a mono insert", "one unit, or a two-channel mode")
        for name in names:
            unit = rig.find_unit(name)
            if unit is None:
                source.error((*at, index), f"there is no unit {name!r}", suggest(name, known))
                continue
            if name in seen:
                source.error((*at, index), f"unit {name!r} is on this insert twice", "a signal passes a unit once")
            seen.add(name)
            if insert.mode != "mono" and not pair and unit.channels != 2:
                source.error(
                    (*at, index),
                    f"{name} treats one channel and the insert has two",
                    f'a two-channel unit, or a pair such as ["{name}", "…"]',
                )


def _show(position: Position) -> str:
    return f"{position:g}" if not isinstance(position, str) else repr(position)
