"""The Review as JSON.  Schema and keys are described in docs/json.md."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator

from convert.model import SCHEMA, PositionReport, Review, to_builtins


def document(reviews: Iterable[Review]) -> Iterator[str]:
    """A JSON document with one review after another, piece by piece (memory stays flat)."""
    yield f'{{\n "schema": {SCHEMA},\n "reviews": ['
    first = True
    for review in reviews:
        yield "\n" if first else ",\n"
        yield json.dumps(to_builtins(review), ensure_ascii=False, indent=1)
        first = False
    yield "\n ]\n}\n"


def position_document(report: PositionReport) -> str:
    """A PositionReport as JSON text."""
    return json.dumps(to_builtins(report), ensure_ascii=False, indent=1) + "\n"
