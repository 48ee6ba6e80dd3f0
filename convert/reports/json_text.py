"""Every JSON document that a command writes: one envelope, one encoder.

A document is an object that begins with ``schema``, a number that grows by one when a key is
removed or changes its meaning.  The shapes are in :mod:`convert.reports.json_schemas`, the keys
described in docs/json.md.  Where there may be many games a document comes piece by piece, so that
memory stays flat.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

from convert import __version__
from convert.model import SCHEMA, PositionReport, Review, to_builtins
from convert.model import findings as proofs
from convert.model.findings import PROOF_SCHEMA, Proof
from convert.model.lesson import Sheet
from convert.model.solution import MadeClass, SolveReport
from convert.model.summary import Row, Share, Summary, Table
from convert.reports import Around, Beside
from convert.rim.safe_text import file_text


def encoded(data: Any) -> str:
    """Plain values as JSON text, one space a level, without a newline at the end."""
    return json.dumps(data, ensure_ascii=False, indent=1)


def document(report: PositionReport | SolveReport | Sheet | MadeClass) -> str:
    """A report whose own fields are those of the document."""
    import msgspec

    return encoded(msgspec.to_builtins(report)) + "\n"


def _around(head: dict[str, Any], name: str) -> Around:
    return Around(f'{encoded(head)[:-2]},\n "{name}": [', ",", "\n ]\n}\n")


#: One document holds the reviews of all games of a run.
AROUND = _around({"schema": SCHEMA}, "reviews")


def text(review: Review, beside: Beside) -> str:  # noqa: ARG001 - every output is given both
    """One review, as it stands in the document."""
    return "\n" + encoded(to_builtins(review))


def proofs_document(games: Iterable[Proof]) -> Iterator[str]:
    """The findings of one game after another."""
    around = _around({"schema": PROOF_SCHEMA, "program": f"fullpoint {__version__}"}, "games")
    yield around.head
    for number, proof in enumerate(games):
        if number:
            yield around.between
        yield "\n" + encoded(proofs.to_builtins(proof))
    yield around.tail


# --- a collection: every count with the number it is counted on ---------------------------------


def summary_document(summary: Summary) -> str:
    """The summary of a collection."""
    import msgspec

    data: dict[str, Any] = msgspec.to_builtins(summary)
    data["tables"] = [_table(table) for table in summary.tables]
    for shown, pick in zip(data["picks"], summary.picks, strict=True):
        shown["page"] = file_text(pick.page)
    data["facts"]["results"] = dict(summary.facts.results)
    return encoded(data) + "\n"


def _table(table: Table) -> dict[str, Any]:
    return {
        "id": table.id,
        "title": table.title,
        "about": table.about,
        "unit": table.unit,
        "rows": [_row(table, row) for row in table.rows],
        "total": _row(table, table.total),
    }


def _row(table: Table, row: Row) -> dict[str, Any]:
    entries: dict[str, Any] = {"label": row.label, "n": row.n, "games": row.games}
    entries["parts"] = {
        part: _share(share) for part, share in zip(table.parts, row.shares, strict=True)
    }
    if row.rest is not None:
        entries["others"] = _row(table, row.rest)
    return entries


def _share(share: Share) -> dict[str, Any]:
    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 4)

    return {
        "count": share.count,
        "share": rounded(share.share),
        "low": rounded(share.low),
        "high": rounded(share.high),
    }
