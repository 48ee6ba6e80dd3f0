"""Which games are most worth looking at, by a rule that is told beside them."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import chess
import numpy as np

from convert.collection.batch import SIDES, Batch, Player, Seats
from convert.collection.counting import Flags, Ints, codes, numbers
from convert.collection.dataset import Chunk
from convert.model.summary import Moment, Pick
from convert.wording.small import times

#: Moments told of one game.
MOST_MOMENTS = 3

SLIP_RULE = (
    "Ranked by the number of certain slips that gave a won position away, of either side; among "
    "equals by those that turned the win into a loss at once, then by those made with a trade, by "
    "certain slips that lost a drawn game, by suspected slips, and by how far the estimate fell at "
    "the move that turned the game; then the shorter game first. What is not certain is named so."
)
PLAYER_RULE = (
    "Games of {player}, ranked by the number of the player's certain slips that gave a won "
    "position away; among equals by those that turned the win into a loss at once, then by those "
    "made with a trade, by certain slips that lost a drawn game, by suspected slips, and by how "
    "far the estimate fell at the player's move that turned the game; then the shorter game first. "
    "What is not certain is named so."
)
MATERIAL_RULE = (
    "Without verdicts: games in which the side with more material in the first ending lost, those "
    "that went on longest from there first, then those that it drew."
)
PLAYER_MATERIAL_RULE = (
    "Without verdicts: games in which {player} had more material in the first ending and lost, "
    "those that went on longest from there first, then those that were drawn."
)
FORFEIT = "A position won for certain was lost on time."

_DETAILS = (
    "id",
    "file",
    "number",
    "offset",
    "white",
    "black",
    "event",
    "date",
    "year",
    "result",
    "start_fen",
    "ending_ply",
    "ending_edge",
    "ending_ahead",
    "ending_material",
    "plies",
    "deciding_ply",
    "deciding_number",
    "deciding_side",
    "deciding_move",
    "deciding_before",
    "deciding_after",
    "deciding_better",
    "deciding_fen",
)
_SLIP_DETAILS = (
    "game",
    "ply",
    "number",
    "side",
    "move",
    "certain",
    "before_low",
    "before_evidence",
    "before_win",
    "after_win",
    "cost",
    "after_low",
    "after_high",
    "after_evidence",
    "by_trade",
    "handed_back",
    "held",
    "fen",
)


@dataclass(frozen=True, order=True)
class _Kept:
    """A game that is among the first so far: ``rank`` is greater for what comes first."""

    rank: tuple[int, ...]
    before: int
    files: Chunk = field(compare=False)
    game: str = field(compare=False)


class Picker:
    """Keeps the ``most`` games that rank highest while the batches go by.

    Args:
        most: games to keep.
        player: only this player's slips or endings count, where given.
    """

    def __init__(self, most: int, player: Player | None = None):
        self.most = most
        self.player = player
        self._by_slips: list[_Kept] = []
        self._by_material: list[_Kept] = []
        self._forfeits: list[_Kept] = []
        self.forfeits = 0
        self._seen = 0

    def _offer(self, heap: list[_Kept], rank: tuple[int, ...], files: Chunk, game: str) -> None:
        self._seen += 1
        best = _Kept(rank, -self._seen, files, game)
        if len(heap) < self.most:
            heapq.heappush(heap, best)
        elif heap and best.rank > heap[0].rank:
            heapq.heapreplace(heap, best)

    def slips(self, batch: Batch, games: Ints, hits: Sequence[Flags], mine: Flags | None) -> None:
        """Offer the games of a batch by their slips, and by the move that turned each.

        Args:
            games: for each slip the index of its game.
            hits: slips that gave a win away, those of them that lost at once, those by a trade,
                slips that lost a drawn game, suspected slips.
            mine: slips of the player, where there is one.
        """
        if not self.most or not batch.size:
            return
        own = np.ones(len(games), bool) if mine is None else mine
        ranks = [np.bincount(games[hit & own], minlength=batch.size) for hit in hits]
        turned = codes(batch.games["deciding_side"], SIDES)
        fell = numbers(batch.games["deciding_before"], 0) - numbers(
            batch.games["deciding_after"], 0
        )
        of_mine = batch.owned(turned)
        if of_mine is not None:
            turned = np.where(of_mine, turned, -1)
        ranks.append(np.where(turned >= 0, np.maximum(np.rint(100 * fell), 1), 0).astype(np.int64))
        ranks.append(-batch.plies.astype(np.int64))
        table = np.stack(ranks, axis=1)
        changed = np.flatnonzero((table[:, :-1] > 0).any(axis=1))
        # No more than ``most`` of a batch can stay: the rest is not offered.
        order = np.lexsort(table[changed][:, ::-1].T)[::-1]
        for index in sorted(changed[order][: self.most]):
            rank = tuple(int(value) for value in table[index])
            self._offer(self._by_slips, rank, batch.files, batch.ids[int(index)].as_py())

    def forfeit(self, batch: Batch, seats: Seats) -> None:
        """Note the games in which a position won for certain was lost on time."""
        lost = seats.won & seats.on_time & (seats.points == 0)
        if seats.mine is not None:
            lost = lost & seats.mine
        games = np.unique(seats.game[lost])
        self.forfeits += len(games)
        for index in games:
            rank = (-int(batch.plies[index]),)
            self._offer(self._forfeits, rank, batch.files, batch.ids[int(index)].as_py())

    def material(self, batch: Batch) -> None:
        """Offer the games of a batch by the material of their first ending."""
        if self._by_slips or not self.most:
            return
        table, _ = batch.more(("ending_ply",))
        ahead = codes(batch.games["ending_ahead"], SIDES)
        points = batch.side_points(ahead)
        fits = (ahead >= 0) & (points < 1) & batch.own_games
        if batch.mine is not None:
            fits &= np.where(ahead == 0, batch.mine[0], batch.mine[1])
        went_on = batch.plies - numbers(table["ending_ply"], 0)
        for index in np.flatnonzero(fits):
            rank = (int(points[index] == 0), int(went_on[index]))
            if len(self._by_material) < self.most or rank > self._by_material[0].rank:
                self._offer(self._by_material, rank, batch.files, batch.ids[int(index)].as_py())

    def picks(self, *, judged: bool) -> tuple[tuple[Pick, ...], str]:
        """The games, first one first, and the rule in words."""
        heap = self._by_slips if judged else self._by_material
        rules = (SLIP_RULE, PLAYER_RULE) if judged else (MATERIAL_RULE, PLAYER_MATERIAL_RULE)
        rule = rules[0] if self.player is None else rules[1].format(player=self.player.name)
        return self._listed(heap, judged), rule

    def forfeited(self) -> tuple[Pick, ...]:
        """Games with a won position lost on time, short ones first."""
        return tuple(
            replace(pick, why=FORFEIT) for pick in self._listed(self._forfeits, judged=True)
        )

    def _listed(self, heap: list[_Kept], judged: bool) -> tuple[Pick, ...]:
        chosen = sorted(heap, reverse=True)
        table: dict[str, Pick] = {}
        for files in {id(best.files): best.files for best in chosen}.values():
            wanted = [best.game for best in chosen if best.files is files]
            table |= _told(files, wanted, judged, self.player)
        return tuple(table[best.game] for best in chosen)


def _told(files: Chunk, wanted: list[str], judged: bool, player: Player | None) -> dict[str, Pick]:
    """What the tables tell of some games of one chunk, by id."""
    import pyarrow as pa
    import pyarrow.compute as pc

    ids = pa.array(wanted, pa.string())
    games = files.read("games", _DETAILS)
    rows = games.filter(pc.is_in(games["id"], value_set=ids)).to_pylist()
    slips = files.read("slips", _SLIP_DETAILS)
    cells = slips.filter(pc.is_in(slips["game"], value_set=ids)).to_pylist() if judged else []
    out: dict[str, Pick] = {}
    for row in rows:
        own = [s for s in cells if s["game"] == row["id"]]
        if judged and row["deciding_ply"] is not None:
            own += _turned(row, own)
        if player is not None:
            own = [s for s in own if player.plays(row[s["side"]])]
        out.setdefault(row["id"], _pick(row, own))
    return out


def _turned(row: dict[str, Any], slips: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The move that turned the game by the estimate, as a row of slips; none if it is one."""
    if any(slip["ply"] == row["deciding_ply"] for slip in slips):
        return []
    fields = ("ply", "side", "number", "move", "fen")
    return [
        {field: row[f"deciding_{field}"] for field in fields}
        | {
            "certain": False,
            "held": row["deciding_better"],
            "before": row["deciding_before"],
            "after": row["deciding_after"],
            "by_trade": False,
            "handed_back": False,
            "before_low": None,
        }
    ]


def _pick(row: dict[str, Any], slips: list[dict[str, Any]]) -> Pick:
    first = sorted(slips, key=lambda slip: (_order(slip), slip["ply"]))[:MOST_MOMENTS]
    moments = tuple(_moment(slip) for slip in sorted(first, key=lambda slip: slip["ply"]))
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
        why=_why(slips) if slips else _material_words(row),
        moments=moments,
        more=len(slips) - len(moments),
    )


def _order(slip: dict[str, Any]) -> int:
    """Which moments are told first: certain ones, suspected ones, what the estimate tells."""
    if not slip["certain"]:
        return 3 if "before" in slip else 2
    return 0 if slip["before_low"] == "win" else 1


_WHY = (
    ("gave a win away", ""),
    ("lost a drawn game", ""),
    ("slipped", " (suspected)"),
    ("turned it", " (by the estimate)"),
)


def _why(slips: list[dict[str, Any]]) -> str:
    """``White gave a win away twice, Black once. Suspected: ...``"""
    sentences = []
    for order, (verb, how) in enumerate(_WHY):
        counts = [
            (side.capitalize(), sum(s["side"] == side and _order(s) == order for s in slips))
            for side in SIDES
        ]
        texts = [f"{name} {verb} {times(n)}" for name, n in counts if n]
        if order == 3:
            texts = [f"{name} turned the game" for name, n in counts if n]
        if len(texts) == 2:
            texts[1] = f"{counts[1][0]} {times(counts[1][1])}"
        if texts:
            sentences.append(", ".join(texts) + how + ".")
    return " ".join(sentences)


def _year(year: int | None) -> str:
    return f"{year}.??.??" if year else ""


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
    text = _became(slip, side)
    text += ", by a trade" if slip["by_trade"] else ""
    if slip["held"]:
        text += f"; {slip['held']} {'held' if slip['certain'] else 'looks better'}"
    text += "; handed back" if slip["handed_back"] else ""
    uci = ""
    if slip["fen"]:
        try:
            uci = chess.Board(slip["fen"]).parse_san(slip["move"]).uci()
        except ValueError:
            uci = ""
    return Moment(slip["ply"], label, side, text + ".", slip["fen"] or "", uci)


def _became(slip: dict[str, Any], side: str) -> str:
    """What the move did, with the evidence."""
    if "before" in slip:
        return (
            f"By the estimate {side}'s expected points fall from {slip['before']:.1f} to "
            f"{slip['after']:.1f}"
        )
    before, after = f"({slip['before_evidence']})", f"({slip['after_evidence']})"
    if not slip["certain"]:
        winning = slip["before_low"] == "win"
        lead = f"{side} was winning {before}; suspected" if winning else "Suspected"
        return f"{lead}: {_suspected(slip, side, after)}"
    if slip["before_low"] != "win":
        return f"{side} had a draw {before} and now loses {after}"
    became = "no longer is"
    if slip["after_high"] == "loss":
        became = "now loses"
    elif slip["after_low"] == slip["after_high"]:
        became = "now it is drawn"
    return f"{side} was winning {before} and {became} {after}"


def _suspected(slip: dict[str, Any], side: str, after: str) -> str:
    """What a suspected slip cost: chances of winning, or of holding where those were at stake.

    The expected score falls by half of what winning loses and losing gains.
    """
    fall = (slip["before_win"] or 0) - (slip["after_win"] or 0)
    rise = 2 * (slip["cost"] or 0) - fall
    if slip["after_high"] == "loss":
        return f"{side} now loses {after}, where the estimate had seen {_chance(rise)} held"
    if rise > fall:
        return f"the chance of losing grew by {_chance(rise)} {after}"
    won = f"chances of winning from {_chance(slip['before_win'])} to {_chance(slip['after_win'])}"
    return f"{won} {after}"


def _chance(probability: float | None) -> str:
    """``8 of 10``."""
    return f"{round(10 * (probability or 0))} of 10"
