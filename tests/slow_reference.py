"""Brute force to test the review against; it shares no code with the program.

Only python-chess is used: its move generator and its reading of the Syzygy
tables (``chess.syzygy``).  The fifty-move arithmetic and the proof by forced
lines are written a second time here, the plain way: every legal move is looked
at, nothing is ordered, nothing is guessed.

Values are points for a named side under the fifty-move rule: 1 win, 0 draw
(cursed wins and blessed losses included), -1 loss.  They come as a pair (lowest,
highest): the two differ only where a table stores its distances in full moves
and that one ply decides.

Laws: FIDE Laws of Chess in force from 1 January 2023, articles 5.1.1, 5.2.1,
5.2.2, 9.3 and 9.6.2.  Distances: documentation of ``chess.syzygy``, "a return
value n can mean n + 1".
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import chess
import chess.pgn
import chess.syzygy

Points = tuple[int, int]

#: Most men of the tables in use.
MEN = 4
#: Positions looked at to find out a distance that a table rounds.
MOST_UNROUNDED = 400


@dataclass(frozen=True)
class RefSlip:
    """A move that made the player's result worse, by brute force.

    ``ply`` from 1; ``before`` and ``after`` in points for the player;
    ``holding`` the UCI of all moves that would have kept ``before``.
    """

    ply: int
    side: str
    before: int
    after: int
    holding: frozenset[str]


@dataclass(frozen=True)
class RefOnly:
    """A position in which one move of several kept a win or a draw.

    ``plain``: the tables say so directly; else a distance that they round had
    to be found out by search.
    """

    ply: int
    side: str
    uci: str
    found: bool
    plain: bool


def men(board: chess.Board) -> int:
    """Number of men on the board, kings included."""
    return len(board.piece_map())


def after(board: chess.Board, move: chess.Move) -> chess.Board:
    """The position after ``move``, with its clock."""
    child = board.copy(stack=False)
    child.push(move)
    return child


def swap(points: Points) -> Points:
    """The same pair for the other side."""
    return -points[1], -points[0]


class Reference:
    """The tables of one folder, read through python-chess alone."""

    def __init__(self, folder: Path):
        self.tables = chess.syzygy.open_tablebase(str(folder))
        self.memory: dict[str, Points] = {}
        self.looked: dict[str, dict[chess.Move, Points]] = {}
        self.searched: set[str] = set()
        self.budget = 0

    def close(self) -> None:
        """Close the table files."""
        self.tables.close()

    # -- values ------------------------------------------------------------

    def points(self, board: chess.Board) -> Points:
        """Result for the side to move with best play by both, claims of a draw included."""
        key = board.fen()
        if key not in self.memory:
            self.memory[key] = self._points(board)
        return self.memory[key]

    def _points(self, board: chess.Board) -> Points:
        clock = board.halfmove_clock
        if not list(board.legal_moves):
            # Mate takes precedence over every count of moves (5.1.1, 9.6.2).
            return (-1, -1) if board.is_check() else (0, 0)
        if board.is_insufficient_material() or clock >= 150:
            return 0, 0
        wdl = self.tables.probe_wdl(board)
        if abs(wdl) < 2:
            return 0, 0
        if clock == 0:
            return wdl // 2, wdl // 2
        if clock >= 100:
            # The player on the move may claim (9.3); the other may not.
            if wdl < 0:
                return 0, 0
            won = any(self._ends_the_count(board, move) for move in board.legal_moves)
            return int(won), int(won)
        plies = abs(self.tables.probe_dtz(board))
        # The zeroing move or the mate must be on the board before the claim: at
        # the latest it is the hundredth ply.  The true distance is plies or one more.
        most = plies + 1
        if self._winner_ends_it(board, wdl > 0):
            # The winner's own move ends the count: an odd number of plies from
            # his move on, an even one from the loser's.
            plies = most = plies + (plies % 2 != int(wdl > 0))
        sure, possible = most + clock <= 100, plies + clock <= 100
        if sure == possible:
            value = (1 if wdl > 0 else -1) if sure else 0
            return value, value
        self.searched.add(board.fen())
        self.budget = MOST_UNROUNDED
        found = self._in_plies(board, plies)
        if found is None:
            return (0, 1) if wdl > 0 else (-1, 0)
        # True distance is `plies` (in time) where found, else one more (too late).
        value = (1 if wdl > 0 else -1) if found else 0
        return value, value

    def _winner_ends_it(self, board: chess.Board, mover_wins: bool) -> bool:
        """Can no capture or pawn move of the loser stand at the end of the count?

        So it is when he has no pawn and whatever he takes leaves a draw: the
        winner has one man beside the king, or two minor pieces.
        """
        winner = board.turn if mover_wins else not board.turn
        if board.pieces(chess.PAWN, not winner):
            return False
        strong = [
            piece.piece_type
            for piece in board.piece_map().values()
            if piece.color == winner and piece.symbol() not in "Kk"
        ]
        minors = [kind for kind in strong if kind in (chess.BISHOP, chess.KNIGHT)]
        return len(strong) == 1 or (len(strong) == 2 and len(minors) == 2)

    def _ends_the_count(self, board: chess.Board, move: chess.Move) -> bool:
        child = after(board, move)
        if child.is_checkmate():
            return True
        return child.halfmove_clock == 0 and self.points(child) == (-1, -1)

    def _in_plies(self, board: chess.Board, plies: int) -> bool | None:
        """Is the distance to zeroing or mate at most ``plies``?  None: not found out.

        Plain search: the winner needs one move, the loser has none that lasts.
        """
        self.budget -= 1
        if self.budget < 0:
            return None
        if plies <= 0:
            return False
        winner = self.tables.probe_wdl(board) > 0
        unknown = False
        for move in board.legal_moves:
            child = after(board, move)
            if child.is_checkmate():
                if winner:
                    return True
                continue
            zeroed = child.halfmove_clock == 0
            value = self._wdl(child)
            if winner and (value != -2 or zeroed):
                if zeroed and value == -2:
                    return True
                continue
            if zeroed:
                continue
            left = plies - 1
            least = abs(self.tables.probe_dtz(child))
            if least > left:
                answer: bool | None = False
            elif least + 1 <= left:
                answer = True
            else:
                answer = self._in_plies(child, left)
            if answer is winner:
                return winner
            unknown = unknown or answer is None
        if unknown:
            return None
        return not winner

    def _wdl(self, board: chess.Board) -> int:
        if not list(board.legal_moves):
            return -2 if board.is_check() else 0
        if board.is_insufficient_material():
            return 0
        return int(self.tables.probe_wdl(board))

    # -- games -------------------------------------------------------------

    def choices(self, board: chess.Board) -> dict[chess.Move, Points]:
        """Every legal move with what it leaves its player."""
        key = board.fen()
        if key not in self.looked:
            self.looked[key] = {
                move: swap(self.points(after(board, move))) for move in board.legal_moves
            }
        return self.looked[key]

    def best(self, board: chess.Board) -> Points:
        """What the player on the move can reach over all his moves.

        At a clock of 99 or more he may also claim a draw, with a move that is
        neither a capture nor a pawn move (9.3.1), or before it (9.3.2).
        """
        values = list(self.choices(board).values())
        low, high = max(v[0] for v in values), max(v[1] for v in values)
        clock = board.halfmove_clock
        quiet = any(not board.is_zeroing(move) for move in board.legal_moves)
        if clock >= 100 or (clock == 99 and quiet):
            low, high = max(low, 0), max(high, 0)
        return low, high

    def small(
        self, start: chess.Board, moves: Sequence[chess.Move]
    ) -> Iterator[tuple[int, chess.Board, chess.Move]]:
        """Plies of a game with at most :data:`MEN` men before the move."""
        board = start.copy(stack=False)
        for ply, move in enumerate(moves, 1):
            if men(board) <= MEN and not board.castling_rights:
                yield ply, board.copy(stack=False), move
            board.push(move)

    def slips(self, start: chess.Board, moves: Sequence[chess.Move]) -> list[RefSlip]:
        """Moves after which the player's best result is certainly worse."""
        found = []
        for ply, board, move in self.small(start, moves):
            before, values = self.best(board), self.choices(board)
            if values[move][1] < before[0]:
                holding = frozenset(m.uci() for m, v in values.items() if v[0] >= before[0])
                found.append(RefSlip(ply, _side(board), before[0], values[move][1], holding))
        return found

    def only_moves(self, start: chess.Board, moves: Sequence[chess.Move]) -> list[RefOnly]:
        """Positions with several legal moves of which one alone keeps a win or a draw.

        Taking back the man that has just captured or promoted is not counted when it was done.
        """
        found = []
        forced = _forced_squares(start, moves)
        for ply, board, move in self.small(start, moves):
            before, values = self.best(board), self.choices(board)
            if before[0] != before[1] or before[0] < 0 or len(values) < 2:
                continue
            keep = [m for m, v in values.items() if v[1] >= before[0]]
            if len(keep) == 1 and (forced[ply] != keep[0].to_square or keep[0] != move):
                plain = not any(after(board, m).fen() in self.searched for m in values)
                found.append(RefOnly(ply, _side(board), keep[0].uci(), keep[0] == move, plain))
        return found

    # -- forced lines into the tables ---------------------------------------

    def at_least(self, board: chess.Board, points: int, depth: int) -> bool:
        """Can the side to move force ``points`` or more within ``depth`` plies?

        AND/OR search down to the tables.  False means only that it was not shown.
        """
        known = self._settled(board)
        if known is not None:
            return known[0] >= points
        if depth <= 0 or men(board) - depth > MEN:
            return False
        return any(self.at_most(after(board, m), -points, depth - 1) for m in board.legal_moves)

    def at_most(self, board: chess.Board, points: int, depth: int) -> bool:
        """Can the opponent hold the side to move to ``points`` within ``depth`` plies?"""
        known = self._settled(board)
        if known is not None:
            return known[1] <= points
        if depth <= 0 or men(board) - depth > MEN:
            return False
        return all(self.at_least(after(board, m), -points, depth - 1) for m in board.legal_moves)

    def _settled(self, board: chess.Board) -> Points | None:
        if not any(board.legal_moves):
            return (-1, -1) if board.is_check() else (0, 0)
        if men(board) <= MEN and not board.castling_rights:
            return self.points(board)
        return None

    def proves_slip(
        self, board: chess.Board, move: chess.Move, before: int, left: int, most: int
    ) -> bool:
        """Is it shown that the player had ``before`` and kept only ``left`` (points)?

        ``most``: deepest search, in plies, for either half of the claim.
        """
        child = after(board, move)
        had = any(self.at_least(board, before, depth) for depth in range(most + 1))
        return had and any(self.at_most_for_opponent(child, left, d) for d in range(most + 1))

    def at_most_for_opponent(self, child: chess.Board, left: int, depth: int) -> bool:
        """The player who just moved gets ``left`` at most: the other forces the rest."""
        return self.at_least(child, -left, depth)


def _forced_squares(
    start: chess.Board, moves: Sequence[chess.Move]
) -> dict[int, chess.Square | None]:
    """For each ply the square on which the move before it captured or promoted."""
    board = start.copy(stack=False)
    out: dict[int, chess.Square | None] = {1: None}
    for ply, move in enumerate(moves, 1):
        told = board.is_capture(move) or move.promotion is not None
        out[ply + 1] = move.to_square if told else None
        board.push(move)
    return out


def _side(board: chess.Board) -> str:
    return "white" if board.turn else "black"
