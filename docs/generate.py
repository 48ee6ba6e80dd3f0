"""Writes the generated pages of docs/; with --check only says which lag behind.

python docs/generate.py [--check]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from estimate_page import calibration_svg, look_ahead, quality, suspected
from rules_page import handbooks, rules_page

from convert.collection.schema import SCHEMA, TABLES
from convert.judging.estimate import table
from convert.proofreading.blocks import ADVERBS, FOLLOWS, LOOSENING
from convert.proofreading.nags import NAGS
from convert.proofreading.phrase_list import GROUPS
from convert.proofreading.scope import DOUBTS, LEADS, PLACING
from convert.reports.json_schemas import schemas
from convert.review import slips
from convert.rules.figures import document

HERE = Path(__file__).parent


def _listed(words: str) -> str:
    return ", ".join(f"*{word}*" for word in words.split("|"))


def proofread_page() -> str:
    """docs/proofread.md with its tables of NAGs and phrases and its excerpt made anew."""
    nags = ["| NAG | in the standard | read as |", "|---|---|---|"]
    for number, nag in sorted(NAGS.items()):
        nags.append(f"| `${number}` | {nag.name} | {nag.reading.format(move='the move')} |")
    phrases = ["| says | examples |", "|---|---|"]
    for group in GROUPS:
        phrases.append(f"| {group.says} | {' '.join(f'*{text}*' for text in group.examples)} |")
    listed = {
        "Adverbs that may stand before a verb or an adjective": ADVERBS,
        "What may follow a phrase (else it must end its clause)": FOLLOWS,
        "Of these not after a draw, a loss or a denial, except before numbered moves and in *with "
        "best play*, *with ease*, *by force*, *by perpetual check*": LOOSENING,
    }
    phrases += ["", *(f"- {what}: {_listed(words)}." for what, words in listed.items())]
    doubts = [f"- {what}: {_listed(words)}" for what, words in DOUBTS.items()]
    scope = [f"- lead-ins: {_listed(LEADS)}", f"- words of placing: {_listed(PLACING)}"]
    gold = (HERE.parent / "tests" / "gold" / "proofread-notes.txt").read_text(encoding="utf-8")
    excerpt = ["```", *gold.splitlines()[:11], "...", "```"]
    text = (HERE / "proofread.md").read_text(encoding="utf-8")
    parts = {"nags": nags, "phrases": phrases, "doubts": doubts, "scope": scope, "excerpt": excerpt}
    for name, lines in parts.items():
        text = _filled(text, name, lines)
    return text


def _filled(text: str, name: str, lines: list[str]) -> str:
    """The page with the part that stands between its marks made anew."""
    head, mark, rest = text.partition(f"<!-- {name} -->\n")
    _, end, tail = rest.partition("<!-- end -->")
    if not mark or not end:
        raise SystemExit(f"no part {name}")
    body = "\n".join(lines)
    return f"{head}{mark}{body}\n{end}{tail}"


def measuring_page() -> str:
    """docs/measuring.md with its comparison with the handbooks made anew."""
    text = (HERE / "measuring.md").read_text(encoding="utf-8")
    parts = {
        "handbooks": handbooks(document()),
        "quality": quality(table()["held_out"]),
        "results": quality(table()["results"]),
        "look-ahead": look_ahead(table()),
        "suspected": suspected(json.loads(slips.FILE.read_text(encoding="utf-8"))),
    }
    for name, lines in parts.items():
        text = _filled(text, name, lines)
    return text


def collection_page() -> str:
    """docs/collection.md with its lists of columns made anew."""
    lines = []
    for name in ("games", "trades", "decisions", "slips", "errors"):
        lines += ["", f"### {name}", "", "| column | type | meaning |", "|---|---|---|"]
        for column in TABLES[name]:
            judged = " *Judged.*" if column.judged else ""
            lines.append(f"| `{column.name}` | {column.type} | {column.meaning}.{judged} |")
    text = (HERE / "collection.md").read_text(encoding="utf-8")
    return _filled(text, "columns", [f"Schema {SCHEMA}.", *lines])


def schema_files() -> dict[str, str]:
    """docs/schemas: the shape of every JSON document."""
    return {
        f"schemas/{name}.json": json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
        for name, schema in schemas().items()
    }


def pages() -> dict[str, str]:
    """File name -> text of every generated page."""
    return {
        "rules.md": rules_page(document()),
        "measuring.md": measuring_page(),
        "pictures/calibration.svg": calibration_svg(table()),
        "proofread.md": proofread_page(),
        "collection.md": collection_page(),
        **schema_files(),
    }


def main() -> int:
    """Write or check; returns the exit code."""
    check = "--check" in sys.argv[1:]
    lagging = []
    for name, text in pages().items():
        path = HERE / name
        if not path.is_file() or path.read_text(encoding="utf-8") != text:
            lagging.append(name)
            if not check:
                path.parent.mkdir(exist_ok=True)
                path.write_text(text, encoding="utf-8")
    if check and lagging:
        sys.stderr.write(f"docs/ lags behind: {', '.join(lagging)}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
