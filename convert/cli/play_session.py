"""One game of ``fullpoint play``: what is typed, what is said, and where it is saved."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import NoReturn

import chess
import click

from convert.cli.common import SolverProgress, ToolError, out_console, whole_file
from convert.cli.quiet import OK
from convert.judging.judges import Bench, after_move
from convert.judging.laws import appearances
from convert.model import Evidence, Side
from convert.model.record import Playing, take_back
from convert.playing import game as step
from convert.playing.entry import NoMove, NotAMove, read_move
from convert.playing.entry import words as words_of
from convert.playing.judging import mate_is_next
from convert.playing.plan import hint
from convert.reports.diagram import diagram, in_words
from convert.reports.play_pgn import played_game
from convert.reports.play_text import (
    MOST_RULES,
    basis_words,
    claim_possible,
    draw_refused,
    end_words,
    hint_words,
    how_words,
    no_claim,
    rules_words,
    summary,
    tell_words,
)
from convert.reports.terminal import Page
from convert.review.decisions import position_speaking
from convert.review.position import with_distance
from convert.rim.outputs import OutputError, refuse_owned
from convert.wording.rules import figures_legend
from convert.wording.verdicts import line_words

HELP = (
    ("a move", "Kd4, exf8=Q, O-O, or e7e8q; several in a row are played one after the other"),
    ("how", "how the game stands, with the evidence"),
    ("hint", "how many moves keep the outcome, and the plan; again: the man; again: the move"),
    ("rules", "rules of thumb that speak in the position"),
    ("board", "the diagram; 'board off' and 'board on': after each reply or not"),
    ("moves", "the moves so far"),
    ("back [N]", "take your last move back, or the last N"),
    ("draw", "claim a draw if the position allows it, else offer one"),
    ("draw MOVE", "claim a draw with the move announced, as the Laws ask"),
    ("tell WHEN", "say what became of the outcome after each move: always, slips or never"),
    ("resign", "give the game up"),
    ("save [FILE]", "write the game so far as PGN"),
    ("quit", "end, and save the game"),
)
TELL = ("always", "slips", "never")


Lines = Iterator[tuple[str, str]]
"""Where a line comes from ("moves.txt: line 3", or nothing when typed), and the line."""


class _Refused(Exception):
    """Something typed that cannot be done; ``str()`` says why in one line."""


class _Leave(Exception):
    """The player is done."""


def _now() -> datetime:
    """Date and time for the PGN and the name of its file; tests put another in its place."""
    return datetime.now()


class Session:
    """One game between the player and the bench, and what is said of it."""

    def __init__(
        self,
        bench: Bench,
        board: chess.Board,
        player: Side,
        solving: SolverProgress,
        *,
        tell: str,
        output: str | None,
        figures: bool,
        interactive: bool,
    ):

        self.bench = bench
        self.solving = solving
        self.tell = tell
        self.output = output
        self.figures = figures
        self.interactive = interactive
        self.boards = interactive
        self.page: Page | None = None if output == "-" else Page(out_console())
        self.tried = step.SolverAsked()
        self.told_basis: Evidence | None = None
        self.saved_as: Path | None = None
        self.stop_told = False
        self.figures_told = False
        self.hinted: tuple[str, int] = ("", 0)
        self.prompt = ""
        self.first, self.player = board, player
        self.playing: Playing | None = None

    @property
    def game(self) -> Playing:
        """The game, once it has begun."""
        assert self.playing is not None
        return self.playing

    # --- the run ------------------------------------------------------------------------

    def run(self, lines: Lines) -> int:
        """Play until the lines end or the player leaves; save whatever happens."""
        try:
            self._begin()
            self._prompt()
            for place, line in lines:
                try:
                    self._line(line)
                except (_Refused, NoMove) as err:
                    if not self.interactive:
                        raise ToolError(f"{place}: {err}") from err
                    self._say(str(err))
                except _Leave:
                    break
                self._prompt()
        except BaseException:
            # The terminal may be gone; what could not be saved is a ToolError.
            with contextlib.suppress(OSError):
                self._leave(whole=False)
            raise
        self._leave(whole=True)
        return OK

    def _begin(self) -> None:
        opponent = self.player.other
        text = f"{in_words(self.first.fen())}\n\nYou have {self.player.name_}; {opponent.name_} is "
        text += "played by fullpoint."
        if self.interactive:
            text += "\n\n'help' lists what you can type."
        if self.page is not None:
            self.page.beside(diagram(self.first.fen(), figures=self.figures), text, 2)
            self.page.line()
        self._prepare(self.first)
        self.playing = step.start(self.bench, self.first, self.player)
        self._basis()
        if self.tell == "always":
            self._how()
        if Side.of(self.first.turn) is opponent:
            self._answer()

    def _prepare(self, board: chess.Board) -> None:
        solver = self.bench.solver
        before = solver.seconds if solver is not None else 0.0
        self.tried = step.prepare(self.bench, board, self.tried)
        if solver is not None and solver.seconds != before:
            self.solving.done()
        if solver is not None and solver.stopped and not self.stop_told:
            self._say("Solving stopped; the game goes on with what is proved.")
            self.stop_told = True

    def _basis(self) -> None:
        """Say what the opponent's replies rest on, when that changes."""
        if self.game.end is not None:
            return
        evidence = step.basis(self.bench, self.game.board)
        if evidence is Evidence.RULES:
            return
        if evidence is not self.told_basis:
            self._say(basis_words(self.player.other, evidence))
        self.told_basis = evidence

    def _prompt(self) -> None:
        if self.page is not None:
            self.page.console.file.flush()
        if self.game.end is not None:
            self.prompt = "> "
            return
        board = self.game.board
        self.prompt = f"{board.fullmove_number}{'.' if board.turn else '...'} "

    # --- what is typed ------------------------------------------------------------------

    def _line(self, line: str) -> None:
        typed = words_of(line)
        if not typed:
            if self.game.end is not None and self.interactive:
                raise _Leave
            return
        name, rest = typed[0].lower(), typed[1:]
        commands = {
            "help": self._help,
            "?": self._help,
            "how": self._how,
            "hint": self._hint,
            "rules": self._rules,
            "rule": self._rules,
            "moves": self._moves,
            "resign": self._resign,
            "quit": self._quit,
            "exit": self._quit,
        }
        with_words = {
            "board": self._board,
            "back": self._back,
            "draw": self._draw,
            "save": self._save,
            "tell": self._set_tell,
        }
        if name in commands:
            if rest:
                raise _Refused(f"{name}: {rest[0]!r} is not understood; type {name} alone")
            commands[name]()
        elif name in with_words:
            with_words[name](rest)
        else:
            for word in typed:
                self._move(word)

    def _move(self, word: str) -> None:
        if self.game.end is not None:
            raise _Refused(f"{word}: the game is over; 'back' takes your last move back")
        try:
            move = read_move(self.game.board, word)
        except NotAMove as err:
            raise _Refused(f"{err}; 'help' lists what there is") from err
        # Solved before it is judged, so that a trade into a small ending is judged for certain.
        self._prepare(after_move(self.game.board, move))
        self.playing = step.play(self.bench, self.game, move)
        made = self.game.made[-1]
        said = tell_words(made, self.tell)
        if self.game.end is not None or said:
            self._say(said or made.label)
        if self.tell != "never":
            self._warn_repetition()
        if self.game.end is not None:
            self._over()
        else:
            self._answer(after="" if said else made.san)

    def _answer(self, after: str = "") -> None:
        """Let the opponent move; ``after`` is the player's move where it was not shown yet."""
        count = len(self.game.made)
        self.playing = step.answer(self.bench, self.game)
        new = [made.san for made in self.game.made[count:]]
        shown = ([after] if after else []) + new
        if shown:
            first = self.game.made[count - 1] if after else self.game.made[count]
            self._say(line_words(first.number, Side(first.side), tuple(shown)))
        if self.game.end is not None:
            self._over()
            return
        if self.boards:
            self._board([])
        self._prepare(self.game.board)
        self._basis()

    def _warn_repetition(self) -> None:
        """A winning player is told that the next repetition would let the opponent claim."""
        winning = self.game.end is None and self.game.now.points == 1
        if winning and appearances(self.game.board) == 2:
            self._say(
                "This position stands for the second time; the third time "
                f"{self.player.other.name_} claims a draw."
            )

    def _over(self) -> None:
        if self.boards:
            self._board([])
        self._say(f"{end_words(self.game)} {self.game.result}")
        for text in summary(self.game):
            self._say(text)
        if self.interactive:
            self._say("'back' takes your last move back; Enter ends.")

    # --- commands -----------------------------------------------------------------------

    def _help(self) -> None:
        for name, text in HELP:
            self._say(f"{name:12} {text}", hang=13)

    def _board(self, words: list[str]) -> None:
        if words not in ([], ["on"], ["off"]):
            raise _Refused("board: 'board', 'board on' or 'board off'")
        if words:
            self.boards = words == ["on"]
            return
        if self.page is not None:
            self.page.line()
            for row in diagram(self.game.board.fen(), figures=self.figures):
                self.page.line(f"  {row}")
            self.page.line()

    def _how(self) -> None:
        if self.game.end is not None:
            self._say(end_words(self.game))
            return
        board = self.game.board
        verdict = with_distance(self.bench, board, self.bench.by_moves(board))
        winner = verdict.side if verdict.low.points > 0 else verdict.side.other
        said = how_words(
            verdict,
            board,
            self.game.start if self.game.made else None,
            to_mate=mate_is_next(board, winner),
            seen=appearances(board),
        )
        self._say(" ".join(said))

    def _hint(self) -> None:
        self._not_over("hint")
        board = self.game.board
        verdict = self.bench.by_moves(board)
        choices, need = self.bench.kept(board), verdict.low.points
        # In a lost position nothing is left to keep.
        held = len(choices.holding(need)) if need >= 0 else 0
        here = board.fen()
        step = self.hinted[1] if self.hinted[0] == here else 0
        steps = hint(self.bench, board).steps
        if step == 0:
            self._say(
                hint_words(verdict, held, need < 0 or choices.told_apart(need), len(choices.moves))
            )
        if step < len(steps):
            self._say(steps[step])
        elif step:
            self._say("There is no more to tell." if steps else "There is no plan to tell.")
        self.hinted = (here, step + 1)

    def _rules(self) -> None:
        rules = position_speaking(self.bench, self.game.board)
        self._say("Rules of thumb that speak:" if rules else "")
        for text in rules_words(rules):
            self._say(f"- {text}" if rules else text, hang=2)
        legend = figures_legend(rule.figure for rule in rules[:MOST_RULES])
        if legend and not self.figures_told:
            self.figures_told = True
            self._say(legend)

    def _moves(self) -> None:
        made = self.game.made
        if not made:
            self._say("No move has been made.")
            return
        self._say(line_words(made[0].number, made[0].side, tuple(m.san for m in made)))

    def _back(self, words: list[str]) -> None:
        if len(words) > 1 or (words and not (words[0].isdecimal() and int(words[0]) > 0)):
            raise _Refused("back: a number of moves from 1 on, or nothing")
        for _ in range(int(words[0]) if words else 1):
            earlier = take_back(self.game)
            if earlier is None:
                raise _Refused("back: there is no move of yours to take back")
            self.playing = earlier
        board = self.game.board
        mark = "." if board.turn else "..."
        self._say(f"Taken back; {self.player.name_} to move, {board.fullmove_number}{mark}")
        if self.boards:
            self._board([])
        self._basis()

    def _draw(self, words: list[str]) -> None:
        self._not_over("draw")
        if len(words) > 1:
            raise _Refused("draw: one move, or nothing")
        board = self.game.board
        move = read_move(board, words[0]) if words else None
        asked = step.ask_draw(self.bench, self.game, move)
        self.playing = asked.playing
        if self.game.end is not None:
            self._over()
        elif asked.possible:
            self._say(claim_possible(asked.possible))
        elif move is not None:
            san = board.san(move)
            board.push(move)
            self._say(no_claim(san, appearances(board), board.halfmove_clock))
        else:
            self._say(draw_refused(self.player.other))

    def _set_tell(self, words: list[str]) -> None:
        if len(words) != 1 or words[0] not in TELL:
            raise _Refused("tell: always, slips or never")
        self.tell = words[0]

    def _resign(self) -> None:
        self._not_over("resign")
        self.playing = step.resign(self.game)
        self._over()

    def _quit(self) -> NoReturn:
        raise _Leave

    def _not_over(self, name: str) -> None:
        if self.game.end is not None:
            raise _Refused(f"{name}: the game is over")

    # --- saving -------------------------------------------------------------------------

    def _save(self, words: list[str]) -> None:
        if len(words) > 1:
            raise _Refused("save: one file name, or nothing")
        if words:
            self.saved_as = _free(Path(words[0]))
        try:
            if words:
                refuse_owned(words[0])
            self._write(str(self._target()))
        except (ToolError, OutputError) as err:
            self.saved_as = None
            raise _Refused(str(err)) from err
        self._say(f"Saved: {self._target()}")

    def _target(self) -> Path:
        """The file of this game: named by the user, or a free name in the current folder."""
        if self.saved_as is None:
            named = self.output not in (None, "-")
            stamp = _now().strftime("%Y%m%d-%H%M%S")
            self.saved_as = (
                Path(str(self.output)) if named else _free(Path(f"fullpoint-play-{stamp}.pgn"))
            )
        return self.saved_as

    def _write(self, path: str) -> None:
        with whole_file(path) as file:
            file.write(played_game(self.game, _now().date()))

    def _leave(self, *, whole: bool) -> None:
        """Sum up an unfinished game and save it; ``whole`` False: cut short, say no more."""
        if self.playing is None:
            return
        if self.game.end is None and self.game.made and whole:
            self._say("The game is not finished.")
            for text in summary(self.game):
                self._say(text)
        if self.output == "-":
            self._write("-")
            return
        if self.output is None and not (self.interactive and any(self.game.own)):
            return
        if self.interactive and not whole:
            with contextlib.suppress(OSError):
                click.echo()
        try:
            self._write(str(self._target()))
        except ToolError:
            # Rather on the screen than lost.
            if self.interactive:
                with contextlib.suppress(OSError):
                    self._write("-")
            raise
        self._say(f"Saved: {self._target()}")

    def _say(self, text: str, hang: int = 0) -> None:
        if self.page is not None and text:
            self.page.paragraph(text, 0, hang)


def _free(path: Path) -> Path:
    """The path, or where a file of that name exists the same with a number behind the name."""
    number = 2
    free = path
    while free.exists():
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return free
