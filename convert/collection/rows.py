"""The rows of one game: pure, from its main line alone or from its review.

A row is a dictionary by column name (``convert.collection.schema``); a column that is absent is
null.  At effort *walk* only the moves are looked at; at every other effort the same rows are made
and the verdicts of the review added.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from hashlib import blake2b
from typing import TYPE_CHECKING, Literal

import chess

from convert import __version__
from convert.board.balance import balance_name, material_text
from convert.board.kinds import phase_kind
from convert.review.endings import LETTERS, Row, add_endings, points_of, side_name
from convert.review.practice import kinds_of
from convert.review.trades import FoundTrade, find_trades
from convert.review.walker import Walk, walk
from convert.wording.trade_names import name_trade

if TYPE_CHECKING:
    from convert.judging.judges import Bench
    from convert.reading.records import GameRead, LineRead

Anonymous = Literal["", "left out", "hashed"]

WALK = "walk"
PROGRAM = f"fullpoint {__version__}"


@dataclass(frozen=True)
class Options:
    """What decides the rows of a game.

    Attributes:
        effort: walk, quick, normal or deep.
        anonymous: empty, or what becomes of names: *left out* or *hashed*.
        key: mixed into hashes and ids, so that a guessed name cannot be tried out on them without
            it; at most 64 bytes are used.
        tables: folders with further tables.
        solve: endings past the tables are solved.
    """

    effort: str = WALK
    anonymous: Anonymous = ""
    key: str = ""
    tables: tuple[str, ...] = ()
    solve: bool = True


@dataclass(frozen=True)
class GamePlace:
    """Where a game stands: file as named, number from 1, byte offset in the unpacked text."""

    file: str
    number: int | None
    offset: int


@dataclass(frozen=True)
class Rows:
    """Rows by table."""

    tables: dict[str, list[Row]] = field(default_factory=dict)


def rows_of(
    read: GameRead | LineRead, options: Options, bench: Bench | None, place: GamePlace
) -> Rows:
    """All rows of one game; exactly one of them in ``games``, whatever became of the game.

    Args:
        read: the game; a LineRead will do at effort *walk*.
        bench: the judges; not asked for at effort *walk*.

    Raises:
        ValueError: an effort other than *walk*, and no bench.
    """
    walking = options.effort == WALK
    if bench is None and not walking:
        raise ValueError(f"effort {options.effort} needs judges")
    headers, start = _headers_and_start(read)
    moves = _move_bytes(read.moves)
    name = _hash(options, "game", place.file, str(place.offset), moves)
    problems = list(_problems(read, options, place, name))
    game = _game(read, headers, options, place, name)
    tables: dict[str, list[Row]] = {"games": [game], "errors": problems}
    fen = chess.STARTING_FEN
    if start is not None and "FEN" in headers:
        fen = start.fen()
        game["start_fen"] = None if fen == chess.STARTING_FEN else fen
    if start is not None and read.moves:
        walked = walk(start, read.moves)
        trades = find_trades(walked)
        game["moves_id"] = _hash(options, "moves", fen, moves)
        add_endings(game, walked)
        _add_practice(game, walked)
        tables["trades"] = [_trade(game, walked, i, t) for i, t in enumerate(trades, 1)]
        game["trades"] = len(trades)
        if not walking and bench is not None:
            from convert.collection.judged import add_review

            trouble = add_review(tables, read, walked, bench)
            if trouble:
                problems.append(
                    _error(options, place, name, None, None, f"not reviewed: {trouble}", False)
                )
    game["problems"] = len(problems)
    return Rows(tables)


def rows_of_failure(
    place: GamePlace, reason: str, options: Options, *, line: int | None = None
) -> Rows:
    """The row for a file, or a rest of one, that cannot be read."""
    return Rows({"errors": [_error(options, place, None, line, None, reason, True)]})


def _headers_and_start(
    read: GameRead | LineRead,
) -> tuple[dict[str, str], chess.Board | None]:
    headers = getattr(read, "headers", None)
    if headers is not None:
        return headers, read.start  # type: ignore[union-attr]
    game = getattr(read, "game", None)
    if game is None:
        return {}, None
    return dict(game.headers), game.board()


# --- tags ----------------------------------------------------------------------------------------

_OWN_COLUMNS = {
    "White",
    "Black",
    "Event",
    "Site",
    "Round",
    "Date",
    "Result",
    "WhiteElo",
    "BlackElo",
    "TimeControl",
    "Termination",
    "FEN",
    "SetUp",
}
_POINTS = {"1-0": 1.0, "0-1": 0.0, "1/2-1/2": 0.5}
#: Section 9.8.1 of the PGN standard.
_TERMINATIONS = {
    "abandoned",
    "adjudication",
    "death",
    "emergency",
    "normal",
    "rules infraction",
    "time forfeit",
    "unterminated",
}
_TIME_CONTROL = re.compile(r"[0-9/+*:?-]{1,40}")
_DATE = re.compile(r"([0-9]{4})[.]([0-9]{2}|\?\?)[.]([0-9]{2}|\?\?)")
_YEAR = re.compile(r"[0-9]{4}(?![0-9])")
_HIGHEST_RATING = 9999


def _known(value: str | None) -> str | None:
    """The value of a tag; null for the standard's signs of not knowing."""
    value = value.strip() if value else ""
    return None if value in ("", "?", "-") else value


@lru_cache(maxsize=1 << 12)
def _rating(value: str | None) -> int | None:
    value = value.strip() if value else ""
    if not (value.isascii() and value.isdigit()):
        return None
    number = int(value) if len(value) <= 5 else 0
    return number if 0 < number <= _HIGHEST_RATING else None


@lru_cache(maxsize=1 << 12)
def _day(value: str | None) -> tuple[date | None, int | None]:
    """Day and year; null where not given in full, or not in the calendar."""
    value = value.strip() if value else ""
    match = _DATE.fullmatch(value)
    if match is None:
        year = _YEAR.match(value)
        return None, (int(year[0]) or None) if year else None
    number = int(match[1]) or None
    try:
        return date(int(match[1]), int(match[2]), int(match[3])), number
    except ValueError:
        return None, number


def _lost_on_time(result: str, termination: str) -> str | None:
    """The side that lost on time, as far as the Termination tag tells it."""
    if "time" not in termination.lower():
        return None
    return {"1-0": "black", "0-1": "white"}.get(result)


def _hash(options: Options, *parts: str | bytes, size: int = 10) -> str:
    """Hexadecimal digits that depend on the key and the parts."""
    made = blake2b(digest_size=size, key=options.key.encode()[:64])
    for part in parts:
        made.update(part.encode("utf-8", "surrogateescape") if isinstance(part, str) else part)
        made.update(b"\0")
    return made.hexdigest()


@lru_cache(maxsize=1 << 14)
def _player(options: Options, name: str | None) -> str | None:
    known = _known(name)
    if known is None or options.anonymous == "left out":
        return None
    if options.anonymous:
        return f"player {_hash(options, 'player', ' '.join(known.split()).casefold())}"
    return known


@lru_cache(maxsize=1 << 10)
def file_name(options: Options, file: str) -> str:
    """The file as it stands in the rows; under ``anonymous`` a name made from its hash.

    A file is often named after a player.
    """
    return f"file {_hash(options, 'file', file)}" if options.anonymous else file


def _game(
    read: GameRead | LineRead,
    headers: dict[str, str],
    options: Options,
    place: GamePlace,
    name: str,
) -> Row:
    result = headers.get("Result", "*")
    day, year = _day(headers.get("Date"))
    row: Row = {
        "id": name,
        "file": file_name(options, place.file),
        "number": place.number,
        "offset": place.offset,
        "white": _player(options, headers.get("White")),
        "black": _player(options, headers.get("Black")),
        "date": day,
        "year": year,
        "result": result if result in _POINTS else "*",
        "white_points": _POINTS.get(result),
        "white_rating": _rating(headers.get("WhiteElo")),
        "black_rating": _rating(headers.get("BlackElo")),
        "time_control": _known(headers.get("TimeControl")),
        "termination": _known(headers.get("Termination")),
        "on_time": _lost_on_time(result, headers.get("Termination", "")),
        "plies": len(read.moves),
        "complete": read.complete,
        "effort": options.effort,
        "program": PROGRAM,
    }
    if options.anonymous:
        for column, whole in (
            ("time_control", _TIME_CONTROL.fullmatch(row["time_control"] or "")),
            ("termination", (row["termination"] or "").lower() in _TERMINATIONS),
        ):
            if not whole:
                row[column] = None
    else:
        row["event"] = _known(headers.get("Event"))
        row["site"] = _known(headers.get("Site"))
        row["round"] = _known(headers.get("Round"))
        others = [item for item in headers.items() if item[0] not in _OWN_COLUMNS]
        row["other_tags"] = others or None
    return row


def _add_practice(game: Row, walked: Walk) -> None:
    """The first material counted in games in which one side has more."""
    for kind in kinds_of(walked):
        if kind.first is not None:
            game["practice_key"] = kind.key
            game["practice_side"] = side_name(kind.first)
            return


def _move_bytes(moves: tuple[chess.Move, ...]) -> bytes:
    return bytes(
        byte for move in moves for byte in (move.from_square, move.to_square, move.promotion or 0)
    )


# --- what is wrong -------------------------------------------------------------------------------

_QUOTED = re.compile(r"'[^']*'|\"[^\"]*\"|(?<=left out: )\[.*", re.DOTALL)


def _problems(
    read: GameRead | LineRead, options: Options, place: GamePlace, name: str
) -> list[Row]:
    return [
        _error(options, place, name, problem.line, problem.ply, problem.reason, problem.fatal)
        for problem in read.problems
    ]


def _error(
    options: Options,
    place: GamePlace,
    game: str | None,
    line: int | None,
    ply: int | None,
    reason: str,
    fatal: bool,
) -> Row:
    if options.anonymous:  # what is quoted from the file may be a name
        reason = _QUOTED.sub("...", reason).replace(place.file, file_name(options, place.file))
    return {
        "file": file_name(options, place.file),
        "number": place.number,
        "game": game,
        "line": line,
        "offset": place.offset,
        "ply": ply,
        "reason": reason,
        "fatal": fatal,
    }


# --- trades --------------------------------------------------------------------------------------

_name = lru_cache(maxsize=1 << 12)(name_trade)


@lru_cache(maxsize=1 << 12)
def gone(white_gave: tuple[chess.PieceType, ...], black_gave: tuple[chess.PieceType, ...]) -> str:
    """Kind of trade: its strongest piece where both sides gave the same, pawns not counted.

    Bishop and knight count as the same.  A rook for a minor piece, with like pieces besides or
    not, is *the exchange*; anything else *unequal pieces*.
    """
    both = [
        sorted(chess.BISHOP if man == chess.KNIGHT else man for man in gave if man != chess.PAWN)
        for gave in (white_gave, black_gave)
    ]
    white, black = both
    if white == black:
        strongest = max(white, default=chess.PAWN)
        return {
            chess.PAWN: "pawns",
            chess.BISHOP: "minor pieces",
            chess.ROOK: "rooks",
            chess.QUEEN: "queens",
        }[strongest]
    more, less = Counter(white) - Counter(black), Counter(black) - Counter(white)
    if {chess.ROOK: 1} in (more, less) and {chess.BISHOP: 1} in (more, less):
        return "the exchange"
    return "unequal pieces"


@lru_cache(maxsize=1 << 12)
def _gave(men_lost: tuple[chess.PieceType, ...]) -> str:
    return "".join(LETTERS[man] for man in sorted(men_lost, reverse=True))


def _trade(game: Row, walked: Walk, number: int, trade: FoundTrade) -> Row:
    before, after = walked.counts[trade.first - 1], walked.counts[trade.last]
    began = trade.began_by
    ratings = game["black_rating"], game["white_rating"]
    return {
        "game": game["id"],
        "trade": number,
        "first_ply": trade.first,
        "last_ply": trade.last,
        "number": walked.steps[trade.first - 1].number,
        "name": _name(trade.white_gave, trade.black_gave),
        "gone": gone(trade.white_gave, trade.black_gave),
        "white_gave": _gave(trade.white_gave),
        "black_gave": _gave(trade.black_gave),
        "offered_by": None if trade.offered_by is None else side_name(trade.offered_by),
        "offered_ply": trade.offered_ply,
        "began_by": side_name(began),
        "recaptures": len(trade.recaptures),
        "liquidation": trade.liquidation,
        "kind_before": phase_kind(before),
        "kind_after": phase_kind(after),
        "material_before": material_text(before),
        "material_after": material_text(after),
        "balance_before": balance_name(before),
        "balance_after": balance_name(after),
        "began_rating": ratings[began],
        "other_rating": ratings[not began],
        "began_points": points_of(game["white_points"], began),
    }
