"""What all records have in common, and the scalar types that files are read with.

People write TOML, which is typed: a number in quotes is a mistake, not a number. So scalars are strict.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, Strict

__all__ = ["Flag", "Id", "Number", "Record", "Whole"]

Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Whole = Annotated[int, Strict()]
Flag = Annotated[bool, Strict()]
Id = Annotated[str, Strict(), Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]


class Record(BaseModel):
    """An immutable record with no room for unknown keys; field docs are the strings below each field."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)
