"""A game played out, as PGN with the slips marked.

NAGs are those of the annotated games (``convert/reports/pgn.py``): $4 on a certain slip, $2 where
only the fifty-move rule takes the win, $6 on a suspected slip, $8 on an only move that was found,
$10, $18 and $19 at the end of a line that shows what held.
"""

from __future__ import annotations

from datetime import date

import chess
import chess.pgn

from convert.model import Line, Side, Slip, Verdict
from convert.model.record import Made, Playing
from convert.reports.play_text import detour_words, end_words, slip_words, summary
from convert.rim.pgn_text import export_game, safe_comment
from tablebases.values import Outcome

#: Longest variation added, in plies.
MOST_PLIES = 14
#: A detour is remarked on from so many plies on.
DETOUR_FROM = 2


def played_game(playing: Playing, day: date) -> str:
    """The game in PGN export format, unfinished or not; ``day`` is the Date tag."""
    game = chess.pgn.Game()
    board = chess.Board(playing.start_fen)
    names = {playing.player: "Player", playing.player.other: "fullpoint"}
    tags = {
        "Event": "Played out with fullpoint",
        "Site": "?",
        "Date": day.strftime("%Y.%m.%d"),
        "Round": "-",
        "White": names[Side.WHITE],
        "Black": names[Side.BLACK],
        "Result": playing.result,
        "Termination": "unterminated" if playing.end is None else "normal",
    }
    game.setup(board)
    for name, value in tags.items():
        game.headers[name] = value
    node: chess.pgn.GameNode = game
    for made in playing.made:
        parent, node = node, node.add_variation(chess.Move.from_uci(made.uci))
        _note(parent, node, made)
    text = " ".join(filter(None, [end_words(playing), *summary(playing, brief=True)]))
    node.comment = " ".join(filter(None, [node.comment, safe_comment(text)]))
    return export_game(game)


def _note(parent: chess.pgn.GameNode, node: chess.pgn.GameNode, made: Made) -> None:
    if made.slip is not None:
        node.nags.add(slip_nag(made.slip))
        node.comment = safe_comment(slip_words(made.slip, made.number))
        if made.slip.shown is not None:
            _variation(parent, made.slip.shown, made.slip.held[0].verdict)
        return
    if made.only:
        node.nags.add(8)
    if made.extra is not None and made.extra >= DETOUR_FROM:
        node.comment = safe_comment(detour_words(made))


def slip_nag(slip: Slip) -> int:
    """$4 for a certain slip, $2 where only the fifty-move rule takes the win, $6 if suspected."""
    if not slip.certain:
        return 6
    cursed = slip.after.high == Outcome.CURSED_WIN and slip.before.low == Outcome.WIN
    return 2 if cursed else 4


def _variation(parent: chess.pgn.GameNode, line: Line, verdict: Verdict) -> None:
    """Add a line of SAN moves beside the move played, and what it comes to."""
    board = parent.board()
    node = parent
    for san in line.moves[:MOST_PLIES]:
        move = board.parse_san(san)
        node = node.add_variation(move)
        board.push(move)
    points = verdict.for_side(Side.WHITE).points
    if node is not parent and points is not None:
        node.nags.add({1: 18, 0: 10, -1: 19}[points])
