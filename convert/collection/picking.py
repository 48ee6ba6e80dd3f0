"""Which games are most worth looking at, by a rule that is told beside them."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import chess
import numpy as np
import numpy.typing as npt

from convert.collection.counting import Flags, Ints, codes, numbers
from convert.collection.dataset import PartFiles, plain
from convert.collection.summary import Moment, Pick

SIDES = ("white", "black")
#: Moments told of one game.
MOST_MOMENTS = 3

SLIP_RULE = (
    "Ranked by the number of certain slips that gave a won position away, of either side; among "
    "equals by those that turned the win into a loss at once, then by those made with a trade, "
    "then the shorter game first."
)
PLAYER_RULE = (
    "Games of {player}, ranked by the number of his or her certain slips that gave a won position "
    "away; among equals by those that turned the win into a loss at once, then by those made with "
    "a trade, then the shorter game first."
)
MATERIAL_RULE = (
    "Without verdicts: games in which the side with more material in the first ending lost, those "
    "that went on longest from there first, then those that it drew."
)
PLAYER_MATERIAL_RULE = (
    "Without verdicts: games in which {player} had more material in the first ending and lost, "
    "those that went on longest from there first, then those that were drawn."
)

_DETAILS = (
    "id", "file", "number", "offset", "white", "black", "event", "date", "year", "result",
    "start_fen", "ending_ply", "ending_edge", "ending_ahead", "ending_material", "plies",
)  # fmt: skip
_SLIP_DETAILS = (
    "game", "ply", "number", "side", "move", "certain", "before_low", "before_evidence",
    "after_low", "after_high", "after_evidence", "by_trade", "handed_back", "held", "fen",
)  # fmt: skip


@dataclass(frozen=True, order=True)
class _Kept:
    """A game that is among the first so far: ``rank`` is greater for what comes first."""

    rank: tuple[int, ...]
    before: int
    files: PartFiles
    game: str


class Picker:
    """Keeps the ``most`` games that rank highest while the parts go by.

    Args:
        most: games to keep.
        player: only this player's slips or endings count, where given.
    """

    def __init__(self, most: int, player: str | None = None):
        self.most = most
        self.player = player
        self._by_slips: list[_Kept] = []
        self._by_material: list[_Kept] = []
        self._seen = 0

    def _offer(
        self, heap: list[_Kept], rank: tuple[int, ...], files: PartFiles, game: str
    ) -> None:
        self._seen += 1
        kept = _Kept(rank, -self._seen, files, game)
        if len(heap) < self.most:
            heapq.heappush(heap, kept)
        elif heap and kept.rank > heap[0].rank:
            heapq.heapreplace(heap, kept)

    def slips(
        self,
        files: PartFiles,
        ids: Any,
        plies: npt.NDArray[np.float64],
        games: Ints,
        hits: tuple[Flags, Flags, Flags],
        mine: Flags | None,
    ) -> None:
        """Offer the games of a part by their slips.

        Args:
            plies: length of each game.
            games: for each slip the index of its game in ``ids``.
            hits: slips that gave a win away, those of them that lost at once, those by a trade.
            mine: slips of the player, where there is one.
        """
        many = len(ids)
        if not self.most or not many or not len(games):
            return
        own = np.ones(len(games), bool) if mine is None else mine
        ranks = [
            np.bincount(games[hit & own], minlength=many) for hit in hits
        ]
        least = self._by_slips[0].rank if len(self._by_slips) >= self.most else (0,)
        for index in np.flatnonzero((ranks[0] > 0) & (ranks[0] >= least[0])):
            rank = (*(int(r[index]) for r in ranks), -int(plies[index]))
            self._offer(self._by_slips, rank, files, ids[index].as_py())

    def material(
        self, files: PartFiles, ids: Any, own: Flags, mine: Sequence[Flags] | None
    ) -> None:
        """Offer the games of a part by the material of their first ending."""
        if self._by_slips or not self.most:
            return
        table = files.read("games", ("ending_ahead", "ending_ply", "plies", "white_points"))
        ahead = codes(table["ending_ahead"], SIDES)
        white = numbers(table["white_points"])
        points = np.where(ahead == 0, white, 1 - white)
        fits = (ahead >= 0) & (points < 1) & own
        if mine is not None:
            fits &= np.where(ahead == 0, mine[0], mine[1])
        went_on = numbers(table["plies"], 0) - numbers(table["ending_ply"], 0)
        for index in np.flatnonzero(fits):
            rank = (int(points[index] == 0), int(went_on[index]))
            if len(self._by_material) < self.most or rank > self._by_material[0].rank:
                self._offer(self._by_material, rank, files, ids[int(index)].as_py())

    def picks(self, *, judged: bool) -> tuple[tuple[Pick, ...], str]:
        """The games, first one first, and the rule in words."""
        heap = self._by_slips if judged else self._by_material
        rules = (SLIP_RULE, PLAYER_RULE) if judged else (MATERIAL_RULE, PLAYER_MATERIAL_RULE)
        rule = rules[0] if self.player is None else rules[1].format(player=self.player)
        chosen = sorted(heap, reverse=True)
        found: dict[str, Pick] = {}
        for files in {kept.files: None for kept in chosen}:
            wanted = [kept.game for kept in chosen if kept.files == files]
            found |= _told(files, wanted, judged, self.player)
        return tuple(found[kept.game] for kept in chosen), rule


def _told(
    files: PartFiles, wanted: list[str], judged: bool, player: str | None
) -> dict[str, Pick]:
    """What the tables tell of some games of one part, by id."""
    import pyarrow as pa
    import pyarrow.compute as pc

    ids = pa.array(wanted, pa.string())
    games = files.read("games", _DETAILS)
    rows = games.filter(pc.is_in(games["id"], value_set=ids)).to_pylist()
    slips = files.read("slips", _SLIP_DETAILS)
    told = slips.filter(pc.is_in(slips["game"], value_set=ids)).to_pylist() if judged else []
    out = {}
    for row in rows:
        own = [s for s in told if s["game"] == row["id"] and s["certain"]
               and s["before_low"] == "win"]  # fmt: skip
        if player is not None:
            own = [s for s in own if _plays(row, s["side"], player)]
        out[row["id"]] = _pick(row, sorted(own, key=lambda s: s["ply"]))
    return out


def _plays(row: dict[str, Any], side: str, player: str) -> bool:
    return plain(row[side] or "") == plain(player)


def _pick(row: dict[str, Any], slips: list[dict[str, Any]]) -> Pick:
    moments = tuple(_moment(slip) for slip in slips[:MOST_MOMENTS])
    return Pick(
        game=row["id"],
        file=row["file"] or "",
        number=row["number"],
        offset=row["offset"] or 0,
        plies=row["plies"] or 0,
        white=row["white"] or "",
        black=row["black"] or "",
        result=row["result"] or "*",
        event=row["event"] or "",
        date=row["date"].strftime("%Y.%m.%d") if row["date"] else _year(row["year"]),
        why=_slips_words(slips) if slips else _material_words(row),
        moments=moments,
        more=len(slips) - len(moments),
    )


def _year(year: int | None) -> str:
    return f"{year}.??.??" if year else ""


def _slips_words(slips: list[dict[str, Any]]) -> str:
    """``White gave a win away twice, Black once.``"""
    counts = [(s.capitalize(), sum(slip["side"] == s for slip in slips)) for s in SIDES]
    told = [f"{name} gave a win away {_times(n)}" for name, n in counts if n]
    if len(told) == 2:
        told[1] = f"{counts[1][0]} {_times(counts[1][1])}"
    return ", ".join(told) + "."


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _material_words(row: dict[str, Any]) -> str:
    side, ply = (row["ending_ahead"] or "").capitalize(), row["ending_ply"] or 0
    since = f"from {_move_after(row['start_fen'], ply)} on" if ply else "from the start"
    edge = row["ending_edge"] or "more material"
    verb = "was" if edge.endswith(" up") or " up " in edge else "had"
    won = "1-0" if side == "White" else "0-1"
    became = {"1/2-1/2": "and drew", won: "and won", "*": "and the game has no result"}
    return (
        f"{side} {verb} {edge} {since} ({row['ending_material']}) "
        f"{became.get(row['result'], 'and lost')}."
    )


def _move_after(start_fen: str | None, ply: int) -> str:
    board = chess.Board(start_fen) if start_fen else chess.Board()
    half = 2 * (board.fullmove_number - 1) + (0 if board.turn else 1) + ply
    return f"move {(half + 1) // 2}"


def _moment(slip: dict[str, Any]) -> Moment:
    white = slip["side"] == "white"
    label = f"{slip['number']}{'.' if white else '...'}{slip['move']}?"
    side = slip["side"].capitalize()
    if slip["after_high"] == "loss":
        became = f"{side} was winning ({slip['before_evidence']}) and now loses"
    elif slip["after_low"] == slip["after_high"]:
        became = f"{side} was winning ({slip['before_evidence']}) and now it is drawn"
    else:
        became = f"{side} was winning ({slip['before_evidence']}) and no longer is"
    told = f"{became} ({slip['after_evidence']})"
    told += ", by a trade" if slip["by_trade"] else ""
    told += f"; {slip['held']} held" if slip["held"] else ""
    told += "; handed back" if slip["handed_back"] else ""
    uci = ""
    if slip["fen"]:
        try:
            uci = chess.Board(slip["fen"]).parse_san(slip["move"]).uci()
        except ValueError:
            uci = ""
    return Moment(slip["ply"], label, side, told + ".", slip["fen"] or "", uci)
