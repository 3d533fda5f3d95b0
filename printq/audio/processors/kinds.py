"""The kinds of processors and their parameters: a table, light to import."""

from __future__ import annotations

from dataclasses import dataclass

from printq.audio.processors.base import Parameter

__all__ = ["KINDS", "KindInfo"]


@dataclass(frozen=True)
class KindInfo:
    """One kind of processor."""

    description: str
    module: str
    class_name: str
    parameters: tuple[Parameter, ...]


def _gain(name: str, meaning: str, low: float = -18.0, high: float = 18.0) -> Parameter:
    return Parameter(name, 0.0, low, high, "dB", meaning)


_LINK = Parameter("link", 1.0, 0.0, 1.0, "", "1: the louder side drives both; 0: each side for itself")

KINDS: dict[str, KindInfo] = {
    "wire": KindInfo("Nothing: what goes in comes out", "wire", "Wire", ()),
    "parametric-equaliser": KindInfo(
        "High-pass, low shelf, two bells and high shelf; a band at 0 dB is not there at all",
        "equaliser",
        "ParametricEqualiser",
        (
            Parameter("high_pass_hz", 0.0, 0.0, 500.0, "Hz", "12 dB an octave high-pass; 0 is off"),
            _gain("low_db", "gain of the low shelf"),
            Parameter("low_hz", 100.0, 20.0, 1000.0, "Hz", "frequency of the low shelf"),
            _gain("bell1_db", "gain of the first bell"),
            Parameter("bell1_hz", 500.0, 30.0, 20_000.0, "Hz", "frequency of the first bell"),
            Parameter("bell1_q", 1.0, 0.1, 10.0, "", "quality of the first bell"),
            _gain("bell2_db", "gain of the second bell"),
            Parameter("bell2_hz", 3000.0, 30.0, 20_000.0, "Hz", "frequency of the second bell"),
            Parameter("bell2_q", 1.0, 0.1, 10.0, "", "quality of the second bell"),
            _gain("high_db", "gain of the high shelf"),
            Parameter("high_hz", 8000.0, 1000.0, 20_000.0, "Hz", "frequency of the high shelf"),
            _gain("output_db", "gain after everything"),
        ),
    ),
    "vca-compressor": KindInfo(
        "Feed-forward compressor with a peak detector and a soft knee",
        "dynamics",
        "VcaCompressor",
        (
            Parameter("threshold_db", -18.0, -60.0, 12.0, "dBFS", "level above which it compresses"),
            Parameter("ratio", 2.0, 1.0, 20.0, "", "input over output change above the threshold"),
            Parameter("attack_ms", 10.0, 0.1, 200.0, "ms", "time constant of the gain on its way down"),
            Parameter("release_ms", 150.0, 5.0, 3000.0, "ms", "time constant of the gain on its way back"),
            Parameter("knee_db", 6.0, 0.0, 24.0, "dB", "width of the bend around the threshold"),
            _gain("makeup_db", "gain after compression", -24.0, 24.0),
            Parameter("mix", 1.0, 0.0, 1.0, "", "share of the compressed signal"),
            _LINK,
        ),
    ),
    "opto-compressor": KindInfo(
        "Slow, smooth compressor with a two-stage release that gets slower the longer it has worked",
        "dynamics",
        "OptoCompressor",
        (
            Parameter("threshold_db", -20.0, -60.0, 12.0, "dBFS", "level above which it compresses"),
            Parameter("ratio", 3.0, 1.0, 20.0, "", "input over output change above the threshold"),
            Parameter("attack_ms", 10.0, 1.0, 200.0, "ms", "time constant of the cell on its way down"),
            Parameter("release_ms", 60.0, 20.0, 500.0, "ms", "time in which about half of the reduction goes"),
            Parameter("tail_s", 5.0, 0.5, 10.0, "s", "time constant of the rest after long work; a tenth after short"),
            _gain("makeup_db", "gain after compression", -24.0, 24.0),
            _LINK,
        ),
    ),
    "transient-shaper": KindInfo(
        "Lifts or softens attacks and sustain, whatever their level",
        "dynamics",
        "TransientShaper",
        (
            _gain("attack_db", "most gain on attacks", -12.0, 12.0),
            _gain("sustain_db", "most gain on what follows them", -12.0, 12.0),
            _gain("output_db", "gain after everything"),
        ),
    ),
    "gate": KindInfo(
        "Turns down what is below its threshold",
        "dynamics",
        "Gate",
        (
            Parameter("threshold_db", -50.0, -90.0, 0.0, "dBFS", "level below which it closes"),
            Parameter("range_db", 40.0, 0.0, 90.0, "dB", "how far it closes"),
            Parameter("attack_ms", 1.0, 0.1, 50.0, "ms", "time constant of opening"),
            Parameter("hold_ms", 50.0, 0.0, 1000.0, "ms", "time it stays open after the level has fallen"),
            Parameter("release_ms", 150.0, 5.0, 3000.0, "ms", "time constant of closing"),
            _LINK,
        ),
    ),
    "valve-saturation": KindInfo(
        "Asymmetric soft clipping of a valve stage, free of DC",
        "saturation",
        "ValveSaturation",
        (
            Parameter("drive_db", 0.0, 0.0, 30.0, "dB", "how far the signal is pushed into the bend; 0 is clean"),
            Parameter("bias", 0.2, 0.0, 0.8, "", "asymmetry: more even harmonics"),
            Parameter("tone_hz", 0.0, 0.0, 20_000.0, "Hz", "6 dB an octave roll-off above; 0 is none"),
            _gain("output_db", "gain after the stage"),
        ),
    ),
    "tape-saturation": KindInfo(
        "Symmetric soft clipping with a head bump and a loss of treble that depend on tape speed",
        "saturation",
        "TapeSaturation",
        (
            Parameter("drive_db", 0.0, 0.0, 24.0, "dB", "how far the signal is pushed into the bend; 0 is clean"),
            Parameter("speed_cm_s", 38.1, 19.05, 76.2, "cm/s", "tape speed: slower is darker, its bump lower"),
            Parameter("bump_db", 1.5, 0.0, 4.0, "dB", "height of the head bump, at 60 Hz for 38.1 cm/s"),
            Parameter("loss", 1.0, 0.0, 1.0, "", "loss of treble: 0 none, 1 all that the speed brings"),
            _gain("output_db", "gain after the tape"),
        ),
    ),
    "spring-reverb": KindInfo(
        "Springs: dispersed echoes that decay",
        "reverb",
        "SpringReverb",
        (
            Parameter("decay_s", 2.0, 0.3, 6.0, "s", "time to fall by 60 dB"),
            Parameter("mix", 0.3, 0.0, 1.0, "", "share of the springs"),
            Parameter("tone_hz", 4000.0, 1000.0, 10_000.0, "Hz", "springs carry little above this"),
            Parameter("dispersion", 0.8, 0.0, 1.0, "", "how much later treble arrives than bass: the chirp"),
        ),
    ),
    "echo": KindInfo(
        "A delay with feedback",
        "reverb",
        "Echo",
        (
            Parameter("time_ms", 300.0, 5.0, 2000.0, "ms", "delay of the first repeat"),
            Parameter("feedback", 0.3, 0.0, 0.9, "", "share of each repeat that goes round again"),
            Parameter("mix", 0.3, 0.0, 1.0, "", "share of the repeats"),
            Parameter("tone_hz", 4000.0, 500.0, 16_000.0, "Hz", "repeats lose what is above this"),
        ),
    ),
}
"""Kind to what it is."""
