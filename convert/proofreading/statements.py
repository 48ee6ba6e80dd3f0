"""Finds what an annotator says in a game, and the position or move that he says it of.

The whole tree is walked, variations included, in the order of the text.  A NAG speaks of the move
it stands behind, or of the position after it.  Words in a comment behind a move speak of the
position after that move; words with numbered moves of the position after these moves, where they
can be played from a position of the same line.  What cannot be placed is not guessed: the statement
is kept with the reason.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

import chess
import chess.pgn

from convert.model import Side, move_label
from convert.model.findings import Kind, Place, Slot, Statement, Unread, Written
from convert.proofreading.comments import Clause, MoveRun, Sentence, split
from convert.proofreading.nags import NAGS, NagMeaning
from convert.proofreading.phrases import Said, claim, read
from convert.proofreading.scope import Surroundings
from convert.rim.pgn_text import comment_of, starting_comment_of
from convert.wording.verdicts import line_words

#: Longest quotation, in characters.
MOST_QUOTED = 120

ABOUT_MOVES = frozenset({Kind.GOOD, Kind.POOR, Kind.DOUBTFUL, Kind.ONLY, Kind.SPOILS})
"""Kinds of statements that speak of a move; their position is the one before it."""

_NOW = re.compile(r"(?:and )?(?:now|here|the text|the move played|in the game)\b", re.IGNORECASE)
_BARE_LINE = re.compile(
    r"(?:(?:and|but|so|now|for example|for instance|even)\s+)*"
    r"(?:(?:better|best|correct|right|stronger|simpler) (?:is|was) |"
    r"(?:if|after|on|when|once|by|with|in case of)\s+)?\x01\x02*(?:\s+then)?",
    re.IGNORECASE,
)
_RUNS_ON = re.compile(
    r"\b(?:with|by|after|because of|on|through|to|and|or|if|is|was|but|than|that|then|the|of|for|"
    r"in|when|with the move|as|since|not|also)\s*:?\s*$",
    re.IGNORECASE,
)
_WORD = re.compile(r"[^\W\d_]{2,}")
_BESIDE = "may speak of the moves named before it"


@dataclass(frozen=True)
class Spot:
    """A move of the tree: the node, the position before it and the way to it."""

    node: chess.pgn.ChildNode
    before: chess.Board
    path: tuple[int, ...]

    @property
    def after(self) -> chess.Board:
        """The position after the move."""
        board = self.before.copy(stack=False)
        board.push(self.node.move)
        board.clear_stack()
        return board


def spots(game: chess.pgn.Game) -> Iterator[Spot]:
    """Every move of the tree in the order of the text: a move, its variations, what follows it."""
    stack = [Spot(node, game.board(), (0,)) for node in game.variations[:1]]
    while stack:
        spot = stack.pop()
        yield spot
        after = spot.after
        # What stands first in the text is taken from the stack first.
        stack += [Spot(child, after, (*spot.path, 0)) for child in spot.node.variations[:1]]
        if spot.path[-1] == 0 and spot.node.parent is not None:
            others = spot.node.parent.variations[1:]
            stack += [
                Spot(child, spot.before, (*spot.path[:-1], i))
                for i, child in reversed(list(enumerate(others, 1)))
            ]


def find_statements(game: chess.pgn.Game) -> tuple[Statement, ...]:
    """All statements of a game, in the order of its text."""
    return find_all(game)[0]


def find_all(game: chess.pgn.Game) -> tuple[tuple[Statement, ...], tuple[Unread, ...]]:
    """All statements of a game, and the sentences in which there is none, in the order of its text.

    A sentence counts that has a word in it: moves alone, commands and remarks of ours do not.
    """
    finder = _Finder(game)
    statements = tuple(finder.all())
    return statements, tuple(finder.unread)


def label_of(board: chess.Board, move: chess.Move) -> str:
    """A move with its number, as ``34...Kf7``; ``34...--`` for a null move."""
    return move_label(board.fullmove_number, Side.of(board.turn), board.san(move))


class _Finder:
    def __init__(self, game: chess.pgn.Game):
        self.game = game
        white, black = (_surname(game.headers.get(name, "")) for name in ("White", "Black"))
        if white.lower() == black.lower():
            white = black = ""
        self.names = (white, black)
        self.unread: list[Unread] = []
        self.end = game.end()
        self.result = {"1-0": 1, "0-1": -1, "1/2-1/2": 0}.get(game.headers.get("Result", "*"))

    def all(self) -> Iterator[Statement]:
        opening = comment_of(self.game)
        if opening:
            place = Place((), Slot.START, "start")
            yield from self._words(opening, place, self.game.board(), None)
        for spot in spots(self.game):
            node = spot.node
            before, behind = starting_comment_of(node), comment_of(node)
            nags = [NAGS[nag] for nag in sorted(node.nags) if nag in NAGS]
            if not (before or behind or nags):
                continue
            label, branch = label_of(spot.before, node.move), _branch(spot)
            if before:
                place = Place(spot.path, Slot.BEFORE, label, branch)
                yield from self._words(before, place, spot.before, spot)
            place = Place(spot.path, Slot.AFTER, label, branch)
            for nag in nags:
                yield _nag_statement(nag, place, spot)
            if behind:
                yield from self._words(behind, place, spot.after, spot)

    # --- words ----------------------------------------------------------------------------------

    def _words(
        self, text: str, place: Place, board: chess.Board, spot: Spot | None
    ) -> Iterator[Statement]:
        strayed = False
        sentences = split(text, *self.names)
        runs_on = bool(_RUNS_ON.search(text))
        for sentence in sentences:
            silent = True
            if not sentence.question:
                for clause, why in _clauses(sentence, strayed):
                    said = read(
                        clause.masked, _around(sentence, clause), has_moves=bool(clause.groups)
                    )
                    if said is not None:
                        silent = False
                        quote = _quote(text, clause)
                        if runs_on and sentence is sentences[-1]:
                            why = why or "the sentence runs on into the next move"
                        said = replace(said, why=said.why or why)
                        yield self._statement(said, clause, quote, place, board, spot)
            if silent and _WORD.search(sentence.masked):
                own = " ".join(text[sentence.start : sentence.start + len(sentence.masked)].split())
                self.unread.append(Unread(place, own))
            strayed = strayed or any(
                not self._played(group, spot)
                for clause in sentence.clauses
                for group in clause.groups
            )

    def _played(self, group: MoveRun, spot: Spot | None) -> bool:
        """The moves named are just the move that the comment stands at."""
        if spot is None or len(group.moves) > 1 or not _due(spot.before, group):
            return False
        return _play(spot.before, group.moves) == [spot.node.move]

    def _statement(
        self,
        said: Said,
        clause: Clause,
        quote: str,
        place: Place,
        board: chess.Board,
        spot: Spot | None,
    ) -> Statement:
        """The statement in a clause, with the position it speaks of."""
        phrase = said.phrase
        why = said.why
        about_move = phrase.kind in ABOUT_MOVES
        position, move = board, spot.node.move if spot is not None else None
        start = spot.before if spot is not None else board
        via: tuple[str, ...] = ()
        if clause.groups:
            placed = self._placed(clause.groups, board, spot)
            if isinstance(placed, str):
                why = why or placed
            else:
                start, moves = placed
                if about_move and len(moves) > 1:
                    why = why or "names several moves"
                work = start.copy(stack=False)
                for each in moves[:-1]:
                    work.push(each)
                start, move = work.copy(stack=False), moves[-1]
                work.push(move)
                position = work
                via = clause.groups[0].moves
        elif not about_move and phrase.of == "mover" and move is not None:
            position = start.copy(stack=False)
            position.push(move)
        mover = Side.of(start.turn)
        side = said.side
        if side is None and phrase.of in ("mover", "either"):
            side = mover
        if side is None and phrase.of == "to move":
            side = Side.of(position.turn)
        if phrase.of in ("mover", "either") and move is None:
            why = why or "there is no move that it could speak of"
        if about_move and said.side is not None and said.side is not mover:
            why = why or f"the move is not {said.side.name_}'s"
        if phrase.of == "on move" and side is not Side.of(position.turn):
            turned = _turned(position)
            if turned is None:
                why = why or "the other side cannot have the move here"
            position = turned or position
        if about_move and move is not None and not move:
            why = why or "it stands at a null move"
        san = start.san(move) if about_move and move is not None else ""
        statement = Statement(
            place=place,
            written=Written.WORDS,
            quote=quote,
            kind=phrase.kind,
            side=side,
            low=phrase.low,
            high=phrase.high,
            fen=(start if about_move else position).fen(),
            via=via,
            san=san,
            piece=_PIECES.get(said.piece, ""),
            why=why,
        )
        if spot is not None and spot.node is self.end and not via:
            statement = replace(statement, last=self._tells_result(statement))
        where = f"with {side.name_} to move" if side and phrase.of == "on move" else ""
        if via and not about_move:
            group = clause.groups[0]
            where = f"after {line_words(group.number, Side.of(group.white), via)}"
        return replace(statement, reading=reading_of(statement, where))

    def _tells_result(self, statement: Statement) -> bool:
        """True if the game ended as the statement says."""
        if self.result is None or statement.low is None or statement.high is None:
            return False
        ended = -self.result if statement.side is Side.BLACK else self.result
        return statement.low <= ended <= statement.high

    def _placed(
        self, groups: tuple[MoveRun, ...], board: chess.Board, spot: Spot | None
    ) -> tuple[chess.Board, list[chess.Move]] | str:
        """The position of this line that the moves named start from, and the moves; or why not."""
        if len(groups) > 1:
            return "names several lines of moves"
        (group,) = groups
        for start in self._line(board, spot):
            if _due(start, group):
                moves = _play(start, group.moves)
                if moves is None:
                    return "the moves named cannot be played there"
                return start, moves
        return "the moves named do not start from a position of this line"

    def _line(self, board: chess.Board, spot: Spot | None) -> Iterator[chess.Board]:
        """Positions of the line up to the comment, the last first."""
        yield board
        if spot is None:
            return
        if board.ply() != spot.before.ply():
            yield spot.before
        moves: list[chess.Move] = []
        node = spot.node.parent
        while isinstance(node, chess.pgn.ChildNode):
            moves.append(node.move)
            node = node.parent
        work = self.game.board()
        boards = []
        for move in reversed(moves):
            boards.append(work.copy(stack=False))
            work.push(move)
        yield from reversed(boards)


def _clauses(sentence: Sentence, strayed: bool) -> Iterator[tuple[Clause, str]]:
    """Clauses to be read, each with a reason why what it says cannot be placed, or ""."""
    line: Clause | None = None  # a clause that consists of moves alone
    named = False
    now = bool(_NOW.match(sentence.masked))
    loose = any(clause.loose for clause in sentence.clauses)
    for clause in sentence.clauses:
        joined = clause
        why = "names a move without its number" if loose else ""
        if line is not None and not clause.groups:
            gap = " " * (clause.start - line.end)
            joined = Clause(line.start, clause.end, line.masked + gap + clause.masked, line.groups)
        elif not clause.groups and (named or (strayed and not now)):
            why = why or _BESIDE
        yield joined, why
        line = clause if clause.groups and _BARE_LINE.fullmatch(clause.masked) else None
        named = named or bool(clause.groups)


def _around(sentence: Sentence, clause: Clause) -> Surroundings:
    """What stands about a clause of the sentence."""
    before = tuple(c.masked for c in sentence.clauses if c.end <= clause.start and not c.groups)
    behind = sentence.masked[clause.end - sentence.start :]
    return Surroundings(sentence.masked, before, behind, sentence.heading)


def _turned(board: chess.Board) -> chess.Board | None:
    """The position with the other side to move; None where that cannot be."""
    if board.is_check():
        return None
    turned = board.copy(stack=False)
    turned.push(chess.Move.null())
    turned.clear_stack()
    turned.halfmove_clock = board.halfmove_clock
    turned.fullmove_number = board.fullmove_number
    return turned


def _due(board: chess.Board, group: MoveRun) -> bool:
    return (board.fullmove_number, board.turn) == (group.number, group.white)


def _play(board: chess.Board, sans: tuple[str, ...]) -> list[chess.Move] | None:
    work = board.copy(stack=False)
    moves = []
    for san in sans:
        try:
            moves.append(work.push_san(san))
        except ValueError:
            return None
    return moves


def _surname(name: str) -> str:
    """The part of a name tag before the comma; "" for a name that may be an ordinary word."""
    first = name.split(",")[0].strip() if "," in name else (name.split() or [""])[-1]
    usual = {
        "white",
        "black",
        "win",
        "draw",
        "player",
        "team",
        "unknown",
        "king",
        "knight",
        "rook",
        "bishop",
        "queen",
        "castle",
        "pawn",
        "best",
    }
    return first if len(first) > 2 and first[0].isupper() and first.lower() not in usual else ""


def _quote(text: str, clause: Clause) -> str:
    words = " ".join(text[clause.start : clause.end].split())
    return words if len(words) <= MOST_QUOTED else words[: MOST_QUOTED - 3].rstrip() + "..."


_PIECES = {
    "queens": "queen",
    "rooks": "rook",
    "bishops": "bishop",
    "knights": "knight",
    "minor pieces": "minor piece",
}


def _branch(spot: Spot) -> str:
    """In a variation the moves from where it leaves the main line, with numbers."""
    off = next((i for i, choice in enumerate(spot.path) if choice), None)
    if off is None:
        return ""
    node: chess.pgn.GameNode = spot.node
    moves: list[chess.Move] = []
    for _ in spot.path[off:]:
        assert isinstance(node, chess.pgn.ChildNode)
        moves.append(node.move)
        node = node.parent
    board = node.board()
    number, side = board.fullmove_number, Side.of(board.turn)
    sans = []
    for move in reversed(moves):
        sans.append(board.san(move))
        board.push(move)
    return line_words(number, side, tuple(sans))


def _nag_statement(nag: NagMeaning, place: Place, spot: Spot) -> Statement:
    about_move = nag.kind in ABOUT_MOVES
    move = spot.node.move
    side = nag.side or (Side.of(spot.before.turn) if about_move else None)
    why = "it stands at a null move" if about_move and not move else ""
    return Statement(
        place=place,
        written=Written.NAG,
        quote=f"${nag.number}",
        kind=nag.kind,
        side=side,
        low=nag.low,
        high=nag.high,
        fen=(spot.before if about_move else spot.after).fen(),
        san=spot.before.san(move) if about_move else "",
        reading=nag.reading.format(move=label_of(spot.before, move)),
        why=why,
    )


# --- what was understood ------------------------------------------------------------------------


def reading_of(statement: Statement, where: str = "") -> str:
    """What is understood by a statement in words, as a clause; ``where``: "after 45.Kd5"."""
    text = _reading(statement)
    return f"{where}, {text}" if where else text


def _reading(statement: Statement) -> str:
    side = statement.side.name_ if statement.side else ""
    low, high = statement.low, statement.high
    fields = statement.fen.split()
    to_move = Side.WHITE if fields[1] == "w" else Side.BLACK
    move = move_label(int(fields[-1]), to_move, statement.san)
    traded = f"{statement.piece}s" if statement.piece else "pieces"
    match statement.kind:
        case Kind.RESULT | Kind.TRADE:
            assert low is not None
            assert high is not None
            result = claim(side, low, high)
            trades = statement.kind is Kind.TRADE
            return f"if {side} trades {traded}, {result}" if trades else result
        case Kind.ADVANTAGE:
            return f"{side} is better"
        case Kind.ONLY:
            keeps = {1: "wins", 0: "draws or wins", None: "keeps the result"}[low]
            return f"only {move} {keeps}"
        case Kind.SPOILS if low == -1:
            return f"{move} loses, and another move would not have lost"
        case Kind.SPOILS:
            return f"{move} gives the {'win' if low == 1 else 'draw'} away"
        case Kind.ZUGZWANG:
            return f"{side} is in zugzwang"
        case Kind.MUTUAL:
            return "whoever has to move is worse off for it"
        case Kind.MUST_TRADE:
            return f"only trading {traded} keeps {side}'s result"
        case Kind.MUST_NOT_TRADE:
            return f"trading {traded} worsens {side}'s result"
        case _:
            return "no claim about the result"
