"""rig.toml: the interface, its channels, the units and how they are wired."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from printq.models.base import Flag, Id, Number, Record, Whole
from printq.models.limits import Limits

__all__ = [
    "ChannelMode",
    "Control",
    "ControlDrive",
    "Fault",
    "Insert",
    "Interface",
    "Position",
    "Rig",
    "Simulation",
    "TimingLoop",
    "Unit",
    "UnitModel",
]

Position = Number | str
"""Where a control stands: a number on its scale, or the name of a position (`"7:30"` on a clock scale)."""

ChannelMode = Literal["mono", "stereo", "dual-mono", "mid-side"]

DIAL_SECONDS = {"knob": 6.0, "stepped": 3.0, "switch": 2.0}


class TimingLoop(Record):
    """A cable from a send straight to a return, for `timing = "loop"`."""

    send: Whole = Field(ge=1)
    """Output channel of the cable, counted from 1."""
    return_: Whole = Field(ge=1, alias="return")
    """Input channel of the cable, counted from 1."""


class Fault(Record):
    """Something that goes wrong in a simulated take, for rehearsals and tests."""

    kind: Literal["glitch", "slip", "repeat", "dead", "inverted", "gain", "clip", "noise", "hum", "dc", "cut"]
    """What happens: see docs/reference/rig-file.md for each kind and what `amount` means for it."""
    pass_: str = Field(alias="pass")
    """The pass it happens to, as `stem/insert`."""
    take: Whole | None = Field(default=None, ge=1)
    """Which take of the pass, counted from 1; left out, every take."""
    at_s: Number = Field(default=2.0, ge=0)
    """When in the take it happens, in seconds; kinds that last for the whole take ignore it."""
    amount: Number | None = None
    """How much: samples (slip, repeat), dBFS (noise, hum, dc), dB (gain), full scale (clip), seconds (cut)."""


class Simulation(Record):
    """How the simulated interface behaves; every key is optional."""

    seed: Whole = Field(default=1, ge=0)
    """Start value of all chance: the same seed gives the same rack, sample for sample."""
    latency_samples: Number = Field(default=187.37, ge=0, le=20_000)
    """Delay from a send to a return, in samples; fractions allowed."""
    restart_jitter_samples: Whole = Field(default=64, ge=0, le=4096)
    """Each start of the stream adds a whole number of samples from 0 to this."""
    noise_dbfs: Number | None = -105.0
    """Noise of the converters at a return, dBFS RMS; `-400` or less is none."""
    crosstalk_db: Number | None = Field(default=None, le=0)
    """Level at which every return hears the others; left out, none."""
    clock_offset_ppm: Number = Field(default=0.0, ge=-1000, le=1000)
    """How far the clock of the inputs is off the clock of the outputs; one interface has 0."""
    fault: list[Fault] = []
    """Faults to rehearse."""


class Interface(Record):
    """The multichannel audio interface."""

    driver: Literal["portaudio", "simulated"]
    """`"portaudio"` for a real interface, `"simulated"` for the rack in software."""
    device: str | None = None
    """Unique part of the device's name, or its index as text (portaudio only)."""
    rate: Whole = Field(ge=8_000, le=384_000)
    """Sample rate in Hz; stems must have the same."""
    block: Whole = Field(default=0, ge=0, le=65_536)
    """Frames a callback; 0 lets the driver choose."""
    sends: Whole = Field(ge=1, le=256)
    """Number of output channels that exist."""
    returns: Whole = Field(ge=1, le=256)
    """Number of input channels that exist."""
    reserved_sends: list[Whole] | None = None
    """Outputs that feed monitors or headphones: nothing is ever played there. Required with portaudio."""
    full_scale_send_dbu: Number | None = None
    """Analog level of a send at 0 dBFS, in dBu."""
    full_scale_return_dbu: Number | None = None
    """Analog level of a return at 0 dBFS, in dBu."""
    mains_hz: Literal[50, 60] = 50
    """Frequency of the mains, for the hum check."""
    clock: str | None = None
    """A note on what clocks the interface, kept in every sidecar."""
    timing_loop: TimingLoop | None = None
    """A cable from a send straight to a return, needed by `timing = "loop"` and `trim = "loop"`."""
    simulation: Simulation | None = None
    """Behaviour of the simulated interface (`driver = "simulated"` only)."""


class Control(Record):
    """A knob, a stepped knob or a switch of a unit."""

    id: Id
    """Name of the control in snapshots."""
    label: str | None = None
    """As on the front panel; the id where left out."""
    kind: Literal["knob", "stepped", "switch"]
    """What it is: a continuous knob, a stepped knob, or a switch."""
    range: tuple[Position, Position] | None = None
    """Lowest and highest position of a knob; with `measure = "clock"` times such as `"7:00"` and `"5:00"`."""
    positions: list[Position] | None = None
    """Every position of a stepped knob or switch, in panel order."""
    measure: str = ""
    """What the scale is in (`"dB"`, `"%"`, `"Hz"`, `"clock"`); may be empty."""
    dial_s: Number | None = Field(default=None, ge=0)
    """Seconds to set it; defaults: knob 6, stepped 3, switch 2."""
    acts_on: (
        Literal["gain", "frequency", "bandwidth", "threshold", "ratio", "attack", "release", "drive", "mix", "output"]
        | None
    ) = None
    """What it does to the sound; lets a check know that the level may depend on the signal."""
    fixed: Position | None = None
    """A position that is never moved: part of the unit as wired, exempt from snapshots."""

    @property
    def name(self) -> str:
        """What to call it in front of a person."""
        return self.label or self.id

    @property
    def seconds_to_set(self) -> float:
        """Time a person needs to set it, in seconds."""
        return self.dial_s if self.dial_s is not None else DIAL_SECONDS[self.kind]


class ControlDrive(Record):
    """How a control of a simulated unit drives one parameter of its model.

    Without `low`, `high` or `values` the position itself is the parameter's value.
    """

    drives: str
    """Parameter of the model, e.g. `threshold_db`."""
    low: Number | None = None
    """Parameter value at the lowest position of a knob."""
    high: Number | None = None
    """Parameter value at the highest position of a knob."""
    curve: Literal["linear", "log"] = "linear"
    """How the parameter moves between `low` and `high`."""
    values: list[Number] | None = None
    """Parameter value at each position of a stepped knob or switch, in their order."""


class UnitModel(Record):
    """The processor that stands in for a unit on the simulated rack."""

    kind: str
    """Which kind of processor: see docs/reference/unit-models.md."""
    parameters: dict[str, Number] = {}
    """Parameters that no control drives."""
    controls: dict[Id, ControlDrive] = {}
    """Which control drives which parameter."""
    presets: dict[str, dict[str, Number]] = {}
    """Parameter values of each stored preset (units with `recall = "preset"`)."""


class Unit(Record):
    """One processor, or one side of a two-channel one that is wired as two."""

    id: Id
    """Name of the unit in inserts and snapshots."""
    label: str | None = None
    """As people call it; the id where left out."""
    serial: str | None = None
    """Serial number or inventory tag, for the notes of a print."""
    channels: Literal[1, 2] = 1
    """How many signals it treats at once."""
    recall: Literal["hands", "preset"] = "hands"
    """`"hands"`: turned by a person; `"preset"`: its own software loads a stored preset."""
    preset_s: Number = Field(default=5.0, ge=0)
    """Seconds to load a preset, where `recall = "preset"`."""
    warm_up_min: Number | None = Field(default=None, ge=0)
    """Minutes from switching on until it is stable."""
    max_in_dbu: Number | None = None
    """Highest level it takes, in dBu; needs the interface's `full_scale_send_dbu`."""
    control: list[Control] = []
    """Its controls in panel order."""
    model: UnitModel | None = None
    """Stand-in on the simulated rack; a unit without one is a wire."""

    @property
    def name(self) -> str:
        """What to call it in front of a person."""
        return self.label or self.id

    def find_control(self, control_id: str) -> Control | None:
        """The control of that id, or None."""
        return next((control for control in self.control if control.id == control_id), None)


class Insert(Record):
    """A path: one or more units in series between sends and returns."""

    id: Id
    """Name of the insert; part of every print's name."""
    label: str | None = None
    """As people call it; the id where left out."""
    units: list[Id | tuple[Id, Id]] = Field(min_length=1)
    """Units in signal order; a pair as an element means side 1 and side 2."""
    mode: ChannelMode = "mono"
    """How channels are carried: mono, stereo (linked), dual-mono, or mid-side."""
    sends: list[Whole] = Field(min_length=1, max_length=2)
    """Output channels, counted from 1."""
    returns: list[Whole] = Field(min_length=1, max_length=2)
    """Input channels, counted from 1."""
    tail_s: Number = Field(default=0.5, ge=0, le=3600)
    """Seconds kept after the stem ends."""
    patch_s: Number = Field(default=0.0, ge=0)
    """Seconds to re-plug, where this insert shares a unit with another."""
    recover_s: Number = Field(default=0.0, ge=0, le=60)
    """Added to the gaps; opto and valve compressors need 3 to 5 s after a marker."""
    marker_dbfs: Number = Field(default=-30.0, ge=-80, le=-6)
    """Peak level of the markers."""
    timing: Literal["markers", "loop", "material"] = "markers"
    """How the delay is measured: markers through the path, markers on the timing loop, or the stem itself."""
    trim: Literal["path", "loop"] = "path"
    """What is trimmed: the whole delay, or the converters' part only, so that a unit's own delay stays."""
    inverts: Flag = False
    """A known inversion, undone in the print, on the record."""
    limits: Limits | None = None
    """Limits for every pass through this insert."""

    @property
    def name(self) -> str:
        """What to call it in front of a person."""
        return self.label or self.id

    @property
    def channels(self) -> int:
        """Channels on the wire, and of the print: 1 for mono, else 2."""
        return 1 if self.mode == "mono" else 2

    @property
    def uses_timing_loop(self) -> bool:
        """Whether its takes carry markers on the rig's timing loop."""
        return "loop" in (self.timing, self.trim)

    def each_unit(self) -> Iterator[str]:
        """Ids of its units in signal order, the sides of a pair one after the other."""
        for element in self.units:
            if isinstance(element, str):
                yield element
            else:
                yield from element


class Rig(Record):
    """The interface, the units and the inserts of a rack."""

    format: Literal["printq-rig/1"]
    """Name and version of this format."""
    name: str = ""
    """What the rack is called."""
    interface: Interface
    """The audio interface."""
    unit: list[Unit] = []
    """The processors."""
    insert: list[Insert] = []
    """The paths through them."""

    def find_unit(self, unit_id: str) -> Unit | None:
        """The unit of that id, or None."""
        return next((unit for unit in self.unit if unit.id == unit_id), None)

    def find_insert(self, insert_id: str) -> Insert | None:
        """The insert of that id, or None."""
        return next((insert for insert in self.insert if insert.id == insert_id), None)

    def units_of(self, insert: Insert) -> list[Unit]:
        """The units of an insert in signal order; ids that do not exist are left out."""
        return [unit for name in insert.each_unit() if (unit := self.find_unit(name)) is not None]
