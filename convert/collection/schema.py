"""The columns of a collection's tables: names, types, units and what they mean.

One place for what is written, what docs/collection.md lists and what the report reads.  Conventions
in all tables:

* a *ply* is counted from 1 for the first move of the game record; ply 0 is the starting position,
  "after ply 0" the same;
* a side is ``white`` or ``black``; an outcome is ``win``, ``cursed win``, ``draw``, ``blessed
  loss`` or ``loss`` for the side named in the column's meaning, as in docs/words.md;
* ``low`` and ``high`` are the lowest and the highest outcome still possible: a certain win has a
  ``low`` of ``win``, a certain loss a ``high`` of ``loss``;
* null means that it is not known or does not apply; columns marked *judged* are null throughout at
  ``--effort walk``, which judges nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pyarrow

#: Raised whenever a column changes its name, its type or its meaning.
SCHEMA = 2

#: Arrow's types by the names used here.
TYPES = ("text", "flag", "int16", "int32", "int64", "real", "date", "tags")


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes:
        name: plain words, joined by underscores.
        type: one of :data:`TYPES`; *real* is a 64-bit float, *tags* a map from text to text.
        meaning: one line, with unit and side.
        judged: filled from verdicts only, so null at ``--effort walk``.
        personal: holds names or what leads to them; left out or hashed by ``--anonymous``.
        few: takes few different values (words rather than texts).
    """

    name: str
    type: str
    meaning: str
    judged: bool = False
    personal: bool = False
    few: bool = False


def _text(name: str, meaning: str, *, judged: bool = False, personal: bool = False) -> Column:
    return Column(name, "text", meaning, judged, personal)


def _word(name: str, meaning: str, *, judged: bool = False) -> Column:
    return Column(name, "text", meaning, judged, few=True)


def _flag(name: str, meaning: str, *, judged: bool = False) -> Column:
    return Column(name, "flag", meaning, judged)


def _int(name: str, meaning: str, *, judged: bool = False, type: str = "int16") -> Column:
    return Column(name, type, meaning, judged)


def _real(name: str, meaning: str, *, judged: bool = False) -> Column:
    return Column(name, "real", meaning, judged)


def _verdict(prefix: str, where: str, side: str) -> tuple[Column, ...]:
    """Lowest and highest outcome, evidence and probability of winning."""
    return (
        _word(f"{prefix}_low", f"lowest outcome still possible {where}, for {side}", judged=True),
        _word(f"{prefix}_high", f"highest outcome still possible {where}, for {side}", judged=True),
        _word(f"{prefix}_evidence", f"how the outcome {where} is known", judged=True),
        _real(
            f"{prefix}_win",
            f"probability that {side} wins {where}, 0 to 1; an estimate unless low and high agree",
            judged=True,
        ),
    )


def _best(color: str) -> tuple[Column, ...]:
    name = color.capitalize()
    return (
        _word(
            f"{color}_best",
            f"best outcome that {name} could force for certain at any point; "
            "null if nothing better than a loss ever was certain",
            judged=True,
        ),
        _word(f"{color}_best_evidence", f"how that outcome of {name}'s is known", judged=True),
        _int(f"{color}_best_ply", "ply after which it was first so", judged=True, type="int32"),
        _word(f"{color}_best_kind", "kind of ending there; middlegame", judged=True),
        _real(
            f"{color}_best_chance",
            f"greatest probability of winning that {name} had, 0 to 1",
            judged=True,
        ),
        _int(
            f"{color}_best_chance_ply",
            "ply after which it was first so great",
            judged=True,
            type="int32",
        ),
        _int(
            f"{color}_better_ply",
            f"ply after which {name} was winning for certain or, for four plies or up to the end, "
            "clearly better by the estimate; null if neither",
            judged=True,
            type="int32",
        ),
        _word(f"{color}_better_kind", "kind of ending there; middlegame", judged=True),
        _flag(
            f"{color}_let_slip",
            f"{name} gave a certain win away, by a certain slip or one that the estimate "
            "suspects; null if there never was one",
            judged=True,
        ),
    )


GAMES = (
    _text("id", "names the game: the same as long as it stands at the same place of its file"),
    _text(
        "moves_id", "the same for games with the same start and the same moves; null without moves"
    ),
    Column("file", "text", "the file as it was named", personal=True, few=True),
    _int("number", "number of the game in its file, from 1", type="int32"),
    _int("offset", "byte at which its text begins, in the unpacked file, from 0", type="int64"),
    _text("white", "White's name", personal=True),
    _text("black", "Black's name", personal=True),
    _text("event", "the Event tag", personal=True),
    _text("site", "the Site tag", personal=True),
    _text("round", "the Round tag", personal=True),
    Column("date", "date", "day of the game; null unless year, month and day are given"),
    _int("year", "year of the game"),
    _word("result", "1-0, 0-1, 1/2-1/2, or * when unfinished or unknown"),
    _real("white_points", "White's points: 1, 0.5 or 0; null for *"),
    _int("white_rating", "White's rating"),
    _int("black_rating", "Black's rating"),
    _word("time_control", "the TimeControl tag"),
    _word("termination", "the Termination tag"),
    _word("on_time", "side that lost on time, by the Termination tag; null if neither did"),
    Column("other_tags", "tags", "all other tags of the game, by name", personal=True),
    _int("plies", "plies of the main line that could be read", type="int32"),
    _text("start_fen", "the position it starts from; null for the usual one"),
    _flag("complete", "the main line was read to its end"),
    _int("problems", "number of rows about this game in errors"),
    _word("effort", "walk, quick, normal or deep"),
    _text("program", "name and version of the program that made the row"),
    _int("trades", "number of trades"),
    # -- the first ending
    _int(
        "ending_ply",
        "first ending: the ply after which it stood; an ending is a phase with at "
        "most two pieces a side besides kings and pawns",
        type="int32",
    ),
    _word("ending_kind", "kind of the first ending, by its pieces"),
    _word("ending_material", "men of the first ending, White's first: KRPPvKNPPP"),
    _int("ending_men", "men in the first ending, the kings included"),
    _word("ending_balance", "material balance of the first ending in words"),
    _word("ending_edge", "what the side ahead has more in it, in words"),
    _word("ending_ahead", "side ahead in material; null when level"),
    _int("ending_white_pawns", "White's pawns in the first ending"),
    _int("ending_black_pawns", "Black's pawns in the first ending"),
    _text(
        "practice_key",
        "material with which games are counted (docs/measuring.md): the first in which one side "
        "has more and which lasted four plies, or two to the end of the game",
    ),
    _word("practice_side", "side that has more in it"),
    # -- rook for a minor piece, nothing else
    _int(
        "exchange_ply", "first pure exchange-up phase: the ply after which it began", type="int32"
    ),
    _word("exchange_side", "the side that has the rook"),
    _word("exchange_minor", "what the other side has: bishop or knight"),
    _int("exchange_pawns", "pawns on the board when it began"),
    _int("exchange_pawns_up", "pawns of the side that has the rook"),
    _int("exchange_pawns_down", "pawns of the other side"),
    _int("exchange_plies", "plies that it lasted", type="int32"),
    _real("exchange_points", "points of the side that has the rook; null for *"),
    # -- only kings and pawns
    _int(
        "pawn_ending_ply",
        "ply after which only kings and pawns (at least one) stood first",
        type="int32",
    ),
    _word("pawn_ending_way", "how it came about: trade, capture, promotion, start"),
    _word("pawn_ending_pieces", "the pieces of the trade or the capture: RvR, QvR, N"),
    _word(
        "pawn_ending_first", "side that took first in the trade, or that captured the last piece"
    ),
    _int("pawn_ending_white_pawns", "White's pawns when it began"),
    _int("pawn_ending_black_pawns", "Black's pawns when it began"),
    _int(
        "pawn_ending_lead",
        "pawns of the side that took first less those of the other, when it began",
    ),
    _real("pawn_ending_points", "points of the side that took first; null for *"),
    # -- verdicts
    _word(
        "side",
        "side under review: the first to be winning or clearly better, else the winner, "
        "else the one that came nearer",
        judged=True,
    ),
    _int(
        "better_ply",
        "ply after which the side under review was winning for certain or, where "
        "it never was, clearly better by the estimate; null if neither",
        judged=True,
        type="int32",
    ),
    _flag("better_certain", "it was winning for certain there", judged=True),
    _word("better_evidence", "how that is known", judged=True),
    _word(
        "better_kind",
        "kind of ending there; middlegame with more than two pieces a side",
        judged=True,
    ),
    _word("better_material", "men there, White's first", judged=True),
    _word("better_edge", "what the side ahead in material has more there, in words", judged=True),
    _word("better_ahead", "side ahead in material there; null when level", judged=True),
    *_best("white"),
    *_best("black"),
    _flag(
        "converted",
        "the side under review won, having been winning or clearly better; null if "
        "it never was or the result is *",
        judged=True,
    ),
    _flag(
        "let_slip",
        "the side under review gave a certain win away at least once; null if it never had one",
        judged=True,
    ),
    _int(
        "settled_ply",
        "ply after which every position to the end is settled exactly",
        judged=True,
        type="int32",
    ),
    _word("settled_outcome", "outcome there for the side under review", judged=True),
    _word("settled_evidence", "how it is known", judged=True),
    _int(
        "turning_ply",
        "ply after which the exact outcome stayed the same to the end",
        judged=True,
        type="int32",
    ),
    # -- where the outcome changed last
    _int(
        "deciding_ply", "ply of the move that changed it; null if none", judged=True, type="int32"
    ),
    _int("deciding_number", "its number, as in the score", judged=True, type="int32"),
    _word("deciding_side", "side that made it", judged=True),
    _word("deciding_move", "the move in SAN", judged=True),
    _flag("deciding_certain", "the change is proved; else told by the estimate", judged=True),
    _real("deciding_before", "its player's expected points before it, 0 to 1", judged=True),
    _real("deciding_after", "its player's expected points after it, 0 to 1", judged=True),
    _word("deciding_better", "a move that held, or looks better, in SAN", judged=True),
    _text("deciding_fen", "the position before it", judged=True),
    _word("deciding_kind", "kind of ending before it; middlegame", judged=True),
    _word(
        "final_outcome",
        "outcome of the final position for White, where it is certain",
        judged=True,
    ),
    _real("final_expected", "White's expected points in the final position, 0 to 1", judged=True),
    _word("final_evidence", "how that is known", judged=True),
    _int("white_slips", "White's certain slips", judged=True),
    _int("black_slips", "Black's certain slips", judged=True),
    _int("white_suspected", "White's slips that are suspected by the estimate only", judged=True),
    _int("black_suspected", "Black's slips that are suspected by the estimate only", judged=True),
)

_BEGAN = "the side that began"
_REVIEWED = "the side under review"

TRADES = (
    _text("game", "id of its game"),
    _int("trade", "number of the trade in its game, from 1"),
    _int("first_ply", "ply of the first capture", type="int32"),
    _int("last_ply", "ply of the last capture", type="int32"),
    _int("number", "number of the move with the first capture, as in the score", type="int32"),
    _text("moves", "its moves in SAN", judged=True),
    _word("name", "what was traded, in words"),
    _word(
        "gone", "kind of trade: queens, rooks, minor pieces, pawns, the exchange, or unequal pieces"
    ),
    _word("white_gave", "men that White lost, strongest first: QRBNP"),
    _word("black_gave", "men that Black lost, strongest first"),
    _word(
        "offered_by",
        "side whose move brought the first two men into contact; null if they "
        "stood so from the start",
    ),
    _int("offered_ply", "ply of that move", type="int32"),
    _word("began_by", "side that took first"),
    _int("recaptures", "captures that took back on the square of the capture before"),
    _flag("liquidation", "several trades in a row, or the last pieces into a pawn ending"),
    _word("kind_before", "kind of ending before; middlegame with more than two pieces a side"),
    _word("kind_after", "kind of ending after"),
    _word("material_before", "men before, White's first"),
    _word("material_after", "men after, White's first"),
    _word("balance_before", "material balance before, in words"),
    _word("balance_after", "material balance after, in words"),
    _int("began_rating", "rating of the player who began"),
    _int("other_rating", "rating of the other player"),
    _real("began_points", "points of the player who began; null for *"),
    *_verdict("before", "before the first capture", _BEGAN),
    *_verdict("after", "after the last capture", _BEGAN),
    _word("side", "side under review", judged=True),
    _word("side_before_low", f"lowest outcome before, for {_REVIEWED}", judged=True),
    _word("side_before_high", f"highest outcome before, for {_REVIEWED}", judged=True),
    _real("side_before_win", f"probability before that {_REVIEWED} wins, 0 to 1", judged=True),
    _word("side_after_low", f"lowest outcome after, for {_REVIEWED}", judged=True),
    _word("side_after_high", f"highest outcome after, for {_REVIEWED}", judged=True),
    _real("side_after_win", f"probability after that {_REVIEWED} wins, 0 to 1", judged=True),
    _word("start_grade", "grade of the first capture, for its player (docs/words.md)", judged=True),
    _word("offer_grade", "grade of the offer; null where it was not judged", judged=True),
    _word(
        "recapture_grade",
        "grade of the first recapture that was judged; null if none was",
        judged=True,
    ),
)

DECISIONS = (
    _text("game", "id of its game"),
    _int("trade", "number of the trade in its game; null for one that was declined"),
    _word("part", "offer, start, recapture or decline"),
    _int("ply", "ply of the move", type="int32"),
    _word("side", "side that made it"),
    _word("move", "the move in SAN"),
    _word(
        "grade",
        "needed, right, harmless, wrong, missed; by the estimate only: in favour, against, even",
    ),
    _word("gone", "kind of trade, as in trades; null for one that was declined"),
    _word("kind", "kind of ending before the move; middlegame with more than two pieces a side"),
    _int("rating", "rating of the player who made the move"),
    _real("points", "points of that player; null for *"),
    *_verdict("before", "before the move", "its player"),
    *_verdict("after", "after the move", "its player"),
    _word("better_move", "a better move that is shown, in SAN"),
    _real(
        "difference",
        "expected points less those of the best move of the other kind; given with "
        "an estimate only",
    ),
)

SLIPS = (
    _text("game", "id of its game"),
    _int("ply", "ply of the slip", type="int32"),
    _int("number", "number of the move, as in the score", type="int32"),
    _word("side", "side that slipped"),
    _word("move", "the move in SAN"),
    _flag(
        "certain",
        "the verdicts before and after do not overlap; else suspected by the estimate only",
    ),
    *_verdict("before", "before the move", "its player"),
    *_verdict("after", "after the move", "its player"),
    _flag("by_trade", "the slip began a trade"),
    _word("missed_trade", "a trade that would have held, in SAN"),
    _word(
        "held",
        "a move that would have held, in SAN; where the slip is suspected, one that looks better",
    ),
    _flag("gift", "the opponent's slip before it had given the player what it gave back"),
    _real("cost", "expected points before the move less those after it, 0 to 1", judged=True),
    _flag("handed_back", "the opponent's next certain slip gave it back"),
    _int("handed_back_ply", "ply of that slip", type="int32"),
    _int(
        "halfmove_clock", "plies since the last capture or pawn move, before the slip", type="int32"
    ),
    _real(
        "clock_seconds",
        "time left on the player's clock after the move, seconds, where the file tells it",
    ),
    _text("fen", "the position before the move"),
    _word("kind", "kind of ending before the move; middlegame with more than two pieces a side"),
    _int("men", "men on the board before the move, the kings included"),
    _int("rating", "rating of the player"),
    _int("other_rating", "rating of the opponent"),
    _real("points", "points of the player; null for *"),
)

ERRORS = (
    Column("file", "text", "the file as it was named", personal=True, few=True),
    _int("number", "number of the game in its file, from 1; null outside games", type="int32"),
    _text("game", "id of the game; null outside games"),
    _int("line", "line in the unpacked file, from 1, where it is known", type="int64"),
    _int("offset", "byte at which the game begins, in the unpacked file", type="int64"),
    _int("ply", "ply concerned, or of the last good move before the trouble", type="int32"),
    _word("reason", "what is wrong and what was done about it"),
    _flag("fatal", "nothing of the game could be used"),
)

#: Columns by table, in the order in which they are written; ``games`` last marks a finished part.
TABLES: dict[str, tuple[Column, ...]] = {
    "trades": TRADES,
    "decisions": DECISIONS,
    "slips": SLIPS,
    "errors": ERRORS,
    "games": GAMES,
}


@cache
def arrow_schema(table: str) -> pyarrow.Schema:
    """The Arrow schema of a table, meanings and the schema number in its metadata.

    Raises:
        KeyError: no such table.
    """
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "flag": pa.bool_(),
        "int16": pa.int16(),
        "int32": pa.int32(),
        "int64": pa.int64(),
        "real": pa.float64(),
        "date": pa.date32(),
        "tags": pa.map_(pa.string(), pa.string()),
    }
    fields = [
        pa.field(column.name, types[column.type], metadata={"meaning": column.meaning})
        for column in TABLES[table]
    ]
    return pa.schema(fields, metadata={"fullpoint.schema": str(SCHEMA), "fullpoint.table": table})
