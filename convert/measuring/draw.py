"""Draws positions and trades to try the rules on: from games, and uniformly from material classes.

Both draws depend on the seed and on the games alone, not on their order or on the machine: from
games, the candidates with the least hash of seed, moves and ply are taken, so many of each kind of
ending and number of men.
"""

from __future__ import annotations

import hashlib
import heapq
import random
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Generic, Literal, TypeVar

import chess
from chess import KING

from convert.board.balance import men
from convert.board.features import features
from convert.board.kinds import kind_of
from convert.reading.fastread import LineRead, read_lines
from convert.review.trades import FoundTrade, find_trades, starts_trade
from convert.review.walker import Walk, phases, walk
from convert.rules import POSITION_RULES, TRADE_RULES
from convert.rules.base import TradeScene, Voice, voices_of
from tablebases.material import material_name

Origin = Literal["games", "random"]
T = TypeVar("T")

#: Most men of a position that is drawn, and most pieces beside kings and pawns with more than five.
MOST_MEN = 7
MOST_PIECES = 2


@dataclass(frozen=True)
class Trial:
    """A position, or a trade, on which the rules are tried.

    ``fen`` is the position, for a trade the one before it; ``move`` (UCI) begins the trade,
    ``after`` is the position when it is complete; ``given`` and ``taken`` are piece types and
    squares from the point of view of the side that begins.  Trials with the same ``cluster``
    are not independent: they come from one game.  The fifty-move clock is nought in all.
    ``rule``: drawn because this rule speaks there, and to be counted for it alone.
    """

    origin: Origin
    cluster: str
    fen: str
    move: str = ""
    after: str = ""
    given: tuple[tuple[int, int], ...] = ()
    taken: tuple[tuple[int, int], ...] = ()
    rule: str = ""

    @property
    def trade(self) -> bool:
        """A trade, not a position."""
        return bool(self.move)

    def board(self) -> chess.Board:
        """The position, for a trade the one before it."""
        return chess.Board(self.fen)

    def child(self) -> chess.Board:
        """The position after the move that begins the trade, clock 0."""
        board = self.board()
        board.push_uci(self.move)
        board.clear_stack()
        board.halfmove_clock = 0
        return board

    def scene(self) -> TradeScene:
        """The trade as the rules see it, for the side that begins it."""
        board = self.board()
        return TradeScene(
            before=board,
            after=chess.Board(self.after),
            decider=board.turn,
            given=tuple(kind for kind, _ in self.given),
            taken=tuple(kind for kind, _ in self.taken),
            given_squares=tuple(square for _, square in self.given),
            taken_squares=tuple(square for _, square in self.taken),
        )


def in_scope(board: chess.Board) -> bool:
    """True for positions whose outcome tables or solver may tell: few men, no castling."""
    men = board.occupied.bit_count()
    pieces = men - board.pawns.bit_count() - 2
    if board.castling_rights or men > MOST_MEN or men < 3:
        return False
    return men <= 5 or pieces <= MOST_PIECES


#: Groups of the trials in which one rule speaks.
_RULE = "rule/"

# --- from games --------------------------------------------------------------------------


@dataclass
class Reservoir(Generic[T]):
    """Keeps the ``most`` candidates with the least hash in each group; ``key`` settles ties."""

    most: Callable[[str], int]
    key: Callable[[T], str]
    kept: dict[str, list[tuple[int, str, T]]] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)

    def offer(self, group: str, rank: int, item: T) -> None:
        """Take the candidate if it is among the first of its group so far."""
        heap = self.kept.setdefault(group, [])
        self.seen[group] = self.seen.get(group, 0) + 1
        entry = (-rank, self.key(item), item)
        if len(heap) < self.most(group):
            heapq.heappush(heap, entry)
        elif heap and entry[:2] > heap[0][:2]:
            heapq.heapreplace(heap, entry)

    def in_order(self, group: str) -> list[T]:
        """What was kept of a group, least hash first."""
        return [item for *_, item in sorted(self.kept[group], key=lambda e: (-e[0], e[1]))]

    def all(self) -> list[T]:
        """All that was kept, group by group."""
        return [item for group in sorted(self.kept) for item in self.in_order(group)]

    def draw(
        self,
        paths: Iterable[str],
        candidates: Callable[[LineRead], Iterator[tuple[str, int, T]]],
        tell: Callable[[int], None] | None = None,
    ) -> None:
        """Offer what ``candidates`` finds in the games of PGN files: group, rank, item.

        Args:
            tell: told the number of games read.
        """
        number = 0
        for path in paths:
            for read in read_lines(path):
                number += 1
                if tell is not None and number % 500 == 0:
                    tell(number)
                for candidate in candidates(read):
                    self.offer(*candidate)


def with_rules(reservoir: Reservoir[Trial]) -> list[Trial]:
    """All trials that were kept, group by group, least hash first, those for one rule last.

    Of the trials in which a rule speaks so many are added that ``most`` of its group are there,
    those of the other groups counted in.
    """
    general: dict[str, Trial] = {}
    for group in sorted(reservoir.kept):
        if not group.startswith(_RULE):
            general |= {reservoir.key(t): t for t in reservoir.in_order(group)}
    out = list(general.values())
    spoken = Counter(rule for trial in out for rule in rules_of(trial))
    for group in sorted(reservoir.kept):
        if group.startswith(_RULE):
            rule = group[len(_RULE) :]
            fresh = [t for t in reservoir.in_order(group) if reservoir.key(t) not in general]
            out += [
                replace(trial, rule=rule)
                for trial in fresh[: max(0, reservoir.most(group) - spoken[rule])]
            ]
    return out


def rank_of(seed: int, *names: object) -> int:
    """A number that depends on the names alone, like one drawn at random."""
    text = ":".join(str(name) for name in (seed, *names))
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "big")


def name_of(read: LineRead, seed: int) -> str:
    """What a game is called: the same for the same moves."""
    return f"{rank_of(seed, *(m.uci() for m in read.moves)):016x}"


def walked_down(read: LineRead) -> Walk | None:
    """A game that comes down to :data:`MOST_MEN` men, walked; None for any other."""
    if read.start is None or not read.moves:
        return None
    walked = walk(read.start, read.moves)
    return walked if men(walked.counts[-1]) <= MOST_MEN else None


def bare(board: chess.Board) -> chess.Board:
    """The position with the clocks set back, without history."""
    copy = board.copy(stack=False)
    copy.halfmove_clock = 0
    copy.fullmove_number = 1
    return copy


def of_game(read: LineRead, seed: int) -> Iterator[tuple[str, int, Trial]]:
    """Candidates of one game: the first position of each phase, and each trade, with few men.

    Yields:
        Group, rank, trial; a trial comes once more for each rule that speaks, as ``rule/ID``.
    """
    walked = walked_down(read)
    if walked is None:
        return
    name = name_of(read, seed)
    for phase in phases(walked):
        board = bare(walked.boards[phase.since])
        if in_scope(board) and board.is_valid() and any(board.legal_moves):
            trial, rank = Trial("games", name, board.fen()), rank_of(seed, name, phase.since)
            yield f"position/{kind_of(board)}/{board.occupied.bit_count()}", rank, trial
            for rule in rules_of(trial):
                yield f"rule/{rule}", rank, trial
    for trade in find_trades(walked):
        board = bare(walked.boards[trade.first - 1])
        after = bare(walked.boards[trade.last])
        if in_scope(board) and board.is_valid() and trade.last - trade.first <= 2:
            kind = f"trade/{_what(trade)}/{kind_of(after)}/{board.occupied.bit_count()}"
            result = _trial(walked, trade, name, board, after)
            rank = rank_of(seed, name, trade.first)
            yield kind, rank, result
            for rule in rules_of(result):
                yield f"rule/{rule}", rank, result


def voices_on(trial: Trial) -> tuple[Voice, ...]:
    """What the rules say of a trial, all of them, refuted ones too."""
    if trial.trade:
        return voices_of(TRADE_RULES, trial.scene())
    return voices_of(POSITION_RULES, features(trial.board()))


def rules_of(trial: Trial) -> list[str]:
    """The rules that speak of a trial, each once."""
    return list(dict.fromkeys(voice.rule for voice in voices_on(trial)))


def _what(trade: FoundTrade) -> str:
    gone = {*trade.white_gave, *trade.black_gave}
    if gone == {chess.PAWN}:
        return "pawns"
    return "queens" if chess.QUEEN in gone else "rooks" if chess.ROOK in gone else "minor pieces"


def _trial(
    walked: Walk, trade: FoundTrade, name: str, board: chess.Board, after: chess.Board
) -> Trial:
    first = walked.steps[trade.first - 1].move
    mine: list[tuple[int, int]] = []
    theirs: list[tuple[int, int]] = []
    for ply, color, kind, square in trade.taken:
        stood = first.from_square if ply > trade.first and square == first.to_square else square
        (mine if color == board.turn else theirs).append((kind, stood))
    return Trial("games", name, board.fen(), first.uci(), after.fen(), tuple(mine), tuple(theirs))


def from_games(
    paths: Iterable[str],
    seed: int,
    most: Callable[[str], int],
    tell: Callable[[int], None] | None = None,
) -> tuple[list[Trial], dict[str, int]]:
    """Draw from the games of PGN files.

    Args:
        most: how many of a group are taken (groups as in :func:`of_game`).
        tell: told the number of games read.

    Returns:
        The trials, and the number of candidates of each group.
    """
    reservoir: Reservoir[Trial] = Reservoir(most, lambda trial: trial.fen + trial.move)
    reservoir.draw(paths, lambda read: of_game(read, seed), tell)
    return with_rules(reservoir), dict(sorted(reservoir.seen.items()))


# --- uniformly from a material class ---------------------------------------------------------


def random_position(rng: random.Random, name: str) -> chess.Board:
    """A legal position of a class, every placement and side to move equally likely, mate excluded.

    Either colour may be the class's first side.
    """
    white, black = name.split("v")
    if rng.random() < 0.5:
        white, black = black, white
    letters = white + black.lower()
    pieces = [chess.Piece.from_symbol(letter) for letter in letters]
    while True:
        squares = rng.sample(range(64), len(pieces))
        if any(
            p.piece_type == chess.PAWN and not 8 <= s < 56
            for p, s in zip(pieces, squares, strict=True)
        ):
            continue
        board = chess.Board(None)
        for piece, square in zip(pieces, squares, strict=True):
            board.set_piece_at(square, piece)
        board.turn = rng.random() < 0.5
        if board.is_valid() and any(board.legal_moves):
            return board


def random_trials(name: str, number: int, seed: int) -> Iterator[Trial]:
    """Positions of a class drawn uniformly, each with a cluster of its own."""
    rng = random.Random(f"{seed} {name} positions")
    for i in range(number):
        yield Trial("random", f"{name} {i}", random_position(rng, name).fen())


#: Random positions looked at for each trade that is wanted.
_TRIES = 40


def random_trades(name: str, number: int, seed: int) -> Iterator[Trial]:
    """Trades on the board in positions of a class drawn uniformly: taken and taken back.

    Of several trades in a position one is chosen at random; fewer than ``number`` come where the
    class seldom allows one.
    """
    rng = random.Random(f"{seed} {name} trades")
    for i in range(number * _TRIES):
        if number == 0:
            return
        board = random_position(rng, name)
        pairs = [
            (first, back)
            for first in board.legal_moves
            if starts_trade(board, first)
            for back in _taking_back(board, first)
        ]
        if not pairs:
            continue
        first, back = rng.choice(pairs)
        yield _made_up(board, first, back, f"{name} {i}")
        number -= 1


def _taking_back(board: chess.Board, first: chess.Move) -> list[chess.Move]:
    child = board.copy(stack=False)
    child.push(first)
    return [m for m in child.generate_legal_captures() if m.to_square == first.to_square]


def _made_up(board: chess.Board, first: chess.Move, back: chess.Move, cluster: str) -> Trial:
    after = board.copy(stack=False)
    taken = board.piece_at(first.to_square)
    mine = board.piece_at(first.from_square)
    square = first.to_square
    if taken is None:  # en passant
        taken, square = (
            chess.Piece(chess.PAWN, not board.turn),
            (
                chess.square(
                    chess.square_file(first.to_square), chess.square_rank(first.from_square)
                )
            ),
        )
    after.push(first)
    after.push(back)
    assert mine is not None
    assert mine.piece_type != KING
    return Trial(
        "random",
        cluster,
        board.fen(),
        first.uci(),
        bare(after).fen(),
        ((mine.piece_type, first.from_square),),
        ((taken.piece_type, square),),
    )


def class_of(fen: str) -> str:
    """Material of a position, White's first."""
    return material_name(chess.Board(fen))
