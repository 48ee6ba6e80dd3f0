"""Every JSON document of every command: whole documents against their schemas, and against what
the same command tells in words.

What is looked for in the text is put together here, not with the program's own sentences.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

# Imported before any test changes the cache folder: the machine code is kept there.
import tablebases.solver  # noqa: F401
from convert.cli import COMMANDS, cli, main
from convert.reports.json_schemas import schemas

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_games" / "04-winning-trade-missed-handed-back-and-taken.pgn"
NOTES = ROOT / "tests" / "data" / "proofread" / "notes.pgn"
SCHEMAS = schemas()
#: One drawn by the rule of thumb, one won, one over, one far past the tables.
POSITIONS = (
    "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1",
    "8/8/8/4k3/8/4K3/4P3/8 b - - 0 1",
    "7k/5K2/6Q1/8/8/8/8/8 b - - 0 1",
    "r5k1/5ppp/8/8/8/8/5RPP/7K b - - 0 1",
)
SOLVED = "8/8/8/3k4/8/2n5/1R6/1K6 w - - 0 1"

Run = Callable[..., str]
Document = dict[str, Any]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Standard output of a command that succeeds, in a cache folder of its own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))

    def call(*args: str | Path) -> str:
        with pytest.raises(SystemExit) as left:
            main([str(arg) for arg in args])
        out, err = capsys.readouterr()
        assert (left.value.code or 0, err) == (0, "")
        return out

    return call


def documents(text: str) -> Iterator[Document]:
    """The documents of a text, one after another."""
    decoder, at = json.JSONDecoder(), 0
    while at < len(text):
        found, at = decoder.raw_decode(text, at)
        assert text[at] == "\n"
        at += 1
        yield found


def complaints(name: str, document: Document) -> list[str]:
    """What the schema has against a document."""
    validator = Draft202012Validator(SCHEMAS[name])
    return [f"{e.json_path}: {e.message}" for e in validator.iter_errors(document)]


def valid(name: str, text: str) -> list[Document]:
    """The documents of a text, each of which its schema allows."""
    found = list(documents(text))
    assert found
    for document in found:
        assert not complaints(name, document)
        assert name == "tables-make" or next(iter(document)) == "schema"
        # One encoder: one space a level, text as it is.
        assert json.dumps(document, ensure_ascii=False, indent=1)[:12] == text[:12]
    return found


def flat(text: str) -> str:
    """A text without line breaks."""
    return " ".join(text.split())


# --- the schemas ---------------------------------------------------------------------------------


def parts(schema: Any, path: str = "$") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every part of a schema that describes an object."""
    if isinstance(schema, dict):
        if schema.get("type") == "object":
            yield path, schema
        for name, part in schema.items():
            yield from parts(part, f"{path}.{name}")
    elif isinstance(schema, list):
        for number, part in enumerate(schema):
            yield from parts(part, f"{path}[{number}]")


@pytest.mark.parametrize("name", SCHEMAS)
def test_schemas_are_schemas_and_leave_nothing_open(name: str) -> None:
    Draft202012Validator.check_schema(SCHEMAS[name])
    for path, part in parts(SCHEMAS[name]):
        if "properties" in part:
            assert part["additionalProperties"] is False, path
            assert set(part["properties"]) - set(part["required"]) <= {"others"}, path
        else:
            # Names that are data (tags, parts of a table): what stands behind them is told.
            assert isinstance(part["additionalProperties"], dict), path


def test_every_command_that_writes_json_has_a_schema() -> None:
    told = set()
    for name in COMMANDS:
        command: Any = cli.get_command(None, name)  # type: ignore[arg-type]
        known = {
            name: command,
            **{f"{name}-{n}": c for n, c in getattr(command, "commands", {}).items()},
        }
        told |= {n for n, c in known.items() if any("--json" in p.opts for p in c.params)}
    # A collection's report is a command of its own; lesson and tables make name files by kind.
    told -= {"collection"}
    assert told | {"lesson", "tables-make", "collection-report"} == set(SCHEMAS)
    page = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    for name in SCHEMAS:
        assert f"(schemas/{name}.json)" in page


# --- whole documents -----------------------------------------------------------------------------


def objects(value: Any) -> Iterator[dict[str, Any]]:
    """Every object of a document."""
    if isinstance(value, dict):
        yield value
        for part in value.values():
            yield from objects(part)
    elif isinstance(value, list):
        for part in value:
            yield from objects(part)


def test_game(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    text = flat(run("game", DEMO, "--effort", "quick", "--full", "--json", out))
    (document,) = valid("game", out.read_text(encoding="utf-8"))
    (review,) = document["reviews"]
    certain = [slip for slip in review["slips"] if slip["certain"]]
    assert certain
    for slip in certain:
        label = f"{(slip['ply'] + 1) // 2}{'.' if slip['side'] == 'white' else '...'}{slip['san']}?"
        assert label in text
        assert any(move["san"] in text for move in slip["held"])
    letters = "".join(
        ("L" if v["high"] == -2 else "W" if v["low"] == 2 else "D")
        if v["low"] == v["high"] and v["evidence"] != "estimate"
        else "."
        for v in (ply["verdict"] for ply in review["plies"])
    )
    # The last line of the strip, for White as all of it: 65.  "WW WW WW WW W".
    assert "61-65 WW WW WW WW W" in text
    assert letters.endswith("W" * 9)


@pytest.mark.slow
def test_a_new_field_is_noticed_wherever_it_stands(run: Run) -> None:
    """Of every object of a review that is no list of names (tags, kinds of evidence)."""
    (document,) = valid("game", run("game", DEMO, "-q", "--effort", "quick", "--json", "-"))
    kinds: dict[tuple[str, ...], dict[str, Any]] = {}
    for part in objects(document):
        kinds.setdefault(tuple(part), part)
    free = [document["reviews"][0]["tags"], document["reviews"][0]["counts"]["by_evidence"]]
    tried = 0
    for part in kinds.values():
        if any(part is one for one in free):
            continue
        part["news"] = 1
        assert complaints("game", document)
        del part["news"]
        tried += 1
    assert tried > 12
    assert not complaints("game", document)


def test_a_missing_key_is_noticed(run: Run) -> None:
    (document,) = valid("position", run("position", POSITIONS[0], "--json", "-"))
    for key in document:
        less = copy.deepcopy(document)
        del less[key]
        assert complaints("position", less), key


WORDS = {2: "wins", 1: "would win", 0: "rawn", -1: "would win", -2: "wins"}
"""What the words of an outcome hold, whoever it is told for."""


def winner(low: int, side: str) -> str:
    """Who wins, by the sign of an outcome told for a side."""
    return side if low > 0 else {"white": "black", "black": "white"}[side]


def said(document: Document, verdict: dict[str, Any]) -> str:
    """The words that must stand where an exact outcome for the side to move is told."""
    low = verdict["low"]
    if low == 0:
        return WORDS[0]
    return f"{winner(low, document['to_move']).capitalize()} {WORDS[low]}"


def groups(text: str) -> dict[str, set[str]]:
    """The moves by the heading that they stand under, from the text."""
    block = re.search(r"Moves and [^\n]*\n(.*?)\n\n", text + "\n\n", re.S)
    assert block is not None
    found: dict[str, set[str]] = {}
    heading = ""
    for line in block.group(1).splitlines():
        if line.startswith(("  In brackets", "  (")):
            break
        if not line.startswith("    "):
            heading, _, line = line.strip().partition(": ")
        moves = re.sub(r"\(\d+\)", "", line).replace(",", " ").split()
        found.setdefault(heading, set()).update(moves)
    return found


def test_position(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "some.epd"
    file.write_text("\n".join(POSITIONS) + "\n", encoding="utf-8")
    found = valid("position", run("position", "--epd", file, "--json", "-"))
    assert [document["fen"] for document in found] == list(POSITIONS)
    for document, fen in zip(found, POSITIONS, strict=True):
        text = run("position", fen)
        verdict = document["verdict"]
        assert verdict["low"] == verdict["high"]
        head = flat(text).partition("Moves and")[0]
        assert said(document, verdict) in head
        exact = [m for m in document["moves"] if m["verdict"]["low"] == m["verdict"]["high"]]
        if not exact:
            assert document["fen"] == POSITIONS[2]
            continue
        told = groups(text)
        for move in exact:
            (heading,) = [name for name, moves in told.items() if move["san"] in moves]
            assert said(document, move["verdict"]) in heading


def test_solve(run: Run) -> None:
    text = run("solve", "--no-store", SOLVED)
    (document,) = valid("solve", run("solve", "--no-store", "--check", "20", SOLVED, "--json", "-"))
    assert document["checked"]["positions"] >= 10
    assert said(document, document) in flat(text).partition("Moves and")[0]
    told = groups(text)
    in_text = [san for moves in told.values() for san in moves]
    assert sorted(in_text) == sorted(move["san"] for move in document["moves"])
    for move in document["moves"]:
        (heading,) = [name for name, moves in told.items() if move["san"] in moves]
        assert said(document, move) in heading
        assert not move["plies"] or f"{move['san']} ({move['plies']})" in flat(text)
    (over,) = valid("solve", run("solve", POSITIONS[2], "--json", "-"))
    assert "stalemate" in over["over"]
    assert "stalemate" in run("solve", POSITIONS[2])


def test_solve_and_position_put_the_moves_in_one_order(run: Run) -> None:
    """Both say of the same ending the same, of every move too; the best comes first."""
    (solved,) = valid("solve", run("solve", "--no-store", SOLVED, "--json", "-"))
    (judged,) = valid("position", run("position", SOLVED, "--no-variants", "--json", "-"))
    assert {m["uci"]: (m["low"], m["high"]) for m in solved["moves"]} == {
        m["uci"]: (m["verdict"]["low"], m["verdict"]["high"]) for m in judged["moves"]
    }
    for rows in (
        [m["low"] for m in solved["moves"]],
        [m["verdict"]["low"] for m in judged["moves"]],
    ):
        points = [(low > 1) - (low < -1) for low in rows]
        assert points == sorted(points, reverse=True)


def test_lesson(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "sheet.json"
    run("lesson", "--count", "6", "-o", out)
    (document,) = valid("lesson", out.read_text(encoding="utf-8"))
    text = flat(run("lesson", "--count", "6", "--answers"))
    assert len(document["exercises"]) == 6
    for exercise in document["exercises"]:
        assert f"[{exercise['ident']}]" in text
        assert flat(exercise["fen"]) in text
        answer = flat(" ".join(exercise["answer"]))
        assert answer in text
        assert {2: "win", 0: "draw", -2: "lose"}[exercise["verdict"]["low"]] in answer.lower()


def test_proofread(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    text = run("proofread", NOTES, "--effort", "quick", "--json", out)
    (document,) = valid("proofread", out.read_text(encoding="utf-8"))
    totals: dict[str, int] = {}
    for game in document["games"]:
        found = [finding["status"] for finding in game["findings"]]
        assert game["counts"] == {status: found.count(status) for status in game["counts"]}
        for status, number in game["counts"].items():
            totals[status] = totals.get(status, 0) + number
    last = flat(text).rpartition(" games: ")[2]
    last, _, unread = last.partition(" sentences in which")
    last, _, number = last.rpartition(" ")
    assert bool(unread) == any(game["unread"] for game in document["games"])
    assert not unread or int(number) == sum(len(game["unread"]) for game in document["games"])
    assert {status: number for status, number in totals.items() if number} == {
        status: int(number) for number, status in re.findall(r"(\d+) ([a-z ]+)", last)
    }


@pytest.mark.slow
def test_collection_report(run: Run, tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    out = tmp_path / "season"
    run("collection", DEMO, "-o", out, "--effort", "quick", "-q", "--jobs", "1")
    (document,) = valid("collection-report", run("collection", "report", out, "--json", "-"))
    text = flat(run("collection", "report", out))
    assert document["facts"]["games"] == 1
    assert f"{document['facts']['games']} game" in text
    assert document["picks"]
    for pick in document["picks"]:
        assert pick["white"] in text
        for moment in pick["moments"]:
            assert moment["label"] in text
    # For one player beside the others: rows have a part more.
    (one,) = valid(
        "collection-report",
        run("collection", "report", out, "--player", document["picks"][0]["white"], "--json", "-"),
    )
    assert one["player"] == document["picks"][0]["white"]


def test_tables_make(run: Run, tmp_path: Path) -> None:
    text = run("tables", "make", "KRvK")
    (path,) = (tmp_path / "cache").rglob("KRvK.json")
    (document,) = valid("tables-make", path.read_text(encoding="utf-8"))
    assert f"{document['positions']:,} positions" in text
    assert f"longest win {document['plies']} plies" in text
    assert document["fen"] in flat(text)
