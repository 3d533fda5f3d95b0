"""`printq schema`."""

from __future__ import annotations

from typing import Annotated

import typer

from printq.cli.options import JsonOption

__all__ = ["schema"]


def schema(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="rig, snapshots or job.")],
    json: JsonOption = False,
) -> None:
    """Print the JSON Schema of a file format, for editors that complete and check.

    Example: printq schema rig > rig.schema.json
    """
    from printq.cli.render import json_text
    from printq.errors import UsageError
    from printq.intake import SCHEMA_KINDS, make_schema

    if kind not in SCHEMA_KINDS:
        raise UsageError(f"there is no file format {kind!r}; there are {', '.join(SCHEMA_KINDS)}")
    typer.echo(json_text(make_schema(kind)))
