"""A sheet of exercises as PGN: one game an exercise.

The task stands as a comment before the first move, the solution is the main line, tempting moves
that fail are variations, the twin is told in the last comment with its FEN.  The Result tag is
"*": the result is part of the answer.
"""

from __future__ import annotations

import chess
import chess.pgn

from convert.model import Line, Side, Verdict
from convert.model.lesson import Exercise, Sheet, Task, Tried, Twin, ends_words
from convert.rim.pgn_text import add_comment, export_game, safe_comment
from convert.wording.lessons import heading, level_text
from convert.wording.rules import figure_words
from convert.wording.small import capital
from convert.wording.verdicts import evidence_word, line_words, outcome_words

#: Longest variation, in plies.
MOST_PLIES = 12
_KEPT_TAGS = ("Event", "Site", "Date", "Round", "White", "Black")
#: NAGs of section 10: a bad move that costs the result; the only move; White or Black wins; drawn.
_COSTS, _ONLY, _DRAWN, _WINS = 4, 8, 10, {Side.WHITE: 18, Side.BLACK: 19}


def pgn_text(sheet: Sheet) -> str:
    """The sheet as a PGN file."""
    return "".join(
        export_game(game_of(exercise, number, sheet)) for number, exercise in _numbered(sheet)
    )


def _numbered(sheet: Sheet) -> list[tuple[int, Exercise]]:
    return list(enumerate(sheet.exercises, 1))


def game_of(exercise: Exercise, number: int, sheet: Sheet) -> chess.pgn.Game:
    """One exercise as a game."""
    game = chess.pgn.Game()
    for name in _KEPT_TAGS:
        game.headers[name] = exercise.tags.get(name) or ("????.??.??" if name == "Date" else "?")
    if not exercise.tags:
        game.headers["Event"] = sheet.title
    game.headers["Result"] = "*"
    board = chess.Board(exercise.fen)
    game.headers["SetUp"] = "1"
    game.headers["FEN"] = board.fen()
    game.headers["Exercise"] = f"{number} {exercise.ident}"
    game.headers["Theme"] = heading(exercise)
    if exercise.source:
        game.headers["Source"] = exercise.source
    game.setup(board)
    opening = f"{exercise.question} {level_text(exercise)} Hint: {exercise.hint}"
    if exercise.hint_figure is not None:
        opening += f" It {figure_words(exercise.hint_figure)}."
    game.comment = safe_comment(opening)
    _solution(game, exercise)
    return game


def _solution(game: chess.pgn.Game, exercise: Exercise) -> None:
    # Main line first: the moves of the answer.
    line = _main_line(exercise)
    rest = exercise.remarks
    end: chess.pgn.GameNode = game
    if line is not None:
        end = _play(game, line) or game
    first = game.variations[0] if game.variations else None
    if first is not None:
        if exercise.kept == 1:
            first.nags.add(_ONLY)
        first.comment = safe_comment(" ".join(rest))
        if end is not game:
            _result(end, exercise.verdict)
            add_comment(end, _ends(line))
    else:
        add_comment(game, " ".join(rest))
    tried = {item.uci: item for item in exercise.wrong}
    if exercise.asked is not None and exercise.task is Task.REFUSE:
        tried = {exercise.asked.uci: exercise.asked, **tried}
    for item in tried.values():
        _wrong(game, item)
    if exercise.twin is not None:
        add_comment(end, _twin_words(exercise.twin))


def _main_line(exercise: Exercise) -> Line | None:
    shown = exercise.shown
    return shown.line if shown is not None else None


def _play(game: chess.pgn.GameNode, line: Line, most: int | None = None) -> chess.pgn.GameNode:
    node, board = game, game.board()
    for san in line.moves[:most]:
        move = board.parse_san(san)
        node = node.add_variation(move)
        board.push(move)
    return node


def _wrong(game: chess.pgn.Game, tried: Tried) -> None:
    move = chess.Move.from_uci(tried.uci)
    if game.has_variation(move):
        return
    line = tried.line or Line(game.board().fen(), (tried.san,))
    end = _play(game, line, MOST_PLIES)
    node = game.variation(move)
    node.nags.add(_COSTS)
    _result(end, tried.verdict)
    text = f"{outcome_words(tried.verdict)} ({evidence_word(tried.verdict)})"
    add_comment(end, capital(text) + ".")


def _result(node: chess.pgn.GameNode, verdict: Verdict) -> None:
    points = verdict.points
    if points == 0:
        node.nags.add(_DRAWN)
    elif points is not None:
        node.nags.add(_WINS[verdict.side if points > 0 else verdict.side.other])


def _ends(line: Line | None) -> str:
    words = ends_words(line) if line is not None else ""
    return f"{capital(words)}." if words and words != "mate" else ""


def _twin_words(twin: Twin) -> str:
    text = f"Twin: {twin.fen}. {' '.join(twin.difference)}"
    line = twin.same.line if twin.same is not None else twin.line
    if line is not None and len(line.moves) > 1:
        board = chess.Board(line.fen)
        moves = line_words(board.fullmove_number, Side.of(board.turn), line.moves[:MOST_PLIES])
        text += f" There {moves}."
    return text
