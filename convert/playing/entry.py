"""What the player types: moves in algebraic or coordinate notation, and why one cannot be played.

More is read than PGN's import format (1994 standard, section 8.2.3) asks for: signs for captures,
checks and mates may be missing or wrong, castling may be written with noughts, and the square of
departure may be given where it is not needed.
"""

from __future__ import annotations

import re

import chess
from chess import KING

from convert.wording.small import color_word

_FIGURES = str.maketrans("♔♕♖♗♘♚♛♜♝♞", "KQRBNKQRBN", "♙♟︎️")
_NUMBER = re.compile(r"^\d{1,4}\s*\.(?:\s*\.\s*\.)?\s*|^\d{1,4}…\s*")
_TAIL = re.compile(r"(?:[+#!?]|e\.p\.|ep|\+\+)+$")
_CASTLING = re.compile(r"[O0o]-?[O0o](-?[O0o])?")
_MOVE = re.compile(
    r"(?P<piece>[KQRBNkqrn]?)(?P<file>[a-h]?)(?P<rank>[1-8]?)(?P<sign>[-x:×–]?)"
    r"(?P<to>[a-h][1-8])(?:[=/]?\(?(?P<promotion>[QRBNqrbn])\)?)?"
)
_BISHOP = re.compile(
    r"(?P<piece>b)(?P<file>[a-h]?)(?P<rank>[1-8]?)(?P<sign>[-x:×–]?)(?P<to>[a-h][1-8])"
    r"(?P<promotion>)"
)
_NAMES = {
    chess.PAWN: "pawn",
    chess.KNIGHT: "knight",
    chess.BISHOP: "bishop",
    chess.ROOK: "rook",
    chess.QUEEN: "queen",
    KING: "king",
}


class NoMove(Exception):
    """The text is no move that can be played here; ``str()`` says why, in one line."""


class NotAMove(NoMove):
    """The text does not even look like a move."""


def words(line: str) -> list[str]:
    """The words of a line, move numbers left out; a remark starts with ``#`` at its beginning
    or behind a blank."""
    line = re.split(r"(?:^|\s)#", line, maxsplit=1)[0]
    moves_typed = []
    for word in line.split():
        word = _NUMBER.sub("", word)
        if word and not re.fullmatch(r"\.{2,3}|…", word):
            moves_typed.append(word)
    return moves_typed


def read_move(board: chess.Board, word: str) -> chess.Move:
    """The move that the player means.

    Raises:
        NotAMove: it does not look like a move.
        NoMove: no legal move fits, or several do.
    """
    text = _plain(word)
    castling = _CASTLING.fullmatch(text)
    if castling:
        return _castle(board, word, long=bool(castling.group(1)))
    matches = [m for m in (_MOVE.fullmatch(text), _BISHOP.fullmatch(text)) if m is not None]
    if not matches:
        raise NotAMove(f"{word!r} is neither a move nor a command")
    wanted = [_Wanted(m) for m in matches]
    for want in wanted:
        fitting = [move for move in board.legal_moves if want.fits(board, move)]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            raise NoMove(_which(board, word, fitting))
    raise NoMove(_why_not(board, word, wanted[0]))


class _Wanted:
    """A move as far as its text tells it."""

    def __init__(self, match: re.Match[str]):
        letter = match["piece"].upper()
        self.to = chess.parse_square(match["to"])
        self.file = chess.FILE_NAMES.index(match["file"]) if match["file"] else None
        self.rank = int(match["rank"]) - 1 if match["rank"] else None
        promotion = match["promotion"]
        self.promotion = chess.PIECE_SYMBOLS.index(promotion.lower()) if promotion else None
        if not letter and not match["file"] and match["sign"] in ("", "-", "–"):
            # A square alone is a pawn's step, never its capture.
            self.file = chess.square_file(self.to)
        both = self.file is not None and self.rank is not None
        # Two squares and no letter: coordinates, for a man of any kind.
        self.piece: chess.PieceType | None = (
            chess.PIECE_SYMBOLS.index(letter.lower()) if letter else None if both else chess.PAWN
        )

    def starts_at(self, board: chess.Board, square: chess.Square) -> bool:
        """Could the man on ``square`` be meant?"""
        if self.file is not None and chess.square_file(square) != self.file:
            return False
        if self.rank is not None and chess.square_rank(square) != self.rank:
            return False
        kind = board.piece_type_at(square)
        return kind is not None and self.piece in (None, kind)

    def fits(self, board: chess.Board, move: chess.Move) -> bool:
        """Is ``move`` what the text tells?"""
        if move.to_square != self.to or not self.starts_at(board, move.from_square):
            return False
        if board.is_castling(move) and self.piece is not None:
            return False
        return self.promotion is None or move.promotion == self.promotion


def _plain(word: str) -> str:
    text = _NUMBER.sub("", word.translate(_FIGURES).strip())
    return _TAIL.sub("", text)


def _which(board: chess.Board, word: str, fitting: list[chess.Move]) -> str:
    names = sorted({board.san(move) for move in fitting})
    choice = f"{', '.join(names[:-1])} or {names[-1]}"
    if len({move.from_square for move in fitting}) == 1:
        return f"{word}: a pawn that gets there becomes a piece: {choice}"
    return f"{word}: more than one man can go there: {choice}"


def _castle(board: chess.Board, word: str, *, long: bool) -> chess.Move:
    for move in board.generate_castling_moves():
        if board.is_queenside_castling(move) == long:
            return move
    side = color_word(board.turn)
    rights = (
        board.has_queenside_castling_rights(board.turn)
        if long
        else board.has_kingside_castling_rights(board.turn)
    )
    if not rights:
        raise NoMove(f"{word}: {side} has no right to castle there")
    if board.is_check():
        raise NoMove(f"{word}: {side} is in check, and nobody castles out of check")
    first = 0 if board.turn else 56
    between = chess.SquareSet.between(first + 4, first + (0 if long else 7))
    if between & board.occupied:
        raise NoMove(f"{word}: a man stands between king and rook")
    raise NoMove(f"{word}: the king would pass over or come to a square that is attacked")


def _why_not(board: chess.Board, word: str, want: _Wanted) -> str:
    """Why no legal move fits."""
    side = color_word(board.turn)
    target = chess.square_name(want.to)
    own = board.occupied_co[board.turn]
    from_square = _from_square(want)
    if from_square is not None and not own >> from_square & 1:
        there = board.piece_type_at(from_square)
        if there is None:
            return f"{word}: there is no man on {chess.square_name(from_square)}"
        owner = color_word(not board.turn)
        return f"{word}: the {_NAMES[there]} is {owner}'s, and {side} is to move"
    men = [s for s in chess.scan_forward(own) if want.starts_at(board, s)]
    if not men:
        name = _NAMES[want.piece] if want.piece else "man"
        return f"{word}: {side} has no {name}{_placed(want)}"
    if own >> want.to & 1 and (from_square is None or from_square != want.to):
        standing = _NAMES[board.piece_type_at(want.to) or chess.PAWN]
        return f"{word}: {side}'s own {standing} stands on {target}"
    reaching = [
        m for m in board.pseudo_legal_moves if m.to_square == want.to and m.from_square in men
    ]
    if not reaching:
        kind = board.piece_type_at(men[0]) or chess.PAWN
        name = _NAMES[kind]
        if kind == KING and chess.square_distance(men[0], want.to) > 1:
            return f"{word}: {side}'s king on {chess.square_name(men[0])} is not next to {target}"
        return f"{word}: no {name} of {side}'s can go to {target}"
    if want.promotion is not None and all(m.promotion is None for m in reaching):
        return f"{word}: a pawn becomes a piece on the last rank only"
    if any(board.is_castling(m) for m in reaching):
        return f"{word}: castling is written O-O or O-O-O"
    return f"{word}: {_exposed(board, reaching[0])}"


def _exposed(board: chess.Board, move: chess.Move) -> str:
    """Why a move that its man could make leaves the king to be taken."""
    mine, other = board.turn, not board.turn
    side = color_word(mine)
    their_king = board.king(other)
    if board.piece_type_at(move.from_square) == KING:
        if their_king is not None and chess.square_distance(move.to_square, their_king) <= 1:
            return "the king would stand next to the other king"
        # The king no longer hides the squares behind it.
        cleared = board.copy(stack=False)
        cleared.push(move)
        king = cleared.king(mine)
        attackers = cleared.attackers(other, king) if king is not None else chess.SquareSet()
        return f"the king would be in check from {_men(cleared, attackers)}"
    king = board.king(mine)
    checkers = board.checkers()
    after = board.copy(stack=False)
    after.push(move)
    attackers = after.attackers(other, king) if king is not None else chess.SquareSet()
    if checkers & attackers:
        return f"{side} is in check from {_men(board, checkers)}, and this does not meet it"
    name = _NAMES[board.piece_type_at(move.from_square) or chess.PAWN]
    return f"the {name} is pinned: the king would be in check from {_men(after, attackers)}"


def _men(board: chess.Board, squares: chess.SquareSet) -> str:
    men_named = [
        f"the {_NAMES[board.piece_type_at(s) or chess.PAWN]} on {chess.square_name(s)}"
        for s in squares
    ]
    return " and ".join(men_named)


def _from_square(want: _Wanted) -> chess.Square | None:
    if want.file is None or want.rank is None:
        return None
    return chess.square(want.file, want.rank)


def _placed(want: _Wanted) -> str:
    if want.file is not None and want.rank is not None:
        return f" on {chess.FILE_NAMES[want.file]}{want.rank + 1}"
    if want.file is not None:
        return f" on the {chess.FILE_NAMES[want.file]}-file"
    if want.rank is not None:
        return f" on rank {want.rank + 1}"
    return ""
