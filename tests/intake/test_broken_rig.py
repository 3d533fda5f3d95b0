"""What can be wrong with a rig file, and what is said about it."""

# A table reads best with a row for each case.
# ruff: noqa: E501

from __future__ import annotations

import pytest

from printq.intake import check_job
from tests.intake.broken import Edit, edits, matches
from tests.intake.builders import SmallSession

UNITS = 'units = ["opto", "valve-eq"]'
RANGE = 'range = ["7:00", "5:00"]'
STEPS = "positions = [30, 60, 100]"
SWITCH = 'positions = ["compress", "limit"]'
DRIVE = "mode = { drives"

KEYS = {
    "unknown key": Edit("tail_s = 0.25", "tial_s = 0.25", "tial", "insert[solo].tial_s", "unknown key", "did you mean 'tail_s'?"),
    "side-chain": Edit("tail_s = 0.25", "key_sends = [4]", "key_sends", "insert[solo].key_sends", "not available in this version", "take the key out"),
    "later key elsewhere": Edit("max_in_dbu = 24", "key = 1", "key =", "unit[opto].key", "unknown key", "there is id, label"),
    "missing number": Edit("rate = 48000\n", "", "[interface]", "interface.rate", "missing", "Sample rate in Hz"),
    "missing choice": Edit('[[unit.control]]\nid = "low-hz"\nkind = "stepped"\n', '[[unit.control]] # kind\nid = "low-hz"\n', "# kind", "unit[valve-eq].control[low-hz].kind", "missing", 'kind = "knob" or "stepped" or "switch"'),
    "missing format": Edit('format = "printq-rig/1"\n', "", 'name = "Lamp', "format", "missing", 'format = "printq-rig/1"'),
    "missing sends": Edit('[[insert]]\nid = "solo"\nunits = ["opto", "valve-eq"]\nsends = [1]', '[[insert]] # sends\nid = "solo"\nunits = ["opto", "valve-eq"]', "# sends", "insert[solo].sends", "missing", "Output channels"),
    "another version": Edit("printq-rig/1", "printq-rig/7", "rig/7", "format", "'printq-rig/7' is not possible", "'printq-rig/1'"),
    "number in quotes": Edit("rate = 48000", 'rate = "48000"', "48000", "interface.rate", "'48000' is not possible", "a whole number without quotes (Sample rate"),
    "text for a number": Edit("tail_s = 0.25", 'tail_s = "long"', "tail_s = \"long", "insert[solo].tail_s", "'long' is not possible", "a number (Seconds kept"),
    "fraction of a channel": Edit("sends = [1]", "sends = [1.0]", "1.0", "insert[solo].sends[0]", "1.0 is not possible", "a whole number (Output channels"),
    "number for a list": Edit("sends = [1]", "sends = 1", "sends = 1", "insert[solo].sends", "1 is not possible", "a list in [ ]"),
    "text for a flag": Edit("tail_s = 0.25", 'inverts = "no"', "inverts", "insert[solo].inverts", "'no' is not possible", "true or false"),
    "truth for a number": Edit("tail_s = 0.25", "tail_s = true", "true", "insert[solo].tail_s", "true is not possible", "a number"),
    "date for a position": Edit('fixed = "output"', "fixed = 1871-06-24", "1871", "unit[opto].control[meter].fixed", "1871-06-24 is not possible", "a number or a text in quotes"),
    "out of range": Edit("tail_s = 0.25", "tail_s = -1", "-1", "insert[solo].tail_s", "-1 is out of range", "0 or more"),
    "too high": Edit("tail_s = 0.25", "recover_s = 61", "61", "insert[solo].recover_s", "61 is out of range", "60 or less"),
    "not finite": Edit("tail_s = 0.25", "tail_s = inf", "inf", "insert[solo].tail_s", "inf is out of range", "a finite number"),
    "wrong choice": Edit('mode = "stereo"', 'mode = "wide"', '"wide"', "insert[reel].mode", "'wide' is not possible", "'dual-mono' or 'mid-side'"),
    "bad id": Edit('id = "opto"', 'id = "Opto 1"', "Opto 1", "unit[Opto 1].id", "'Opto 1' is no id", "lower-case letters, digits and hyphens"),
    "bad id of a control": Edit("mode = { drives", "Mode = { drives", "Mode =", "unit[opto].model.controls.Mode", "'Mode' is no id", "lower-case"),
    "range of one": Edit("range = [0, 100]", "range = [0]", "range = [0]", "unit[opto].control[reduction].range", "a list of 1 item", "two items"),
    "range of three": Edit("range = [0, 100]", "range = [0, 50, 100]", "50", "unit[opto].control[reduction].range", "a list of 3 items", "two items"),
    "three sends": Edit("sends = [2, 3]", "sends = [2, 3, 4]", "3, 4", "insert[reel].sends", "a list of 3 items", "at most 2"),
    "no units": Edit(UNITS, "units = []", "units = []", "insert[solo].units", "a list of 0 items", "at least 1 item (Units in signal order"),
    "trio of units": Edit(UNITS, 'units = [["opto", "valve-eq", "tape"]]', '[["opto"', "insert[solo].units[0]", "a list of 3 items", "two items"),
    "limit that is neither": Edit("tail_s = 0.25", 'limits = { hum = "of" }', "hum", "insert[solo].limits.hum", "'of' is not possible", "a table or 'off'"),
    "half a timing loop": Edit("full_scale_send_dbu = 20.0", "timing_loop = { send = 4 }", "timing_loop", "interface.timing_loop.return", "missing", "Input channel"),
}  # fmt: skip

RULES = {
    "duplicate unit": Edit('id = "valve-eq"', 'id = "opto" # again', "again", "unit[opto].id", "'opto' is used twice", "an id of its own"),
    "duplicate insert": Edit('id = "reel"', 'id = "solo" # again', "again", "insert[solo].id", "'solo' is used twice", "an id of its own"),
    "duplicate control": Edit('id = "mode"', 'id = "reduction" # again', "again", "unit[opto].control[reduction].id", "'reduction' is used twice", "of its own"),
    "ids differ in case": Edit('id = "reel"', 'id = "Solo"', "Solo", "insert[Solo].id", "differs from 'solo' in case only", "of its own"),
    "reserved word": Edit('id = "mode"', 'id = "patch"', '"patch"', "unit[opto].control[patch].id", "a meaning of its own", "another id"),
    "unknown unit": Edit(UNITS, 'units = ["optp", "valve-eq"]', "optp", "insert[solo].units[0]", "there is no unit 'optp'", "did you mean 'opto'?"),
    "a unit twice": Edit(UNITS, 'units = ["opto", "opto"]', "units = [\"opto", "insert[solo].units[1]", "on this insert twice", "once"),
    "pair on a mono insert": Edit(UNITS, 'units = [["opto", "valve-eq"]]', '[["opto', "insert[solo].units[0]", "a pair of units on a mono insert", "two-channel mode"),
    "mono unit on stereo": Edit('units = ["tape"]', 'units = ["opto"]', 'units = ["opto"]', "insert[reel].units[0]", "treats one channel", "a pair such as"),
    "reserved send": Edit("sends = [2, 3]", "sends = [2, 7]", "sends = [2, 7]", "insert[reel].sends[1]", "send 7 is reserved for monitors", "no loudspeaker"),
    "no such send": Edit("sends = [1]", "sends = [9]", "[9]", "insert[solo].sends[0]", "there is no send 9", "sends 1 to 8"),
    "no such return": Edit("returns = [1]", "returns = [0]", "[0]", "insert[solo].returns[0]", "there is no return 0", "returns 1 to 6"),
    "no such reserved send": Edit("[7, 8]", "[7, 18]", "18", "interface.reserved_sends[1]", "there is no send 18", "sends 1 to 8"),
    "one send too few": Edit("sends = [2, 3]", "sends = [2]", "sends = [2]", "insert[reel].sends", "1 channel on a stereo insert", "has 2 sends"),
    "one return too many": Edit("returns = [1]", "returns = [1, 4]", "[1, 4]", "insert[solo].returns", "2 channels on a mono insert", "has 1 return"),
    "same channel": Edit("returns = [2, 3]", "returns = [3, 3]", "[3, 3]", "insert[reel].returns", "channel 3 is there twice", "different"),
    "loop timing": Edit("tail_s = 0.25", 'timing = "loop"', "timing", "insert[solo].timing", "needs a timing loop", "run a cable from a free send"),
    "loop trim": Edit("tail_s = 0.25", 'trim = "loop"', "trim", "insert[solo].trim", "needs a timing loop", "run a cable from a free send"),
    "loop on an insert's send": Edit("full_scale_send_dbu = 20.0", "timing_loop = { send = 1, return = 6 }", "sends = [1]", "insert[solo].sends", "send 1 carries the timing loop", "another send"),
    "loop on a reserved send": Edit("full_scale_send_dbu = 20.0", "timing_loop = { send = 8, return = 6 }", "timing_loop", "interface.timing_loop.send", "send 8 is reserved", "another send"),
    "monitors not named": Edit('driver = "simulated"\nrate = 48000\nsends = 8\nreturns = 6\nreserved_sends = [7, 8]', 'driver = "portaudio"\nrate = 48000\nsends = 8\nreturns = 6', "[interface]", "interface.reserved_sends", "missing", "[] if there are none"),
    "knob without range": Edit('[[unit.control]]\nid = "reduction"\nlabel = "Peak reduction"\nkind = "knob"\nrange = [0, 100]', '[[unit.control]] # range\nid = "reduction"\nkind = "knob"', "# range", "unit[opto].control[reduction].range", "missing", "such as [0, 10]"),
    "knob with positions": Edit("range = [0, 100]", "range = [0, 100]\npositions = [0, 50]", "50", "unit[opto].control[reduction].positions", "not positions", "stepped"),
    "switch with a range": Edit(SWITCH, f"{SWITCH}\nrange = [0, 1]", "[0, 1]", "unit[opto].control[mode].range", "a switch has positions, not a range", "positions"),
    "switch without positions": Edit(f'[[unit.control]]\nid = "mode"\nkind = "switch"\n{SWITCH}', '[[unit.control]] # positions\nid = "mode"\nkind = "switch"', "# positions", "unit[opto].control[mode].positions", "missing", "in panel order"),
    "position twice": Edit(STEPS, "positions = [30, 60, 30]", "30, 60, 30", "unit[valve-eq].control[low-hz].positions", "there twice", "once"),
    "range upside down": Edit("range = [0, 100]", "range = [100, 0]", "[100, 0]", "unit[opto].control[reduction].range", "100 is not below 0", "lowest position first"),
    "clock in numbers": Edit(RANGE, "range = [7, 5]", "[7, 5]", "unit[valve-eq].control[width].range", "a clock scale in numbers", '["7:00", "5:00"]'),
    "times without clock": Edit('measure = "clock"\n', "", RANGE, "unit[valve-eq].control[width].range", "a range in texts", 'measure = "clock"'),
    "no time": Edit(RANGE, 'range = ["7:00", "17:00"]', "17:00", "unit[valve-eq].control[width].range", "'17:00' is no clock position", "hours and minutes"),
    "fixed where it cannot be": Edit('fixed = "output"', 'fixed = "gain"', "fixed", "unit[opto].control[meter].fixed", "'gain' is not a position of meter", "'reduction', 'output'"),
    "warn above fail": Edit("tail_s = 0.25", "limits = { hum = { warn = -50, fail = -60 } }", "hum", "insert[solo].limits.hum", "warns at -50 only after it has failed at -60", "the lower one"),
}  # fmt: skip

MODELS = {
    "unknown kind": Edit('kind = "tape-saturation"', 'kind = "tape-saturatio"', '"tape-saturatio"', "unit[tape].model.kind", "there is no processor 'tape-saturatio'", "did you mean 'tape-saturation'?"),
    "unknown control": Edit(DRIVE, "mod = { drives", "mod =", "unit[opto].model.controls.mod", "opto has no control 'mod'", "did you mean 'mode'?"),
    "unknown parameter": Edit('drives = "ratio"', 'drives = "ration"', '"ration"', "unit[opto].model.controls.mode.drives", "no parameter 'ration'", "did you mean 'ratio'?"),
    "unknown parameter of a preset": Edit("speed_cm_s", "speed_cms", "speed", "unit[tape].model.presets.reed warmth.speed_cms", "no parameter 'speed_cms'", "'speed_cm_s'"),
    "value out of range": Edit("low = 10.0", "low = 1000", "low = 1000", "unit[opto].model.controls.reduction.low", "1000 is out of range of threshold_db", " to "),
    "values out of range": Edit("[3.0, 10.0]", "[3.0, -10]", "-10]", "unit[opto].model.controls.mode.values[1]", "-10 is out of range of ratio", " to "),
    "one value too few": Edit("[3.0, 10.0]", "[3.0]", "[3.0]", "unit[opto].model.controls.mode.values", "differ in number: 2, 1", "one value for each"),
    "low without high": Edit(", high = -40.0", "", "low = 10.0", "unit[opto].model.controls.reduction", "low and high go together", "both, or neither"),
    "log through zero": Edit("high = -40.0", 'high = -40.0, curve = "log"', "curve", "unit[opto].model.controls.reduction.curve", "above 0", "linear"),
    "texts drive nothing": Edit(", values = [3.0, 10.0]", "", DRIVE, "unit[opto].model.controls.mode", "the positions of mode are no numbers", "low and high, or values"),
    "positions out of range": Edit(", low = 10.0, high = -40.0", "", 'drives = "threshold_db"', "unit[opto].model.controls.reduction", "100 is out of range of threshold_db", " to "),
    "values for a knob": Edit("low = 10.0, high = -40.0", "values = [1, 2]", "[1, 2]", "unit[opto].model.controls.reduction.values", "a knob has no list of positions", "low and high"),
    "presets by hand": Edit('recall = "preset"\n', "", "[unit.model.presets]", "unit[tape].model.presets", "set by hand", 'recall = "preset"'),
}  # fmt: skip


@pytest.mark.parametrize("edit", edits({**KEYS, **RULES, **MODELS}))
def test_a_mistake_in_a_rig_is_reported_where_it_stands(edit: Edit, session: SmallSession) -> None:
    session.replace("rig.toml", edit.old, edit.new)
    report = check_job(session.folder)
    assert report.job is None
    assert any(matches(problem, session, "rig.toml", edit) for problem in report.problems), report.problems


# What is named elsewhere under its right id is missed there, and that is said as well.
@pytest.mark.parametrize("edit", edits({name: edit for name, edit in KEYS.items() if not name.startswith("bad id")}))
def test_nothing_is_reported_that_only_follows_from_a_wrong_value(edit: Edit, session: SmallSession) -> None:
    session.replace("rig.toml", edit.old, edit.new)
    errors = [problem for problem in check_job(session.folder).problems if problem.severity == "error"]
    assert [error.key for error in errors] == [edit.key]
