"""Holds what the solver kept against the values of the positions that follow.

The solver reasons about sets of placements, with moves as shifts of words. Here single positions
are drawn, their moves are those that python-chess generates, and what the solver says of a
position must follow from what it says of the positions after its moves:

* with the winner ("White", the board is mirrored where it is Black's wins that were asked for) to
  move the position is worth the best of them, with the other side to move the worst;
* a zeroing move into a win makes a win of 1 ply, into one that is too slow for the fifty-move rule
  one of 101 plies; a quiet move into a win of ``n`` plies one of ``n + 1``, within the rule up to
  100; a mated side is lost in 0 plies, a stalemated one not at all.

Of an exact value this must be an equation, in worth and in plies. A lower bound must not be more
than the lower bounds after the moves support, an upper bound not less. Each run is held against
itself, since one run's bound may rest on what another never looked at. What was proved in all runs
together must leave each position something to be worth, with any halfmove clock.

Only the addresses of positions in the sets are shared with the rest of the solver.
"""

from __future__ import annotations

import math
import random
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import chess
import numpy as np
import numpy.typing as npt

from tablebases.errors import TablebaseError
from tablebases.solver import kernels
from tablebases.solver.budget import Cost
from tablebases.solver.classes import read_exact
from tablebases.solver.geometry import TRIANGLE
from tablebases.solver.plan import BLOCK_BYTES, KEEP_RESULT, KEEP_START, sizes_of
from tablebases.solver.results import Packed, pack, place, replay
from tablebases.solver.run import Kept, Run
from tablebases.solver.scopes import SolveStep
from tablebases.solver.sets import Key, Sets, framed, keys_of, locate
from tablebases.solver.solution import Solution
from tablebases.solver.store import Store
from tablebases.solver.structures import LOWER, UPPER, Scope, Structures
from tablebases.values import CLAIM_PLIES, Compared, Outcome

Value = tuple[int, int | None]
"""White's win: 2, or 1 where it is too slow under the fifty-move rule, or 0; and its plies."""

_NOT: Final[Value] = (0, None)
_SURE: Final[Value] = (2, None)
_MATED: Final[Value] = (2, 0)
_ZEROING: Final[Value] = (2, 1)
_SLOW_ZEROING: Final = CLAIM_PLIES + 1
TOGETHER: Final = 10
"""Of so many positions one is asked of all runs together."""
_TRIES: Final = 400
"""Placements tried before a slice is given up as one with (almost) no legal position."""
_KINGS: Final = {
    chess.WHITE: chess.Piece.from_symbol("K"),
    chess.BLACK: chess.Piece.from_symbol("k"),
}
_TYPES: Final = (chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)
_SETS_BYTES: Final = 2 * BLOCK_BYTES
_LARGEST_TIMED: Final = 4096
"""Blocks of the largest slice of which distances are compared; of those asked about, of any."""


class Mismatch(TablebaseError):
    """What the solver keeps of a position does not follow from what it keeps of the next ones.

    Attributes:
        fen: the position, as the question was put: the side asked about has White.
        question: what the run was to prove.
        told: what the run says.
        follows: what follows from its successors.
        successors: FEN of each successor and what the run says of it.
    """

    def __init__(
        self,
        fen: str,
        question: str,
        told: str,
        follows: str,
        successors: Sequence[tuple[str, str]] = (),
    ) -> None:
        super().__init__(fen, question, told, follows, successors)
        self.fen = fen
        self.question = question
        self.told = told
        self.follows = follows
        self.successors = tuple(successors)

    def __str__(self) -> str:
        after = "".join(f"; {fen}: {value}" for fen, value in self.successors)
        return (
            f"{self.fen} ({self.question}): kept as {self.told}, but its moves give "
            f"{self.follows}{after}"
        )


@dataclass
class _Kept:
    """What one run kept for the audit.

    Attributes:
        step: what it was to prove.
        slices: the slices by key.
        drawn_from: keys of those all of whose exits are kept as well.
    """

    step: SolveStep
    slices: dict[Key, Packed] = field(default_factory=dict)
    drawn_from: list[Key] = field(default_factory=list)


class Audit:
    """Makes a solver keep more than the question needs, and compares it afterwards.

    Give it to ``Solver`` as ``audit``; when the solver has run, call :meth:`compare`.

    Args:
        slices: slices to draw from in each run, besides those of the boards asked about.
        most_bytes: bytes of sets that are kept for it in each run, at most about so many.
        opened_bytes: bytes of opened slices at a time.
        seed: what chance begins with; the same seed draws the same positions.
    """

    def __init__(
        self,
        *,
        slices: int = 60,
        most_bytes: int = 2**30,
        opened_bytes: int = 2**30,
        seed: int = 0,
    ) -> None:
        self.slices = slices
        self.most_bytes = most_bytes
        self.opened_bytes = opened_bytes
        self.seed = seed
        self.runs: list[_Kept] = []
        self._opened: OrderedDict[int, _Open] = OrderedDict()

    # --- while the solver runs --------------------------------------------------------------------

    def marks(
        self, structures: Structures, keep: npt.NDArray[Any]
    ) -> tuple[npt.NDArray[Any], list[int]]:
        """Have more slices kept: some drawn by chance, and where these and those asked about lead.

        Args:
            keep: what would be kept anyway, as in ``make_plan``.

        Returns:
            What to keep, and the numbers of the slices to draw positions from.
        """
        rng = np.random.default_rng(self.seed)
        sizes = sizes_of(structures)
        asked = np.flatnonzero(keep)
        near = np.flatnonzero(keep[: structures.opened] == 0)
        # In turn one near those asked about, of which slices are listed first, and any one.
        others = np.stack([near, rng.permutation(near)], axis=1).ravel()
        taken = keep > 0
        room = self.most_bytes
        chosen: list[int] = []
        drawn: set[int] = set()
        for s in (*asked.tolist(), *others.tolist()):
            if len(chosen) >= len(asked) + self.slices:
                break
            if s in drawn:
                continue
            more = [c for c in (s, *_exits(structures, s)) if not taken[c]]
            size = int(sizes[more].sum()) * _SETS_BYTES
            if size > room:
                continue
            room -= size
            taken[more] = True
            drawn.add(s)
            chosen.append(s)
        kinds = np.where(sizes <= _LARGEST_TIMED, KEEP_START, KEEP_RESULT)
        return np.where(taken & (keep == 0), kinds, keep), chosen

    def take(
        self, step: SolveStep, structures: Structures, keep: npt.NDArray[Any], run: Run
    ) -> None:
        """Keep what the run found of the slices that were marked; ``keep`` as for ``marks``."""
        keep, chosen = self.marks(structures, keep)
        drawn_from = set(chosen)
        kept = _Kept(step)
        for s, key in enumerate(keys_of(structures)):
            if keep[s]:
                kept.slices[key] = pack(run.kept(s))
                if s in drawn_from:
                    kept.drawn_from.append(key)
        self.runs.append(kept)

    # --- afterwards -------------------------------------------------------------------------------

    def compare(
        self,
        positions: int,
        *,
        tell: Callable[[Compared], None] | None = None,
    ) -> Compared:
        """Draw so many positions from all that was kept, and compare.

        Args:
            positions: number of positions, spread evenly over the slices to draw from; a slice
                with few legal positions gives fewer.
            tell: called after each slice with the numbers so far.

        Raises:
            Mismatch: at the first value that does not follow from those of the next positions.
            Contradiction: if two runs exclude each other.
        """
        total: Counter[str] = Counter()
        together = self._together()
        edges = [
            (run, key, True)
            for run in self.runs
            for key in run.slices
            if not run.slices[key].kept.solved
        ]
        anywhere = [(run, key, False) for run in self.runs for key in run.drawn_from]
        work = edges + anywhere
        for number, (run, key, at_edge) in enumerate(work):
            # A third is sought at the edge; what is not found there is drawn anywhere.
            share = (
                -(-positions // (3 * len(edges)))
                if at_edge
                else -(-(positions - total["positions"]) // (len(work) - number))
            )
            rng = random.Random(f"{self.seed} {number} {key}")
            found = Counter(slices=int(not at_edge))
            boards = self._near_the_edge(run, key, rng, share) if at_edge else draw(key, rng, share)
            for board in boards:
                if not self._compare_one(run, board, found):
                    continue
                found["positions"] += 1
                if (total["positions"] + found["positions"]) % TOGETHER == 0:
                    view = framed(board, run.step.colour)
                    view.halfmove_clock = rng.randrange(CLAIM_PLIES)
                    _compare_together(together, view, found)
            total.update(found)
            if tell is not None:
                tell(Compared(**total))
        return Compared(**total)

    def _near_the_edge(
        self, run: _Kept, key: Key, rng: random.Random, number: int
    ) -> Iterator[chess.Board]:
        """Positions of a slice that are won slowest, and some from which a move leads to them.

        What is wrong about the fifty-move rule is wrong there, and chance hardly ever finds it.
        Only positions of slices to draw from are given.
        """
        packed = run.slices[key]
        if not number:
            return
        drawn_from = set(run.drawn_from)
        slowest = self._open(packed).slowest(rng, number)
        for turn, places in slowest:
            left = -(-number // len(slowest))
            for at in places:
                board = board_at(key, packed.kept.symmetric, at, turn)
                if not board.is_valid():
                    continue
                found = [b for b in predecessors(board) if locate(b)[0] in drawn_from]
                # Before a zeroing move, first of all: the plies do not go on through it.
                found.sort(key=lambda before: locate(before)[0] == key)
                for one in (board, *found[:3]):
                    if left and locate(one)[0] in drawn_from:
                        left -= 1
                        yield one

    def against(self, store: Store) -> int:
        """Hold the exact slices of a store against the same slices as solved now.

        Returns:
            Number of slices that were compared.

        Raises:
            Mismatch: naming the first that differs.
        """
        count = 0
        for run in self.runs:
            for key, packed in run.slices.items():
                if not packed.complete or packed.kept.solved:
                    continue
                stored = read_exact(store, key)
                if stored is None:
                    continue
                count += 1
                now = packed.open()
                for name in ("candidates", "open"):
                    if not np.array_equal(getattr(stored, name), getattr(now, name)):
                        board = next(draw(key, random.Random(self.seed), 1))
                        raise Mismatch(
                            board.fen(),
                            run.step.question,
                            "a slice of the store",
                            "another one (a position of the slice stands here; --no-store leaves "
                            "the store alone)",
                        )
        return count

    def _together(self) -> Solution:
        """All runs as one, as a user asks them."""
        sets = Sets(self.opened_bytes)
        for run in self.runs:
            for key, packed in run.slices.items():
                sets.add_packed(run.step.scope.mode, key, packed)
        return Solution(sets, Cost())

    def _compare_one(self, run: _Kept, board: chess.Board, found: Counter[str]) -> bool:
        """One position of one run; False if the run says nothing of it.

        Raises:
            Mismatch: if its value does not follow.
        """
        told = self._value(run, board)
        if told is None:
            return False
        mode = run.step.scope.mode
        kept = run.slices[locate(board)[0]].kept
        after: list[tuple[chess.Board, Value]] = []
        for move in board.legal_moves:
            child = board.copy(stack=False)
            child.push(move)
            value = self._after(run, board, move, child)
            if value is not None:
                after.append((child, _passed_on(value, board.is_zeroing(move))))
        found["successors"] += len(after)
        found["en_passant"] += board.has_legal_en_passant()
        if after:
            values = [value for _, value in after]
            follows = (max if board.turn else min)(values, key=_strength)
        elif not any(board.legal_moves):
            follows = _MATED if board.is_check() and not board.turn else _NOT
        else:
            # Moves there are, but none that this run makes use of, all of them zeroing.
            follows = _NOT if mode == LOWER else _ZEROING
        if not _agrees(told, follows, mode, kept, found):
            raise Mismatch(
                board.fen(),
                run.step.question,
                _told(told),
                _told(follows),
                [(child.fen(), _told(value)) for child, value in after],
            )
        return True

    def _after(
        self, run: _Kept, board: chess.Board, move: chess.Move, child: chess.Board
    ) -> Value | None:
        """What the run says after a move; None if it must do without the move.

        A run leaves moves out on one side only.  Its own side simply has not got them.  A promotion
        of the other side that is not modelled counts as the worst, unless the new piece can be
        taken at once.
        """
        if not child.occupied_co[chess.WHITE] & ~child.kings:
            # A bare king wins nothing; what follows from there need not be kept.
            return _NOT
        lower = run.step.scope.mode == LOWER
        # What was asked about is kept however many pieces it has, and need not be what the run
        # made of a promotion: there it goes by the new piece being taken.
        passed_over = board.turn != lower and _not_modelled(run.step.scope, move, child)
        value = None if passed_over else self._value(run, child)
        if value is not None:
            return value
        if board.turn == lower:
            return None
        worst = _NOT if lower else _SURE
        if child.ep_square is not None:
            # The capture en passant is what was left out, and it is the prover's.
            child = child.copy(stack=False)
            child.ep_square = None
            return self._value(run, child) or worst
        if not move.promotion:
            return worst
        for reply in child.legal_moves:
            if reply.to_square != move.to_square:
                continue
            last = child.copy(stack=False)
            last.push(reply)
            known = self._value(run, last)
            if known is not None and (known[0] == _SURE[0]) == lower:
                return _SURE if lower else _NOT
        return worst

    def _value(self, run: _Kept, board: chess.Board) -> Value | None:
        """What the run says of a position; None if it kept nothing of it."""
        if not board.has_legal_en_passant():
            return self._plain(run, board)
        plain = board.copy(stack=False)
        plain.ep_square = None
        base = self._plain(run, plain)
        if base is None:
            return None
        values = []
        for move in board.generate_legal_ep():
            child = board.copy(stack=False)
            child.push(move)
            value = self._plain(run, child)
            if value is None:
                return None
            values.append(_passed_on(value, True))
        if any(plain.legal_moves) or plain.is_check():
            # Without any other move there is none to choose from; in check that would be mate,
            # which is the worst that can happen and so no choice either.
            values.append(base)
        return (max if board.turn else min)(values, key=_strength)

    def _plain(self, run: _Kept, board: chess.Board) -> Value | None:
        key, squares = locate(board)
        packed = run.slices.get(key)
        if packed is None:
            return None
        white, black = board.king(chess.WHITE), board.king(chess.BLACK)
        assert white is not None
        assert black is not None
        value = self._open(packed).value(board.turn, place(packed.kept, squares, white, black))
        if value[0] == 0 and run.step.scope.mode == UPPER and packed.kept.slow_unknown:
            return 1, None
        return value

    def _open(self, packed: Packed) -> _Open:
        found = self._opened.get(id(packed))
        if found is None:
            found = self._opened[id(packed)] = _Open(packed)
            while sum(o.nbytes for o in self._opened.values()) > self.opened_bytes:
                if len(self._opened) == 1:
                    break
                self._opened.popitem(last=False)
        self._opened.move_to_end(id(packed))
        return found


class _Open:
    """A slice with its arrays as they are: quick to ask, large."""

    def __init__(self, packed: Packed) -> None:
        self.packed = packed
        kept = packed.open()
        self._sets: tuple[npt.NDArray[Any], ...] = ()
        if kept.solved:
            self._sets = (kept.open, kept.candidates)
            if kept.late_open is not None and kept.late_candidates is not None:
                self._sets += (kept.late_open, kept.late_candidates)
            self.nbytes = sum(array.nbytes for array in self._sets)
        else:
            distances = replay(kept)
            self._white, self._black = distances.white, distances.black
            self._none = distances.none
            self.nbytes = self._white.nbytes + self._black.nbytes

    def value(self, turn: chess.Color, at: tuple[int, int, int]) -> Value:
        """White's win at block, black king, white king."""
        if self._sets:
            block, black, white = at
            for level, pair in ((2, self._sets[:2]), (1, self._sets[2:])):
                if pair:
                    inside = bool(int(pair[0 if turn else 1][block, black]) >> white & 1)
                    if inside != turn:
                        return level, None
            return _NOT
        plies = int((self._white if turn else self._black)[at])
        if plies == (0 if turn else self._none):
            return _NOT
        return (2 if plies <= CLAIM_PLIES else 1), plies

    def slowest(
        self, rng: random.Random, number: int
    ) -> list[tuple[chess.Color, list[tuple[int, int, int]]]]:
        """For either side to move places of the slowest wins, those beyond the rule first."""
        found = []
        for turn, array in ((chess.WHITE, self._white), (chess.BLACK, self._black)):
            won = array > 0 if turn else array < self._none
            if not won.any():
                continue
            plies = array[won]
            least = min(int(plies.max()), CLAIM_PLIES - 4)
            flat = np.flatnonzero(won & (array >= least))
            chosen = flat[[rng.randrange(len(flat)) for _ in range(min(number, len(flat)))]]
            where = np.unravel_index(chosen, array.shape)
            found.append((turn, [(int(a), int(b), int(c)) for a, b, c in zip(*where, strict=True)]))
        return found


def board_at(key: Key, symmetric: bool, at: tuple[int, int, int], turn: chess.Color) -> chess.Board:
    """The position of a slice at block, black king, white king; it need not be legal."""
    codes, pawns = _men(key)
    block, black, white = at
    squares = []
    for _ in codes[1:]:
        squares.append(block & 63)
        block >>= 6
    if codes:
        squares.append(int(TRIANGLE[block]) if symmetric else block)
    board = pawns.copy(stack=False)
    board.set_piece_at(white, _KINGS[chess.WHITE])
    board.set_piece_at(black, _KINGS[chess.BLACK])
    for code, square in zip(codes, reversed(squares), strict=True):
        board.set_piece_at(square, chess.Piece(_TYPES[code >> 1], not code & 1))
    board.turn = turn
    return board


def predecessors(board: chess.Board) -> list[chess.Board]:
    """Legal positions from which one legal move leads to this one; none by en passant."""
    mover = not board.turn
    found = []
    back = -8 if mover else 8
    for to, man in board.piece_map().items():
        if man.color != mover:
            continue
        free = ~board.occupied
        if man.piece_type == chess.PAWN:
            origins = [to + back]
            if chess.square_rank(to) == (3 if mover else 4) and free >> (to + back) & 1:
                origins.append(to + 2 * back)
            takers = list(chess.SquareSet(chess.BB_PAWN_ATTACKS[not mover][to] & free))
        else:
            origins = takers = list(board.attacks(to) & free)
        moved = [(o, man) for o in origins if 0 <= o < 64 and free >> o & 1]
        taking = [(o, man) for o in takers]
        if man.symbol() not in "PpKk" and chess.square_rank(to) == (7 if mover else 0):
            pawn = chess.Piece(chess.PAWN, mover)
            moved += [(to + back, pawn)] if free >> (to + back) & 1 else []
            diagonal = chess.SquareSet(chess.BB_PAWN_ATTACKS[not mover][to] & free)
            taking += [(o, pawn) for o in diagonal]
        for taken, origin_men in ((None, moved), *((t, taking) for t in chess.PIECE_TYPES[:5])):
            for origin, before in origin_men:
                one = board.copy(stack=False)
                one.turn, one.ep_square = mover, None
                one.remove_piece_at(to)
                one.set_piece_at(origin, before)
                if taken is not None:
                    one.set_piece_at(to, chess.Piece(taken, board.turn))
                promoted = man.piece_type if before != man else None
                if one.is_valid() and one.is_legal(chess.Move(origin, to, promoted)):
                    found.append(one)
    return found


def _men(key: Key) -> tuple[list[int], chess.Board]:
    """Codes of the pieces of a slice, and a board with its pawns only."""
    packed, white, black = key
    codes = []
    while packed:
        codes.append((packed & 15) - 1)
        packed >>= 4
    board = chess.Board(None)
    for square in chess.SquareSet(white | black):
        board.set_piece_at(square, chess.Piece(chess.PAWN, bool(white >> square & 1)))
    return codes, board


def _exits(structures: Structures, s: int) -> list[int]:
    """Slices that the exits of a slice lead to, but those that are not looked into."""
    rows = structures.rows[structures.first[s] : structures.last[s]]
    found = rows[:, [kernels.ROW_CHILD, kernels.ROW_EP1, kernels.ROW_EP2]]
    return sorted(set(found[(found >= 0) & (found < structures.opened)].tolist()))


def _not_modelled(scope: Scope, move: chess.Move, child: chess.Board) -> bool:
    """Does a run of this scope leave out the promotion that led to a position?"""
    if not move.promotion:
        return False
    kinds = scope.black_promotions if child.turn else scope.white_promotions
    pieces = (child.occupied & ~child.pawns & ~child.kings).bit_count()
    pawns = min(child.pawns.bit_count(), len(scope.caps) - 1)
    return not kinds >> (move.promotion - chess.KNIGHT) & 1 or pieces > scope.caps[pawns]


def _passed_on(value: Value, zeroing: bool) -> Value:
    """What a move into a position of this value is worth."""
    level, plies = value
    if not level:
        return _NOT
    if zeroing:
        return (2, 1) if level == 2 else (1, _SLOW_ZEROING)
    if plies is None:
        return value
    return (2 if level == 2 and plies + 1 <= CLAIM_PLIES else 1), plies + 1


def _strength(value: Value) -> tuple[int, float]:
    level, plies = value
    return level, -math.inf if plies is None else -plies


def _agrees(told: Value, follows: Value, mode: int, kept: Kept, found: Counter[str]) -> bool:
    """Does the value told go with the one that follows from the moves?"""
    timed = told[1] is not None and follows[1] is not None
    if kept.complete or (kept.whole and 2 in (told[0], follows[0])):
        found["exact"] += 1
        if not timed:
            # Without plies a win may be just within the rule or just beyond it.
            return told[0] == follows[0] or {told[0], follows[0]} == {1, 2}
        found["distances"] += 1
        return told == follows
    found["bounds"] += 1
    if told[0] != follows[0]:
        return (told[0] < follows[0]) == (mode == LOWER) or (
            not timed and {told[0], follows[0]} == {1, 2}
        )
    if told[0] == 0 or not timed or (told[0] == 1 and kept.slow_unknown):
        return True
    found["distances"] += 1
    assert told[1] is not None
    assert follows[1] is not None
    return told[1] >= follows[1] if mode == LOWER else told[1] <= follows[1]


def _compare_together(solution: Solution, board: chess.Board, found: Counter[str]) -> None:
    """All runs together, with the board's clock: something must be left for it to be worth.

    Raises:
        Mismatch: if what is known of it and of the next positions excludes everything.
        Contradiction: if the runs exclude each other.
    """
    answer = solution.answer(board)
    if answer is None:
        return
    low, high = answer.low.points, answer.high.points
    after = []
    for move in board.legal_moves:
        child = board.copy(stack=False)
        child.push(move)
        least, most = _with_the_laws(solution, child)
        if board.halfmove_clock + 1 >= CLAIM_PLIES and not board.is_zeroing(move):
            # Who announces a move that makes it fifty may claim a draw (FIDE Laws, 9.3.1).
            least, most = max(least, 0), max(most, 0)
        after.append((child, (least, most)))
    if after:
        least = max(pair[0] for _, pair in after)
        most = max(pair[1] for _, pair in after)
    else:
        least = most = -1 if board.is_check() else 0
    if max(low, least) > min(high, most):
        raise Mismatch(
            board.fen(),
            "all runs together, with the halfmove clock",
            _span(low, high),
            _span(least, most),
            [(child.fen(), _span(-pair[1], -pair[0])) for child, pair in after],
        )
    found["together"] += 1


def _with_the_laws(solution: Solution, child: chess.Board) -> tuple[int, int]:
    """Least and most points for the side that has just moved."""
    if child.is_checkmate():
        return 1, 1
    if child.is_stalemate() or child.is_insufficient_material():
        return 0, 0
    answer = solution.answer(child)
    low, high = (Outcome.LOSS, Outcome.WIN) if answer is None else (answer.low, answer.high)
    if child.halfmove_clock >= CLAIM_PLIES:
        # The side to move may claim a draw.
        low, high = max(low, Outcome.BLESSED_LOSS), max(high, Outcome.BLESSED_LOSS)
    return -high.points, -low.points


def _told(value: Value) -> str:
    """A value in words, for the side asked about."""
    level, plies = value
    words = {0: "no win", 1: "win too slow for the fifty-move rule", 2: "win"}[level]
    return words if plies is None else f"{words} in {plies} plies"


def _span(low: int, high: int) -> str:
    names = {-1: "loss", 0: "draw", 1: "win"}
    return names[low] if low == high else f"{names[low]} to {names[high]}"


def draw(key: Key, rng: random.Random, number: int) -> Iterator[chess.Board]:
    """Random legal positions of a slice, either side to move, now and then with en passant.

    Fewer than ``number`` if the slice has hardly any.
    """
    codes, bare = _men(key)
    free = list(chess.SquareSet(~bare.occupied))
    given, tries = 0, 0
    while given < number and tries < _TRIES:
        tries += 1
        board = bare.copy(stack=False)
        squares = rng.sample(free, 2 + len(codes))
        board.set_piece_at(squares[0], _KINGS[chess.WHITE])
        board.set_piece_at(squares[1], _KINGS[chess.BLACK])
        for code, square in zip(codes, squares[2:], strict=True):
            board.set_piece_at(square, chess.Piece(_TYPES[code >> 1], not code & 1))
        board.turn = rng.random() < 0.5
        if not board.is_valid():
            continue
        doubles = [square for square in _passed_squares(board) if rng.random() < 0.5]
        if doubles:
            board.ep_square = rng.choice(doubles)
            if not (board.is_valid() and board.has_legal_en_passant()):
                board.ep_square = None
        given, tries = given + 1, 0
        yield board


def _passed_squares(board: chess.Board) -> list[int]:
    """Squares that a pawn of the side that has moved may just have passed by a double step."""
    step, rank = (8, 4) if board.turn else (-8, 3)
    empty = ~board.occupied
    return [
        square + step
        for square in board.pieces(chess.PAWN, not board.turn)
        if chess.square_rank(square) == rank
        and empty >> (square + step) & empty >> (square + 2 * step) & 1
    ]
