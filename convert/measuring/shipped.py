"""Files: documents of counts that ship with the package, and what a work folder keeps."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from convert.rules.figures import digest


def written(document: Mapping[str, Any], rows: str) -> str:
    """A document as it ships: one line for each row, with the hash of its content recorded.

    Args:
        rows: the key under which the rows stand, a mapping.
    """
    head = {key: value for key, value in document.items() if key != rows}
    head["sha256"] = digest(document)
    lines = [f"{_json(key)}: {_json(value)}" for key, value in sorted(head.items())]
    texts = [f" {_json(key)}: {_json(row)}" for key, row in sorted(document[rows].items())]
    lines.append(_json(rows) + ": {\n" + ",\n".join(texts) + "\n}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def kept(path: Path, type_: Any, key: Sequence[Any], make: Callable[[], Any]) -> Any:
    """What the file holds if it was made with the same key, else made now and written."""
    import msgspec

    if path.exists():
        old, stored = msgspec.json.decode(path.read_bytes(), type=tuple[list[Any], type_])
        if old == list(key):
            return stored
    stored = make()
    path.write_bytes(msgspec.json.encode((key, stored)))
    return stored


def kept_before(path: Path, type_: Any) -> Any:
    """What the file holds, whatever it was made with; None where there is none."""
    import msgspec

    if not path.exists():
        return None
    return msgspec.json.decode(path.read_bytes(), type=tuple[list[Any], type_])[1]
