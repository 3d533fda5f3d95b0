"""`printq schema`."""

from __future__ import annotations

from enum import Enum
from typing import Annotated

import typer

from printq.cli.options import JsonOption

__all__ = ["schema"]


class Kind(str, Enum):  # noqa: UP042 - typer shows the values
    """File formats that people write."""

    rig = "rig"
    snapshots = "snapshots"
    job = "job"


def schema(
    kind: Annotated[Kind, typer.Argument(metavar="KIND", help="rig, snapshots or job.")],
    json: JsonOption = False,
) -> None:
    """Print the JSON Schema of a file format, for editors that complete and check.

    Example: printq schema rig > rig.schema.json
    """
    from printq.cli.render import json_text
    from printq.intake import make_schema

    typer.echo(json_text(make_schema(kind.value)))
