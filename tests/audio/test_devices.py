"""Interfaces: which one a rig file means, what to write there, and how they are listed."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator

import pytest
import typer
from typer.testing import CliRunner

from printq.audio import devices as module
from printq.audio.devices import Device, find_device, list_devices, text_for_rig
from printq.audio.hardware import HardwarePort
from printq.cli.devices import devices as command
from printq.errors import ExitStatus, RigError
from printq.models.rig import Interface

BUILT_IN = Device(0, "Built-in Output", "Core Audio", 0, 2, 44_100.0)
RACK = Device(1, "Rack 16", "Core Audio", 16, 16, 48_000.0)
RACK_BIG = Device(2, "Rack 16 XL", "Core Audio", 24, 24, 96_000.0)
SPLIT_IN = Device(3, "Line (Desk)", "MME", 8, 0, 48_000.0)
SPLIT_OUT = Device(4, "Line (Desk)", "MME", 0, 8, 48_000.0)
DESK = Device(5, "Line (Desk)", "ASIO", 8, 8, 48_000.0)
ALL = [BUILT_IN, RACK, RACK_BIG, SPLIT_IN, SPLIT_OUT, DESK]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("1", RACK),
        ("rack 16", RACK),
        (" Rack 16 ", RACK),
        ("16 xl", RACK_BIG),
        ("desk", DESK),
        ("line (desk), asio", DESK),
        ("Rack 16, Core", RACK),
    ],
)
def test_an_index_a_whole_name_or_a_unique_part_means_a_device(text: str, found: Device) -> None:
    assert find_device(text, ALL) == found


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("rack", r"fits 2 interfaces.*1: Rack 16 \(Core Audio, 16 in, 16 out\); 2: Rack 16 XL"),
        ("studio", r"no device 'studio'.*0: Built-in Output \(Core Audio, 0 in, 2 out\).*5: Line"),
        ("6", "no device '6'"),
        ("built-in", "does not play and record at once"),
        ("3", "does not play and record at once"),
        ("", "names no device"),
    ],
)
def test_what_is_not_clear_is_refused_with_what_there_is(text: str, message: str) -> None:
    with pytest.raises(RigError, match=message):
        find_device(text, ALL)


def test_what_to_write_in_the_rig_file_means_that_device() -> None:
    twins = [*ALL, Device(6, "Rack 16", "Core Audio", 16, 16, 48_000.0)]
    for found in (ALL, twins):
        for device in found:
            if device.full_duplex:
                assert find_device(text_for_rig(device, found), found) == device
    assert text_for_rig(RACK, ALL) == "Rack 16"
    assert text_for_rig(RACK, twins) == "1"


class FakePortAudio:
    """sounddevice, as far as a list needs it."""

    PortAudioError = RuntimeError

    def __init__(self, found: list[Device]) -> None:
        self.found = found

    def query_hostapis(self) -> tuple[dict[str, object], ...]:
        return tuple({"name": name} for name in ("Core Audio", "MME", "ASIO"))

    def query_devices(self) -> Iterator[dict[str, object]]:
        for device in self.found:
            yield {
                "name": device.name,
                "hostapi": ("Core Audio", "MME", "ASIO").index(device.host_api),
                "max_input_channels": device.inputs,
                "max_output_channels": device.outputs,
                "default_samplerate": device.default_rate,
            }


def run(monkeypatch: pytest.MonkeyPatch, found: list[Device], *words: str) -> str:
    monkeypatch.setattr(module, "load_sounddevice", lambda: FakePortAudio(found))
    app = typer.Typer()
    app.command()(command)
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout


def test_the_json_document_has_the_promised_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    document = json.loads(run(monkeypatch, ALL, "--json"))
    assert document["devices"][1] == {
        "index": 1,
        "name": "Rack 16",
        "host_api": "Core Audio",
        "inputs": 16,
        "outputs": 16,
        "default_rate": 48_000,
    }
    assert [device["index"] for device in document["devices"]] == [0, 1, 2, 3, 4, 5]


def test_the_list_marks_full_duplex_and_shows_an_interface_table_that_is_valid(monkeypatch: pytest.MonkeyPatch) -> None:
    text = run(monkeypatch, [BUILT_IN, RACK])
    lines = text.splitlines()
    assert next(line for line in lines if "Built-in" in line).startswith("   ")
    assert next(line for line in lines if "Rack 16" in line).startswith("  *")
    table = tomllib.loads("[interface]\n" + text[text.index("driver =") :])["interface"]
    assert Interface.model_validate(table).device == "Rack 16"
    assert (table["sends"], table["returns"], table["rate"]) == (16, 16, 48_000)


def test_a_machine_without_an_interface_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "No interface found" in run(monkeypatch, [])
    assert json.loads(run(monkeypatch, [], "--json")) == {"devices": []}
    assert "None of them plays and records" in run(monkeypatch, [BUILT_IN])


@pytest.mark.parametrize(
    ("error", "message"),
    [(OSError("PortAudio library not found"), "apt install libportaudio2"), (ImportError("no"), "pip install")],
    ids=["no PortAudio", "no package"],
)
def test_without_portaudio_the_error_says_what_to_install_and_ends_with_4(
    monkeypatch: pytest.MonkeyPatch, error: Exception, message: str
) -> None:
    import builtins

    real = builtins.__import__

    def refuse(name: str, *rest: object) -> object:
        if name == "sounddevice":
            raise error
        return real(name, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", refuse)
    interface = Interface(driver="portaudio", device="rack", rate=48_000, sends=2, returns=2, reserved_sends=[])
    for ask in (list_devices, lambda: HardwarePort(interface).facts):
        with pytest.raises(RigError, match=message) as caught:
            ask()
        assert caught.value.exit_status == ExitStatus.RIG
