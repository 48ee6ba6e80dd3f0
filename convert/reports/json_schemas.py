"""The shapes of all JSON documents, as JSON Schema (2020-12), made from the frozen dataclasses.

Every key that is written is required, and none else is allowed, on every level: a document of
another version may differ, this one may not without its schema.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import Any

from convert.model import POSITION_SCHEMA, SCHEMA, PositionReport, Review
from convert.model.findings import PROOF_SCHEMA, Proof, Status
from convert.model.lesson import SHEET_SCHEMA, Sheet
from convert.model.solution import SOLVE_SCHEMA, MadeClass, SolveReport
from convert.model.summary import SUMMARY_SCHEMA, Summary

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """The schema of each document, by the command that writes it."""
    proof = _made_from(Proof)
    statuses = {str(status): {"type": "integer"} for status in Status}
    proof["$defs"]["Proof"]["properties"]["counts"] = _object(statuses)
    proof["$defs"]["Proof"]["required"].append("counts")
    text = {"type": "string"}
    return {
        "game": _list_of(_made_from(Review), "Review", SCHEMA, "reviews"),
        "position": _numbered(_made_from(PositionReport), "PositionReport", POSITION_SCHEMA),
        "solve": _numbered(_made_from(SolveReport), "SolveReport", SOLVE_SCHEMA),
        "lesson": _numbered(_made_from(Sheet), "Sheet", SHEET_SCHEMA),
        "proofread": _list_of(proof, "Proof", PROOF_SCHEMA, "games", program=text),
        "collection-report": _numbered(_summary(), "Summary", SUMMARY_SCHEMA),
        "tables-make": _made_from(MadeClass),
    }


def _made_from(shape: type) -> dict[str, Any]:
    """The schema of a dataclass, closed on every level."""
    import msgspec

    made: dict[str, Any] = {"$schema": DIALECT, **msgspec.json.schema(shape)}
    for part in made["$defs"].values():
        if "description" in part:
            # Some versions of the library leave the docstring's indentation in.
            part["description"] = cleandoc(part["description"])
        if "properties" in part:
            part["required"] = list(part["properties"])
            part["additionalProperties"] = False
            for data in part["properties"].values():
                data.pop("default", None)
    return made


def _object(properties: dict[str, Any], optional: tuple[str, ...] = ()) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": [name for name in properties if name not in optional],
        "additionalProperties": False,
    }


def _numbered(schema: dict[str, Any], name: str, number: int) -> dict[str, Any]:
    schema["$defs"][name]["properties"]["schema"] = {"const": number}
    return schema


def _list_of(
    schema: dict[str, Any], name: str, number: int, key: str, **more: dict[str, Any]
) -> dict[str, Any]:
    """The document that holds a list of what ``schema`` describes."""
    items = {"type": "array", "items": {"$ref": f"#/$defs/{name}"}}
    body = _object({"schema": {"const": number}, **more, key: items})
    return {"$schema": DIALECT, **body, "$defs": schema["$defs"]}


def _summary() -> dict[str, Any]:
    """The summary of a collection: tables are written with the names of their parts as keys."""
    made = _made_from(Summary)
    parts = made["$defs"]
    count, text = {"type": "integer"}, {"type": "string"}
    share = {"anyOf": [{"type": "number"}, {"type": "null"}]}
    parts["Share"] = _object({"count": count, "share": share, "low": share, "high": share})
    shares = {"type": "object", "additionalProperties": {"$ref": "#/$defs/Share"}}
    row = {"$ref": "#/$defs/Row"}
    parts["Row"] = _object(
        {"label": text, "n": count, "games": count, "parts": shares, "others": row}, ("others",)
    )
    parts["Table"] = _object(
        {
            **dict.fromkeys(("id", "title", "about", "unit"), text),
            "rows": {"type": "array", "items": row},
            "total": row,
        }
    )
    parts["Facts"]["properties"]["results"] = {"type": "object", "additionalProperties": count}
    return made
