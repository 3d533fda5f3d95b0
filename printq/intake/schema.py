"""JSON Schemas of the files that people write, so that editors complete and check them."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from printq.models.job import JobFile
from printq.models.rig import Rig
from printq.models.snapshots import SnapshotFile

__all__ = ["SCHEMA_KINDS", "make_schema"]

SCHEMA_KINDS: dict[str, type[BaseModel]] = {"rig": Rig, "snapshots": SnapshotFile, "job": JobFile}


def make_schema(kind: str) -> dict[str, Any]:
    """The schema of a file format (JSON Schema 2020-12); `kind` is `rig`, `snapshots` or `job`."""
    schema = SCHEMA_KINDS[kind].model_json_schema(by_alias=True)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:printq:{kind}:1",
        **schema,
        "title": f"printq {kind} file",
    }
