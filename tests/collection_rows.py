"""Small collections made up for tests, straight from the columns of the schema."""

from __future__ import annotations

import random
from datetime import date
from pathlib import Path
from typing import Any

from convert.collection.schema import TABLES, arrow_schema

Row = dict[str, Any]
NAMES = ("Marrin, Osgood", "Wrenfield, Tobias", "Thornbury, Hal", "Kettleby, Bram")
KINDS = ("rook ending", "pawn ending", "exchange up", "minor pieces", "middlegame")
GONE = ("queens", "rooks", "minor pieces", "pawns")
FEN = "8/8/4k3/8/2R5/4K1n1/5P2/8 w - - 0 50"


def write_part(folder: Path, name: str, tables: dict[str, list[Row]]) -> None:
    """One part of a collection; columns that a row does not name are null."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    for table, columns in TABLES.items():
        (folder / table).mkdir(parents=True, exist_ok=True)
        names = {column.name for column in columns}
        rows = tables.get(table, [])
        assert all(set(row) <= names for row in rows)
        filled = [{name: row.get(name) for name in names} for row in rows]
        made = pa.Table.from_pylist(filled, arrow_schema(table))
        pq.write_table(made, folder / table / f"part-{name}.parquet")


def game(number: int, /, **more: Any) -> Row:
    """A game of the club: drawn, White rated 1500 and Black 1900, judged."""
    return {
        "id": f"g{number:05d}",
        "file": "club.pgn",
        "number": number,
        "offset": 1000 * number,
        "white": NAMES[0],
        "black": NAMES[1],
        "event": "Club championship",
        "year": 2025,
        "result": "1/2-1/2",
        "white_points": 0.5,
        "white_rating": 1500,
        "black_rating": 1900,
        "plies": 80,
        "complete": True,
        "problems": 0,
        "effort": "quick",
        "program": "fullpoint 0.1.0",
        "side": "white",
    } | more


def slip(game: str, ply: int, **more: Any) -> Row:
    """A certain slip of White's that made a draw of a win."""
    return {
        "game": game,
        "ply": ply,
        "number": (ply + 1) // 2,
        "side": "white",
        "move": "Rc6+",
        "certain": True,
        "before_low": "win",
        "before_high": "win",
        "before_evidence": "table",
        "after_low": "draw",
        "after_high": "draw",
        "after_evidence": "table",
        "by_trade": False,
        "handed_back": False,
        "held": "Rc3",
        "fen": FEN,
        "kind": "exchange up",
        "rating": 1500,
    } | more


def decision(game: str, ply: int, **more: Any) -> Row:
    """White began a trade of rooks, and that was right."""
    return {
        "game": game,
        "trade": 1,
        "part": "start",
        "ply": ply,
        "side": "white",
        "move": "Rxd8",
        "grade": "right",
        "gone": "rooks",
        "kind": "rook ending",
        "rating": 1500,
    } | more


def trade(game: str, ply: int, **more: Any) -> Row:
    """White began a trade of rooks."""
    return {
        "game": game,
        "trade": 1,
        "first_ply": ply,
        "last_ply": ply + 1,
        "name": "rooks",
        "gone": "rooks",
        "began_by": "white",
        "began_points": 0.5,
    } | more


def error(number: int, **more: Any) -> Row:
    """A remark on a game."""
    return {
        "file": "club.pgn",
        "number": number,
        "line": 12 * number,
        "reason": "no result",
        "fatal": False,
    } | more


def random_collection(
    folder: Path, seed: int, games: int, parts: int = 3, judged: bool = True
) -> dict[str, list[Row]]:
    """A collection at random, and all its rows."""
    rng = random.Random(seed)
    whole: dict[str, list[Row]] = {table: [] for table in TABLES}
    for part in range(parts):
        tables: dict[str, list[Row]] = {table: [] for table in TABLES}
        for number in range(part, games, parts):
            _random_game(rng, number + 1, tables, judged)
        write_part(folder, f"{part:04x}", tables)
        for table, rows in tables.items():
            whole[table] += rows
    return whole


def _random_game(
    rng: random.Random, number: int, tables: dict[str, list[Row]], judged: bool
) -> None:
    white, black = rng.sample(NAMES, 2)
    points = rng.choice((1.0, 0.5, 0.0, None))
    side = rng.choice(("white", "black"))
    row = game(
        number,
        white=white,
        black=black,
        white_points=points,
        side=side if judged else None,
        result={1.0: "1-0", 0.5: "1/2-1/2", 0.0: "0-1", None: "*"}[points],
        white_rating=rng.choice((None, 1200, 1400, 1799, 2500)),
        black_rating=rng.choice((None, 1399, 1800, 2200)),
        year=rng.choice((None, 1999, 2024)),
        effort="quick" if judged else "walk",
        plies=rng.randrange(40, 200),
    )
    row["on_time"] = rng.choice(
        (None, {1.0: "black", 0.0: "white"}.get(0.5 if points is None else points))
    )
    row["time_control"] = rng.choice((None, "60+0", "300+3", "40/5400:1800", "?"))
    row["date"] = rng.choice((None, date(2024, 5, 3), date(2023, 12, 31))) if row["year"] else None
    row["practice_key"] = rng.choice((None, "KRPvKR", "KPvK"))
    row["practice_side"] = rng.choice(("white", "black")) if row["practice_key"] else None
    for color in ("white", "black") if judged else ():
        if rng.random() < 0.5:
            row |= {f"{color}_better_ply": 40, f"{color}_better_kind": rng.choice(KINDS)}
        if rng.random() < 0.5:
            row |= {
                f"{color}_best": rng.choice(("win", "win", "draw")),
                f"{color}_best_ply": row["plies"] - rng.choice((0, 5, 30, 31)),
                f"{color}_best_kind": rng.choice(KINDS),
                f"{color}_let_slip": rng.random() < 0.5,
            }
            if row[f"{color}_best"] != "win":
                row[f"{color}_let_slip"] = None
    if judged:
        final = rng.choice((None, "win", "draw", "cursed win", "loss"))
        row["final_outcome"] = final
        row["final_expected"] = (
            rng.random() if final is None else {"win": 1, "loss": 0}.get(final, 0.5)
        )
        if rng.random() < 0.5:
            row |= {
                "deciding_ply": 31,
                "deciding_number": 16,
                "deciding_side": "white",
                "deciding_move": "Rc6+",
                "deciding_fen": FEN,
                "deciding_certain": False,
                "deciding_before": 0.8,
                "deciding_after": rng.choice((0.2, 0.4)),
            }
    if rng.random() < 0.7:
        row |= {
            "ending_ply": 40,
            "ending_kind": rng.choice(KINDS[:4]),
            "ending_material": "KRvKN",
            "ending_edge": "the exchange up",
            "ending_ahead": rng.choice((None, "white", "black")),
        }
    if rng.random() < 0.4:
        up, down = rng.choice(((1, 0), (3, 3), (3, 5), (5, 4), (6, 7)))
        row |= {
            "exchange_side": side,
            "exchange_pawns": up + down,
            "exchange_pawns_up": up,
            "exchange_pawns_down": down,
            "exchange_points": points if side == "white" or points is None else 1 - points,
        }
    if rng.random() < 0.4:
        row |= {
            "pawn_ending_way": rng.choice(("trade", "capture")),
            "pawn_ending_first": side,
            "pawn_ending_lead": rng.choice((-3, -1, 0, 1, 2)),
            "pawn_ending_points": points if side == "white" or points is None else 1 - points,
        }
    tables["games"].append(row)
    name = row["id"]
    for ply in rng.sample(range(1, 80), rng.randrange(4)):
        mover = "white" if ply % 2 else "black"
        rating = row[f"{mover}_rating"]
        began = points if mover == "white" or points is None else 1 - points
        tables["trades"].append(
            trade(name, ply, began_by=mover, gone=rng.choice(GONE), began_points=began)
        )
        if not judged:
            continue
        grade = rng.choice(
            ("needed", "right", "harmless", "wrong", "missed", "in favour", "even", "against")
        )
        declined = rng.random() < 0.2
        tables["decisions"].append(
            decision(
                name,
                ply,
                side=mover,
                grade=grade,
                rating=rating,
                part="decline" if declined else rng.choice(("offer", "start", "recapture")),
                gone=None if declined else rng.choice(GONE),
            )
        )
        before, after = rng.choice(
            (
                ("win", "draw"),
                ("win", "loss"),
                ("draw", "loss"),
                ("cursed win", "loss"),
                ("win", "blessed loss"),
            )
        )
        tables["slips"].append(
            slip(
                name,
                ply,
                side=mover,
                certain=rng.random() < 0.8,
                before_low=before,
                after_high=after,
                after_low=rng.choice((after, "loss")),
                by_trade=rng.random() < 0.3,
                rating=rating,
                handed_back=rng.random() < 0.3,
                gift=rng.random() < 0.1,
                missed_trade=rng.choice((None, None, "Rxd8")),
                cost=rng.choice((0.25, 0.5)),
                before_win=rng.choice((0.3, 0.7)),
                clock_seconds=rng.choice((None, 12.0, 300.0)),
                kind=rng.choice((*KINDS, None)),
            )
        )
    if rng.random() < 0.1:
        tables["errors"].append(error(number, fatal=rng.random() < 0.5))
