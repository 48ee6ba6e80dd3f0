"""Main lines of games read fast, with every check of `convert.reading.games`.

`read_lines` finds what `read_games` finds, but for variations, comments and NAGs: same numbers,
lines, tags, main lines and problems.  The moves of a game in which nothing is out of the ordinary
are found here.  Any other game, down to a move number that is not due or a move written in an
unusual way, goes through the same code as in `read_games`; so one place says what is wrong with a
game.

The quick way keeps a list of what stands on each square and, for each kind of piece, of the squares
it stands on.  A SAN names a kind of piece and a target; of the few pieces of that kind those count
that reach the target over empty squares, and the move is legal if no enemy piece attacks the king
afterwards.  That takes neither a list of all legal moves nor a board.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

import chess
import chess.pgn
from chess import BISHOP, KING, KNIGHT, PAWN, QUEEN, ROOK

from convert.reading import games
from convert.reading.containers import encoding_of
from convert.reading.fen import SourceError
from convert.reading.records import GameRead, LineRead, Problem, limited
from convert.reading.scan import MAX_DEPTH
from convert.reading.split import Block
from convert.reading.tags import read_tags, settle_result, start_of

__all__ = ["LineRead", "main_lines_of", "read_lines"]


def read_lines(path: str | Path, *, stdin: BinaryIO | None = None) -> Iterator[LineRead]:
    """Main lines of a PGN file, one game after the other: `read_games` without what is beside them.

    Args:
        path: a plain, gzip or zstd file, or "-" for standard input.
        stdin: binary stream to read for "-"; the process's standard input if None.

    Raises:
        SourceError: as `read_games` does.
    """
    yield from games.file_records(path, stdin, _read_block, _nothing_read)


def main_lines_of(
    source: str,
    lines: Iterator[bytes],
    *,
    games_before: int = 0,
    lines_before: int = 0,
    damage: Callable[[], str | None] = lambda: None,
) -> Iterator[LineRead]:
    """Main lines of a source, or of a part of it, from its lines: see `games.games_of`.

    Raises:
        SourceError: as `games.games_of` does.
    """
    yield from games.records_of(
        source, lines, _read_block, _nothing_read, games_before, lines_before, damage
    )


def only_line(read: GameRead) -> LineRead:
    """A game without its variations, comments and NAGs."""
    return LineRead(
        read.source,
        read.number,
        read.line,
        None if read.game is None else dict(read.game.headers),
        None if read.game is None else read.game.board(),
        read.moves,
        read.problems,
        read.complete,
    )


def _nothing_read(source: str, number: int, line: int, problems: tuple[Problem, ...]) -> LineRead:
    return LineRead(source, number, line, None, None, (), problems, False)


# --- one game -----------------------------------------------------------------------------------

_NO_HEADERS = dict(chess.pgn.Game().headers)
_USUAL = chess.Board()


def _read_block(block: Block, source: str, number: int) -> tuple[LineRead, bool]:
    """The game in a block, and whether it is a game at all."""
    read = _read_ordinary(block, source, number)
    if read is not None:
        return read, True
    whole, is_game = games.read_block(block, source, number)
    return only_line(whole), is_game


def _read_ordinary(block: Block, source: str, number: int) -> LineRead | None:
    """What `games.read_block` reads; None where anything needs a closer look."""
    if block.too_long or not block.body:
        return None
    raw = b"\n".join(block.body)
    tag_lines = [text for _, text in block.head]
    encoding = encoding_of(b"\n".join([*tag_lines, block.preface, raw]))
    tags = read_tags(block.head, encoding)
    if tags.fatal:
        return None
    try:
        board, remarks = start_of(tags)
    except SourceError:
        return None
    start = board or _USUAL
    text = raw.decode(encoding)
    plain = plain_moves(text, start)
    moves = None if plain is None else play(start, plain.main)
    if plain is None or moves is None or any(play(start, line) is None for line in plain.others):
        return None
    headers = _NO_HEADERS | tags.values
    notes = [*tags.notes, *remarks]
    doubts = settle_result(headers, tags, plain.result)
    if doubts:
        last = block.body_line + text.count("\n", 0, len(text.rstrip()))
        notes += [(last, doubt) for doubt in doubts]
    if not moves:
        notes.append((block.line, "no moves"))
    notes.sort(key=lambda note: note[0])
    problems = limited([Problem(source, number, at, None, why) for at, why in notes])
    return LineRead(source, number, block.line, headers, start, moves, problems, True)


# --- the moves in a text ------------------------------------------------------------------------

_RESULTS = ("1-0", "0-1", "1/2-1/2", "*")
# Move numbers from 1 on, as they stand before White's moves, and before each move.
_WHITE_NUMBERS = [str(number) for number in range(1, 501)]
_ALL_NUMBERS = [str(number) for number in range(1, 501) for _ in "wb"]
_COMMENT = re.compile(r"\{[^}]*\}")
# NAGs up to $255 between spaces; "!", "?" and their pairs, alone or right behind a move.
_MARKS = re.compile(
    r"(?:(?<=\s)\$(?:1?[0-9]{1,2}|2[0-4][0-9]|25[0-5])"
    r"|(?:(?<=[\s+\#O])|(?<=[a-h][1-8])|(?<==[NBRQ]))(?:!!|\?\?|!\?|\?!|[!?]))(?=\s|\Z)"
)
# A mark may stand before the first move of its line.
_EARLY_MARK = re.compile(r"(?:\A|\()[\s0-9.]*[$!?]")
# Lines with variations are played from the start each; for so many moves to play a word of the text
# at most, since python-chess would not be slower then.
_PLAYED_FOR_A_WORD = 8


class _Plain(NamedTuple):
    """A movetext: its main line, the lines that its variations are the ends of, its result."""

    main: list[str]
    others: list[list[str]]
    result: str


def plain_moves(text: str, start: chess.Board) -> _Plain | None:
    """The moves of a movetext, as they are written, and its result.

    Closed comments, move numbers that are due, and NAGs and glyphs behind moves are left out.  None
    if anything else may stand there than these, variations, moves and a result at the end.  What is
    given as a move is to be looked at by `play`.
    """
    if "{" in text:
        text = _COMMENT.sub(" ", text)
    nested = "(" in text
    if nested:
        text = text.replace("(", " ( ").replace(")", " ) ")
    if "$" in text or "!" in text or "?" in text:
        if _EARLY_MARK.search(text):
            return None
        text = _MARKS.sub(" ", text)
    words = text.replace(".", " ").split()
    if not words or words[-1] not in _RESULTS or not text.rstrip().endswith(words[-1]):
        return None
    result = words.pop()
    if start is _USUAL and not nested:
        numbers = words[::3]
        if numbers == _WHITE_NUMBERS[: len(numbers)]:
            del words[::3]
            return _Plain(words, [], result)
        numbers = words[::2]
        if numbers == _ALL_NUMBERS[: len(numbers)]:
            del words[::2]
            return _Plain(words, [], result)
    return _lines_in(words, 2 * start.fullmove_number + (start.turn == chess.BLACK), result)


def _lines_in(words: list[str], before: int, result: str) -> _Plain | None:
    """The lines in the words of a text.

    None if a number of the main line is not due, or where brackets are out of order.

    Args:
        words: moves, numbers and brackets.
        before: twice the number of the first move, and 1 more if it is Black's.
        result: handed on.
    """
    others: list[list[str]] = []
    stack: list[tuple[list[str], int]] = []
    line: list[str] = []
    own = 0  # moves in the present line that are not in the one around it
    work = 0
    number = False  # the word before was one
    for word in words:
        was_number, number = number, False
        if word.isdecimal():
            # Numbers in variations count for nothing.
            due = word[:4] if stack and word.isascii() else str((before + own) // 2)
            if word != due:
                return None
            number = True
        elif word == "(":
            work += len(line)
            if (
                not own
                or was_number
                or len(stack) >= MAX_DEPTH
                or work > _PLAYED_FOR_A_WORD * len(words)
            ):
                return None
            stack.append((line, own))
            line, own = line[:-1], 0
        elif word == ")":
            if not own or was_number or not stack:
                return None
            others.append(line)
            line, own = stack.pop()
        else:
            line.append(word)
            own += 1
    return None if stack else _Plain(line, others, result)


# --- SAN without a board ------------------------------------------------------------------------

# What a word asks for, by colour: the kind of piece that moves, or one of the three below; the
# target; for a piece what has to be empty on the way from each square; two numbers; the piece
# promoted to, or 0.  The two numbers are
#   for a piece   the squares it may come from, as a mask; 0
#   _PUSH         the square behind the target; the one a pawn comes from in a double step, or -1
#   _TAKE         the square the pawn comes from; the one where a pawn taken in passing stands
#   _CASTLE       the square the king comes from; the one the rook comes from
_Asked = tuple[int, int, list[int], int, int, int]
_PUSH, _TAKE, _CASTLE = PAWN, KING + 1, KING + 2
_ANYWHERE = chess.BB_ALL
_NOWHERE = -1
_PIECE_WORD = re.compile(r"([NBRQK])([a-h]?)([1-8]?)x?([a-h])([1-8])[+#]?")
_PAWN_WORD = re.compile(r"(?:([a-h])x)?([a-h])([1-8])(?:=([NBRQ]))?[+#]?")
_CASTLE_WORD = re.compile(r"O-O(-O)?[+#]?")
# Men by number: White's are python-chess's piece types, Black's the same below zero.  Lists with a
# place for each kind of man have 13 places, so that numbers below zero count from the end.
_NUMBERS = 13

_BIT = list(chess.BB_SQUARES)
_MOVES = [chess.Move(source, target) for source in chess.SQUARES for target in chess.SQUARES]
_PROMOTIONS: dict[tuple[int, int, int], chess.Move] = {}


def _ways(kind: chess.PieceType, target: chess.Square) -> list[int]:
    """For each square: what has to be empty for a piece to come from there, as a mask.

    All squares where it cannot come from there at all: they are never all empty.
    """
    empty = chess.Board(None)
    empty.set_piece_at(target, chess.Piece(kind, chess.WHITE))
    reached = empty.attacks_mask(target)
    return [
        chess.between(source, target) if reached & _BIT[source] else chess.BB_ALL
        for source in chess.SQUARES
    ]


_WAYS = [[], [], *([_ways(kind, to) for to in chess.SQUARES] for kind in range(KNIGHT, KING + 1))]
# Squares from which a pawn of the other side attacks a king of this colour.
_PAWNS_AT = [
    [tuple(chess.scan_forward(chess.BB_PAWN_ATTACKS[color][king])) for king in chess.SQUARES]
    for color in (chess.BLACK, chess.WHITE)
]
_RIGHTS = chess.BB_CORNERS
# Castling rights, as the first squares of the rooks, left after a move from or to a square.
_RIGHTS_LEFT = [_RIGHTS & ~_BIT[square] for square in chess.SQUARES]
for _king, _rooks in ((chess.E1, chess.BB_RANK_1), (chess.E8, chess.BB_RANK_8)):
    _RIGHTS_LEFT[_king] &= ~_rooks
_known: tuple[dict[str, _Asked], dict[str, _Asked]] = ({}, {})  # Black's, White's


def _learn(word: str, color: chess.Color) -> _Asked | None:
    """What a word asks for; None if it is not a SAN as the standard has it (section 8.2.3)."""
    forward = 8 if color else -8
    pair: _Asked | None = None
    if piece := _PIECE_WORD.fullmatch(word):
        kind = chess.PIECE_SYMBOLS.index(piece[1].lower())
        target = chess.parse_square(piece[4] + piece[5])
        allowed = _ANYWHERE
        if piece[2]:
            allowed &= chess.BB_FILES[chess.FILE_NAMES.index(piece[2])]
        if piece[3]:
            allowed &= chess.BB_RANKS[int(piece[3]) - 1]
        pair = (kind, target, _WAYS[kind][target], allowed, 0, 0)
    elif pawn := _PAWN_WORD.fullmatch(word):
        target = chess.parse_square(pawn[2] + pawn[3])
        rank = chess.square_rank(target) if color else 7 - chess.square_rank(target)
        promotion = chess.PIECE_SYMBOLS.index(pawn[4].lower()) if pawn[4] else 0
        if rank < 2 or (rank == 7) != bool(promotion):
            return None
        behind = target - forward
        if not pawn[1]:
            far = behind - forward if rank == 3 else _NOWHERE
            pair = (_PUSH, target, [], behind, far, promotion)
        else:
            aside = chess.FILE_NAMES.index(pawn[1]) - chess.square_file(target)
            if abs(aside) == 1:
                pair = (_TAKE, target, [], behind + aside, behind, promotion)
    elif castle := _CASTLE_WORD.fullmatch(word):
        first = chess.A1 if color else chess.A8
        to, rook = (2, 0) if castle[1] else (6, 7)
        pair = (_CASTLE, first + to, [], first + 4, first + rook, 0)
    if pair is not None:
        _known[color][word] = pair
    return pair


_Setup = tuple[list[int], list[list[int]], int, int, int]


def _setup(board: chess.Board) -> _Setup:
    """Men by square, squares by man (pawns left out), occupied, castling rights, en passant."""
    men = [0] * 64
    places: list[list[int]] = [[] for _ in range(_NUMBERS)]
    for square, piece in board.piece_map().items():
        man = piece.piece_type if piece.color else -piece.piece_type
        men[square] = man
        if piece.piece_type != PAWN:
            places[man].append(square)
    passed = _NOWHERE if board.ep_square is None else board.ep_square
    return men, places, board.occupied, board.clean_castling_rights(), passed


_USUAL_SETUP = _setup(_USUAL)


def _attacked(
    square: chess.Square, color: chess.Color, men: list[int], places: list[list[int]], occupied: int
) -> bool:
    """Does the other side of ``color`` attack a square?"""
    sign = -1 if color else 1
    return any(men[at] == sign for at in _PAWNS_AT[color][square]) or any(
        not occupied & _WAYS[kind][square][at]
        for kind in (KNIGHT, BISHOP, ROOK, QUEEN, KING)
        for at in places[sign * kind]
    )


def _may_castle(
    king: chess.Square,
    rook: chess.Square,
    color: chess.Color,
    men: list[int],
    places: list[list[int]],
    occupied: int,
) -> bool:
    """Nothing between king and rook, and no attack where the king stands, passes and arrives."""
    step = 1 if rook > king else -1
    return not occupied & chess.between(king, rook) and not any(
        _attacked(square, color, men, places, occupied)
        for square in (king, king + step, king + 2 * step)
    )


# Of each side: sign, words, king's square, and the other side's king, pawns' places and pieces.
_Sight = tuple[
    int,
    dict[str, _Asked],
    list[int],
    list[int],
    list[tuple[int, ...]],
    list[int],
    list[int],
    list[int],
    list[int],
]


def _sight(places: list[list[int]], sign: int) -> _Sight:
    """What `play` looks at when the side with this sign moves."""
    return (
        sign,
        _known[sign > 0],
        places[sign * KING],
        places[-sign * KING],
        _PAWNS_AT[sign > 0],
        places[-sign * KNIGHT],
        places[-sign * BISHOP],
        places[-sign * ROOK],
        places[-sign * QUEEN],
    )


def _rook_castles(
    rook: chess.Square, beside: chess.Square, man: int, men: list[int], places: list[list[int]]
) -> int:
    """The rook's part of castling; returns both squares as a mask."""
    men[rook], men[beside] = 0, man
    places[man][places[man].index(rook)] = beside
    return _BIT[rook] | _BIT[beside]


# long: the loop over the moves of a game; a call for each move would cost more than what it does
def play(start: chess.Board, words: list[str]) -> tuple[chess.Move, ...] | None:
    """The moves that SAN ``words`` name one after the other from ``start``, a legal position.

    None where one of them is illegal, ambiguous, no SAN, or one not written as the standard has it.
    """
    if start is _USUAL:
        men, places, occupied, rights, passed = _USUAL_SETUP
        men, places = men[:], [place[:] for place in places]
    else:
        men, places, occupied, rights, passed = _setup(start)
    color = start.turn
    bit, table = _BIT, _MOVES
    _, _, knight_ways, bishop_ways, rook_ways, queen_ways, _ = _WAYS
    sides = _sight(places, -1), _sight(places, 1)
    moves: list[chess.Move] = []
    for word in words:
        sign, known, kings, foe, pawns_at, knights, bishops, rooks, queens = sides[color]
        asked = known.get(word) or _learn(word, color)
        if asked is None:
            return None
        kind, target, ways, first, second, promotion = asked
        victim = men[target]
        if victim * sign > 0:
            return None
        next_passed = _NOWHERE
        if kind == _PUSH:
            if victim:
                return None
            source, man = first, sign
            if men[source] != sign:
                if second < 0 or men[source] or men[second] != sign:
                    return None
                next_passed, source = source, second
        elif kind <= KING:
            man = sign * kind
            mine = places[man]
            source = _NOWHERE
            for square in mine:
                if not occupied & ways[square] and first & bit[square]:
                    if source >= 0:
                        source = _only_legal(asked, man, men, places, occupied)
                        break
                    source = square
            if source < 0 or (kind == KING and not ways[foe[0]]):
                return None
            mine[mine.index(source)] = target
        elif kind == _TAKE:
            source, man = first, sign
            if men[source] != sign:
                return None
            if not victim:
                if target != passed:
                    return None
                men[second] = 0
                occupied ^= bit[second]
        else:
            source, man = first, sign * KING
            if not rights & bit[second] or not _may_castle(
                first, second, color, men, places, occupied
            ):
                return None
            occupied ^= _rook_castles(second, (first + target) // 2, sign * ROOK, men, places)
            kings[0] = target
        if victim and victim != -sign:
            places[victim].remove(target)
        men[source] = 0
        occupied = occupied ^ bit[source] | bit[target]
        if promotion:
            man = sign * promotion
            places[man].append(target)
            moves.append(_promotion(source, target, promotion))
        else:
            moves.append(table[source << 6 | target])
        men[target] = man
        king = kings[0]
        way = queen_ways[king]
        for square in queens:
            if not occupied & way[square]:
                return None
        way = rook_ways[king]
        for square in rooks:
            if not occupied & way[square]:
                return None
        way = bishop_ways[king]
        for square in bishops:
            if not occupied & way[square]:
                return None
        way = knight_ways[king]
        for square in knights:
            if not way[square]:
                return None
        for square in pawns_at[king]:
            if men[square] == -sign:
                return None
        if rights:
            rights &= _RIGHTS_LEFT[source] & _RIGHTS_LEFT[target]
        passed = next_passed
        color = not color
    return tuple(moves)


def _only_legal(
    asked: _Asked, man: int, men: list[int], places: list[list[int]], occupied: int
) -> chess.Square:
    """Where the one piece comes from that may move to the target; -1 if there is not just one."""
    _, target, ways, where, _, _ = asked
    color = man > 0
    legal = []
    for source in places[man]:
        if occupied & ways[source] or not where & _BIT[source]:
            continue
        later = men[:]
        later[source], later[target] = 0, man
        left = [[square for square in place if square != target] for place in places]
        now = occupied ^ _BIT[source] | _BIT[target]
        if not _attacked(places[KING if color else -KING][0], color, later, left, now):
            legal.append(source)
    return legal[0] if len(legal) == 1 else _NOWHERE


def _promotion(source: chess.Square, target: chess.Square, piece: chess.PieceType) -> chess.Move:
    key = source, target, piece
    move = _PROMOTIONS.get(key)
    if move is None:
        move = _PROMOTIONS[key] = chess.Move(source, target, piece)
    return move
