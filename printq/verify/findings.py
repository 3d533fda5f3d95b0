"""Likely cause and remedy of each check's verdict, in the words of the trade.

One table, so that every sentence an engineer may read at two in the morning can be read here first.
"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["FINDINGS", "Finding"]


class Finding(NamedTuple):
    """What probably happened, and what to do."""

    cause: str
    remedy: str


FINDINGS: dict[str, Finding] = {
    "send.hot": Finding(
        "the stem peaks between its samples over full scale: the converter may overload on its way out",
        "lower send_db by the excess and raise return_db by the same amount",
    ),
    "send.over": Finding(
        "the stem with its gains goes over full scale: it would be clipped before it reaches the unit",
        "lower send_db (or the gains of the sum) and make it up with return_db",
    ),
    "send.unit": Finding(
        "the stem with its gains is hotter than the unit takes at its input",
        "lower send_db, or correct max_in_dbu and full_scale_send_dbu in the rig file",
    ),
    "length": Finding(
        "the take ended before the last frame of stem and tail came back",
        "print it again; if it repeats, look for a driver that stops early or a latency over half a second",
    ),
    "slip": Finding(
        "samples were lost or repeated during the take, or two clocks are running",
        "print it again with a larger block; make the interface its own clock, or lock both to one word clock",
    ),
    "slip.drift": Finding(
        "two clocks are running: the delay grew evenly from the beginning to the end",
        "make the interface its own clock, or lock everything digital in the path to one word clock; print it again",
    ),
    "slip.unseen": Finding(
        "the tail marker did not come back, so nobody can say whether samples were lost",
        'look whether a gate closes on it or a tail covers it (longer gap_s), or use timing = "loop"',
    ),
    "latency": Finding(
        "this take came back at another delay than the others of its insert since the stream started",
        "look for a unit that switched its own processing or look-ahead, or a driver that changed its buffers",
    ),
    "latency.unseen": Finding(
        "no marker could be found in what came back, so the delay is unknown",
        'look at the cables and the unit\'s bypass; for gates, long delays and tape use timing = "loop"',
    ),
    "latency.material": Finding(
        "the stem cannot be told clearly in what came back, so the delay of the path is unknown",
        "for echoes and reverbs set trim = \"loop\": the converters' part is trimmed and the unit's own delay stays",
    ),
    "latency.own": Finding(
        "the unit itself delays what is loudest in its return, and the print is trimmed by all of it",
        'right for a tape machine; for an echo set trim = "loop", so that its own delay stays in the print',
    ),
    "clip": Finding(
        "the return reached the converter's full scale: its tops are cut off",
        "turn down the unit's output or the return's input gain, and print it again",
    ),
    "clip.below": Finding(
        "the tops are cut off below full scale: a stage on the way, or the converter's input, is overloaded",
        "turn down what drives it (send_db, the unit's input or output); a control that is meant to saturate says so "
        'in the rig with acts_on = "drive"',
    ),
    "sample_peak.near": Finding(
        "peaks come close to full scale",
        "turn down the unit's output a little, or return_db if only the print is hot",
    ),
    "sample_peak": Finding(
        "the print would go over full scale",
        "lower return_db, or turn down the unit's output; 32-bit float keeps what 24 bits would cut",
    ),
    "true_peak.near": Finding(
        "peaks between the samples come close to full scale",
        "turn down the unit's output a little, or return_db if only the print is hot",
    ),
    "true_peak": Finding(
        "peaks between the samples go over full scale: a converter or codec further on may clip",
        "turn down the unit's output or return_db by the excess, and print it again",
    ),
    "loudness": Finding(
        "the unit makes the stem louder or softer than the job allows",
        "set the unit's output (make-up) so that bypass and effect are equally loud, or widen the limit",
    ),
    "noise": Finding(
        "the unit or its wiring is noisy with nothing playing",
        "look for a gain too high after the unit, a unit that is still cold, or an unbalanced run of cable",
    ),
    "hum": Finding(
        "the mains are in the return: an earth loop, or a cable beside a transformer",
        "lift the loop with a balanced or transformer connection, move the cable; never lift a safety earth",
    ),
    "dc": Finding(
        "the return has an offset that the stem does not have",
        "look for a failing coupling capacitor or a converter without its high-pass filter",
    ),
    "polarity": Finding(
        "the return is upside down against the stem: a cable wired pin 3 hot, or a unit that inverts",
        "swap the cable, or set inverts = true for the insert if the unit is meant to do it",
    ),
    "polarity.mixed": Finding(
        "some bands come back upright and others upside down: a filter on the way turns the phase",
        "right for an all-pass, a phase rotator or a steep high-pass; otherwise look at the unit and its cables, and "
        "listen to print and stem together",
    ),
    "polarity.unseen": Finding(
        "the stem cannot be told clearly in what came back, so its sign is unknown",
        "listen to print and stem together; where the unit changes the sound that much, the sign means little",
    ),
    "balance": Finding(
        "left and right come back at different levels",
        "match the two sides of the unit, or look for a bad contact on the quieter one",
    ),
    "level": Finding(
        "the level at the end differs from the level at the beginning",
        "look for a loose plug or a unit that is still warming up; print it again when it is steady",
    ),
    "silent": Finding(
        "what came back is no more than noise while the stem was playing",
        "look at power, cables and patch: is the unit on, is the right return plugged, is a gate closed?",
    ),
    "dropout.gap": Finding(
        "for a moment nothing came back: a loose contact, or a buffer that was lost",
        "listen there; wiggle plugs and switches of this path, or use a larger block, and print it again",
    ),
    "dropout.jump": Finding(
        "samples were lost in the middle of the music: the driver or the computer was too slow",
        "print it again with a larger block; close other programs, and look at the clock of the interface",
    ),
    "dropout.repeat": Finding(
        "samples were heard twice in the middle of the music: the driver or the computer was too slow",
        "print it again with a larger block; close other programs, and look at the clock of the interface",
    ),
    "dropout.tick": Finding(
        "a click that the stem does not have: a bad contact, static, a switch nearby, or a digital clock out of step",
        "listen there; look at plugs, at what switches on the same mains, and at the clock, and print it again",
    ),
    "bypassed": Finding(
        "what came back is the stem itself but for level and delay: the unit is out of circuit, or stands at neutral",
        "look at the bypass switch and at the patch; if every control stands at neutral this is right",
    ),
    "channels.dead": Finding(
        "one side does not come back, although the other does",
        "look at the cables and the patch of that side, and whether both sides of the unit are on",
    ),
    "channels.crossed": Finding(
        "left comes back on the right and right on the left: two cables have changed places",
        "swap the two returns, or the two sends, or correct their order in the rig file",
    ),
    "channels.crossed-mid-side": Finding(
        "the middle comes back as the sides and the sides as the middle: two cables have changed places",
        "swap the two returns, or the two sends, or correct their order in the rig file",
    ),
    "channels.same": Finding(
        "both returns carry the same, although the two sides of the stem differ",
        "look for a mono switch, a Y cable, one output plugged into both returns, or one send feeding both inputs",
    ),
    "channels": Finding(
        "left and right come back at different times",
        "look whether the two sides go through different converters, or one through a digital unit",
    ),
    "warm_up": Finding(
        "a unit had not been on for its warm-up time when the take began: its sound may still drift",
        "print it again when it is warm, if it matters; let cold units be the last ones",
    ),
    "drift": Finding(
        "the pass does not come out as it did before: more differs than noise explains",
        "look whether a control was touched or the unit is still warming up; a tape never repeats itself exactly",
    ),
    "drift.level": Finding(
        "the pass came out at another level than before",
        "look whether an output control was touched, or the unit is still warming up; print it again when it is steady",
    ),
    "drift.band": Finding(
        "the pass differs from before in one range of frequencies, far more than elsewhere",
        "look at the equaliser or filter that works there: a control stands otherwise, or a contact is bad",
    ),
    "drift.moment": Finding(
        "the pass is as before but for one moment, which differs far more than the rest",
        "listen there: a crackle, a bump of a bad contact or a burst from outside; use the other take, or print again",
    ),
}
"""By check, or check and kind of trouble."""
