"""Reports to and from JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from convert.model.game import SCHEMA, Review
from convert.model.position import PositionReport


def to_builtins(report: Review | PositionReport) -> dict[str, Any]:
    """A report as plain dictionaries, lists, strings and numbers."""
    import msgspec

    data: dict[str, Any] = msgspec.to_builtins(report)
    return data


def to_json(review: Review) -> bytes:
    """The Review as JSON (UTF-8, two-space indent, one trailing newline)."""
    import msgspec

    return msgspec.json.format(msgspec.json.encode(review), indent=2) + b"\n"


def from_json(data: bytes | str) -> Review:
    """Read a Review back.

    Raises:
        ValueError: not JSON, another schema number, or not this shape.
    """
    import msgspec

    try:
        number = msgspec.json.decode(data, type=_SchemaOnly).schema
        if number != SCHEMA:
            raise ValueError(f"schema {number}, this version reads {SCHEMA}")
        return msgspec.json.decode(data, type=Review)
    except msgspec.MsgspecError as err:
        raise ValueError(str(err)) from err


@dataclass(frozen=True)
class _SchemaOnly:
    schema: int
