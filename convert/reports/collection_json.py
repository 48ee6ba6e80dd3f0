"""The summary of a collection as JSON: every count with the number it is counted on."""

from __future__ import annotations

import json
from typing import Any

from convert.collection.summary import Row, Share, Summary, Table
from convert.safe_text import file_text


def json_text(summary: Summary) -> str:
    """The document, with a newline at its end; ``schema`` tells its version."""
    import msgspec

    data: dict[str, Any] = msgspec.to_builtins(summary)
    data["tables"] = [_table(table) for table in summary.tables]
    for shown, pick in zip(data["picks"], summary.picks, strict=True):
        shown["page"] = file_text(pick.page)
    data["facts"]["results"] = dict(summary.facts.results)
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


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
    told: dict[str, Any] = {"label": row.label, "n": row.n, "games": row.games}
    told["parts"] = {
        part: _share(share) for part, share in zip(table.parts, row.shares, strict=True)
    }
    if row.rest is not None:
        told["others"] = _row(table, row.rest)
    return told


def _share(share: Share) -> dict[str, Any]:
    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 4)

    return {
        "count": share.count,
        "share": rounded(share.share),
        "low": rounded(share.low),
        "high": rounded(share.high),
    }
