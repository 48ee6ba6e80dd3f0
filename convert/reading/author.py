"""What the author of a game wrote into it: comments, glyphs, variations."""

from __future__ import annotations

from dataclasses import dataclass

import chess
import chess.pgn

from convert.model import Sideline
from convert.rim.pgn_text import comment_behind, starting_comment_of

#: Variations are followed to this depth; what is nested deeper is left out.
DEEPEST = 4


@dataclass(frozen=True)
class MoveNotes:
    """What stands behind one move, as :class:`convert.model.PlyRecord` holds it."""

    comment: str = ""
    nags: tuple[int, ...] = ()
    sidelines: tuple[Sideline, ...] = ()


@dataclass(frozen=True)
class AuthorNotes:
    """What stands before the first move, and behind each."""

    before: str
    moves: tuple[MoveNotes, ...]

    def at(self, ply: int) -> MoveNotes:
        """The notes at a ply, from 1; empty ones past the end."""
        return self.moves[ply - 1] if ply <= len(self.moves) else MoveNotes()


def notes_of(game: chess.pgn.Game | None, plies: int) -> AuthorNotes:
    """The author's notes on the first ``plies`` plies of the main line."""
    if game is None:
        return AuthorNotes("", ())
    board = game.board()
    notes: list[MoveNotes] = []
    node: chess.pgn.GameNode = game
    while node.variations and len(notes) < plies:
        child = node.variations[0]
        lines: list[Sideline] = []
        for other in node.variations[1:]:
            lines += _sidelines(other, board)
        notes.append(MoveNotes(comment_behind(child), tuple(sorted(child.nags)), tuple(lines)))
        board.push(child.move)
        node = child
    return AuthorNotes(comment_behind(game), tuple(notes))


def _sidelines(first: chess.pgn.ChildNode, board: chess.Board, depth: int = 1) -> list[Sideline]:
    """The variation that starts with ``first`` from ``board``, then those within it."""
    work = board.copy(stack=False)
    moves, nags, comments = [], [], [starting_comment_of(first)]
    inner: list[Sideline] = []
    node: chess.pgn.ChildNode | None = first
    while node is not None:
        if node is not first and depth < DEEPEST:
            for other in node.parent.variations[1:]:
                inner += _sidelines(other, work, depth + 1)
        moves.append(work.san(node.move))
        nags.append(tuple(sorted(node.nags)))
        comments.append(comment_behind(node))
        work.push(node.move)
        node = node.next()
    return [Sideline(board.fen(), tuple(moves), tuple(comments), tuple(nags), depth), *inner]
