"""`printq devices`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from printq.cli.options import JsonOption

if TYPE_CHECKING:
    from collections.abc import Sequence

    from printq.audio.devices import Device

__all__ = ["devices", "devices_document", "devices_lines"]


def devices(json: JsonOption = False) -> None:
    """List the interfaces of this machine, and what to write in rig.toml for each.

    Example: printq devices
    """
    from printq.audio.devices import list_devices
    from printq.cli.render import json_text

    found = list_devices()
    typer.echo(json_text(devices_document(found)) if json else "\n".join(devices_lines(found)))


def devices_document(found: Sequence[Device]) -> dict[str, object]:
    """The JSON document."""
    return {
        "devices": [
            {
                "index": device.index,
                "name": device.name,
                "host_api": device.host_api,
                "inputs": device.inputs,
                "outputs": device.outputs,
                "default_rate": device.default_rate,
            }
            for device in found
        ]
    }


def devices_lines(found: Sequence[Device]) -> list[str]:
    """The list as text; `*` marks what plays and records at once."""
    from printq.audio.devices import text_for_rig

    if not found:
        return ["No interface found. Is it switched on and connected, and does its driver or sound server run?"]
    name_width = max(len("name"), *(len(device.name) for device in found))
    api_width = max(len("host API"), *(len(device.host_api) for device in found))
    lines = [f"    index  {'name':{name_width}}  {'host API':{api_width}}   in  out     rate"]
    lines += [
        f"  {'*' if device.full_duplex else ' '} {device.index:5}  {device.name:{name_width}}"
        f"  {device.host_api:{api_width}}  {device.inputs:3}  {device.outputs:3}  {device.default_rate:7.0f}"
        for device in found
    ]
    able = [device for device in found if device.full_duplex]
    if not able:
        return [*lines, "", "None of them plays and records at once, as a rack needs."]
    lines += ["", "* plays and records at once. In rig.toml, below [interface]:"]
    for device in able:
        lines += [
            "",
            'driver = "portaudio"',
            f"device = {_toml_text(text_for_rig(device, found))}",
            f"rate = {device.default_rate:.0f}",
            f"sends = {device.outputs}",
            f"returns = {device.inputs}",
            "reserved_sends = []  # list those that feed monitors or headphones",
        ]
    return lines


def _toml_text(text: str) -> str:
    import json

    # A TOML basic string has the escapes of a JSON string.
    return json.dumps(text, ensure_ascii=False)
