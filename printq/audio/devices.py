"""The interfaces of this machine, as PortAudio lists them.

PortAudio looks at the machine once, when its library is loaded, and keeps that list for the life of the process. It
shows the JACK host API only while a server runs; which server, JACK_DEFAULT_SERVER says.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from printq.errors import RigError

__all__ = ["Device", "describe_devices", "find_device", "list_devices", "load_sounddevice", "text_for_rig"]


@dataclass(frozen=True)
class Device:
    """One interface."""

    index: int
    name: str
    host_api: str
    """The way of the operating system that leads to it; one interface is often listed under several."""
    inputs: int
    outputs: int
    default_rate: float
    """Hz."""

    @property
    def full_duplex(self) -> bool:
        """Whether it plays and records, as a rack needs."""
        return self.inputs > 0 and self.outputs > 0

    @property
    def full_name(self) -> str:
        """Its name and its host API."""
        return f"{self.name}, {self.host_api}"


def load_sounddevice() -> Any:
    """The module that talks to PortAudio.

    Raises RigError where it or PortAudio itself is missing, saying what to install.
    """
    if sys.platform == "win32":
        # Its Windows package carries a second PortAudio with ASIO, and chooses by this variable.
        os.environ.setdefault("SD_ENABLE_ASIO", "1")
    try:
        import sounddevice
    except ImportError as error:
        raise RigError(
            "the Python package sounddevice is missing; `pip install sounddevice`, then try again"
        ) from error
    except OSError as error:
        raise RigError(
            f"PortAudio is not installed ({error}); on Debian and Ubuntu `sudo apt install libportaudio2`, elsewhere "
            "`pip install --force-reinstall sounddevice`, then try again"
        ) from error
    except Exception as error:  # its import starts PortAudio, which has an error of its own
        raise RigError(f"PortAudio does not start ({error}); restart the sound system and try again") from error
    return sounddevice


def list_devices() -> list[Device]:
    """All interfaces in PortAudio's order.

    Raises RigError where PortAudio is missing.
    """
    sounddevice = load_sounddevice()
    try:
        names = [str(api["name"]) for api in sounddevice.query_hostapis()]
        found = list(sounddevice.query_devices())
    except sounddevice.PortAudioError as error:
        raise RigError(f"PortAudio cannot list the interfaces ({error}); restart the sound system") from error
    return [
        Device(
            index=index,
            name=str(facts["name"]),
            host_api=names[facts["hostapi"]],
            inputs=int(facts["max_input_channels"]),
            outputs=int(facts["max_output_channels"]),
            default_rate=float(facts["default_samplerate"]),
        )
        for index, facts in enumerate(found)
    ]


def find_device(text: str, devices: Sequence[Device]) -> Device:
    """The interface that `device` in a rig file means: an index, a whole name, or a unique part of one.

    A name may be followed by its host API (`rack, JACK`). Where several fit and only one of them plays and records, it
    is that one.

    Raises
    ------
    RigError
        None fits, several do, or the one that does cannot play and record at once. Lists what there is.
    """
    wanted = text.strip().casefold()
    if not wanted:
        raise RigError(f"the rig file names no device; write a part of one's name. {describe_devices(devices)}")
    if wanted.isdecimal():
        fitting = [device for device in devices if device.index == int(wanted)]
    else:
        fitting = [device for device in devices if wanted in (device.name.casefold(), device.full_name.casefold())]
        fitting = fitting or [device for device in devices if wanted in device.full_name.casefold()]
    able = [device for device in fitting if device.full_duplex]
    if len(able) == 1:
        return able[0]
    if able:
        raise RigError(f"device {text!r} fits {len(able)} interfaces; write more of its name. {describe_devices(able)}")
    if fitting:
        raise RigError(
            f"device {text!r} does not play and record at once; choose a driver that offers both sides as one "
            f"interface, or join them in the system's settings. {describe_devices(devices)}"
        )
    raise RigError(f"there is no device {text!r}; is it switched on and connected? {describe_devices(devices)}")


def describe_devices(devices: Sequence[Device]) -> str:
    """What there is, in one sentence for an error."""
    if not devices:
        return "There is no interface at all"
    listed = "; ".join(
        f"{device.index}: {device.name} ({device.host_api}, {device.inputs} in, {device.outputs} out)"
        for device in devices
    )
    return f"There is {listed}"


def text_for_rig(device: Device, devices: Sequence[Device]) -> str:
    """What to write as `device` so that this one is meant: its name, its name and host API, or its index."""
    for text in (device.name, device.full_name):
        try:
            if find_device(text, devices) == device:
                return text
        except RigError:
            continue
    return str(device.index)
