"""``fullpoint lesson``: a sheet of exercises from games and positions, or the built-in one."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from convert.cli.common import (
    MOST_COUNT,
    MOST_SECONDS,
    Real,
    SolverProgress,
    StatusLine,
    ToolError,
    Whole,
    effort_option,
    figures_option,
    make_bench,
    out_console,
    solve_option,
    table_options,
    whole_file,
)
from convert.cli.params import Careful, InputPath, OutputPath
from convert.cli.quiet import OK, TROUBLE
from convert.cli.streams import note
from convert.judging.bench import keep_small
from convert.rim.safe_text import file_text

if TYPE_CHECKING:
    from convert.judging.judges import Bench
    from convert.lesson.choose import Pool, Wanted
    from convert.lesson.judging import Draft
    from convert.lesson.searched import Glimpse
    from convert.model.lesson import Exercise, Sheet

FORMATS = ("html", "pgn", "epd", "json")
LEVELS = ("easy", "medium", "hard")
THEME_NAMES = (
    "pawn-ending",
    "exchange-up",
    "pieces-not-pawns",
    "wrong-trade",
    "recapture",
    "rook-endings",
    "defence",
    "minor-pieces",
    "queens",
)
#: Exercises on a sheet from games or positions when no number is asked for.
USUAL_COUNT = 12
#: Positions past proof kept while reading, and searched for each exercise that is still wanted.
MOST_GLIMPSES, SEARCHED_FOR_ONE = 100, 4
#: Planned work that the solver may do in one run when nothing else is said, in seconds of one core.
USUAL_SECONDS = 100.0
_GAMES, _POSITIONS, _PACKED = (".pgn",), (".epd", ".fen"), (".gz", ".zst")


def _suffix(path: Path) -> str:
    """``.pgn``, ``.epd`` or ``.fen``, compressed or not; empty for another ending."""
    name = path.name.lower()
    for packed in _PACKED:
        name = name.removesuffix(packed)
    ending = Path(name).suffix
    return ending if ending in (*_GAMES, *_POSITIONS) else ""


def _in_folder(folder: str) -> list[Path]:
    """The files of games and positions in a folder, to the bottom, by name."""
    return sorted(p for p in Path(folder).rglob("*") if _suffix(p) and p.is_file())


def _files(source: str) -> Iterator[str]:
    """The files that will be read for what was named."""
    if Path(source).is_dir():
        yield from map(str, _in_folder(source))
    else:
        yield source


@click.command("lesson", cls=Careful)
@click.argument("sources", metavar="[FILE|FOLDER|FEN]...", nargs=-1, type=InputPath(files=_files))
@click.option(
    "-o",
    "--out",
    "out",
    metavar="OUT",
    type=OutputPath(),
    help="Write the sheet: .html (answers on pages of their own), .pgn, .epd or .json "
    "('-': standard output, with --format).",
)
@click.option(
    "--format",
    "format_",
    type=click.Choice(FORMATS),
    help="Kind of OUT where its name does not tell.",
)
@click.option(
    "--theme",
    "themes",
    multiple=True,
    type=click.Choice(THEME_NAMES),
    help="Only exercises of this theme (repeatable).",
)
@click.option(
    "--count",
    type=Whole(1, MOST_COUNT),
    metavar="N",
    help=f"At most N exercises (from games and positions {USUAL_COUNT} if not given; "
    "the built-in lesson has all).",
)
@click.option(
    "--level",
    "levels",
    multiple=True,
    type=click.Choice(LEVELS),
    help="Only exercises of this level (repeatable).",
)
@click.option("--title", metavar="TEXT", help="Title of the sheet.")
@click.option(
    "--limit",
    type=Whole(1, MOST_COUNT),
    metavar="N",
    help="Look at the first N games and positions only; otherwise all are looked at, "
    "and the best are taken.",
)
@click.option(
    "--seconds",
    type=Real(0, MOST_SECONDS),
    metavar="S",
    help="Time on the clock for the solver in all; afterwards only tables and forced "
    "lines are asked. Without it the solver does a fixed amount of work.",
)
@click.option("--answers", is_flag=True, help="With the answers, in the terminal.")
@click.option(
    "--recompute",
    is_flag=True,
    help="Work the built-in lesson out again instead of using the stored answers.",
)
@click.option("-q", "--quiet", is_flag=True, help="No progress, no remarks.")
@effort_option
@solve_option
@figures_option
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    sources: tuple[str, ...],
    out: str | None,
    format_: str | None,
    themes: tuple[str, ...],
    count: int | None,
    levels: tuple[str, ...],
    title: str | None,
    limit: int | None,
    seconds: float | None,
    answers: bool,
    recompute: bool,
    quiet: bool,
    effort: str,
    solve: bool,
    figures: bool,
    tables: tuple[Path, ...],
) -> int:
    """Make a sheet of exercises, each with hint, solution and twin.

    From games (PGN), positions (EPD, FEN), folders of them, a quoted FEN or - (standard input);
    with none of these the built-in lesson "Trade into a won ending". Without -o the exercises
    are listed in the terminal.

    \b
    fullpoint lesson -o trade.html
    fullpoint lesson club.pgn --count 8 --level hard -o hard.pgn
    fullpoint lesson games/ --theme rook-endings -o rooks.html
    """
    kind = _kind_of(out, format_)
    from convert.lesson.choose import Wanted
    from convert.model.lesson import Level

    wanted = Wanted(count, frozenset(themes), frozenset(Level(level) for level in levels))
    solving = SolverProgress(quiet)
    # The usual effort is for one position; a file has thousands.
    named = ctx.get_parameter_source("effort") is not click.core.ParameterSource.DEFAULT

    def open_bench(name: str) -> Bench:
        return make_bench(tables, name, solve=solve, tell=solving)

    if not sources:
        sheet = _builtin(wanted, title, (lambda: open_bench(effort)) if recompute else None)
        solving.done()
        trouble = False
    else:
        job = _Job(open_bench(effort if named else "quick"), solve, seconds, limit, quiet)
        job.read(sources)
        solving.done()
        trouble = job.trouble
        if not job.looked_at:
            if trouble:
                return TROUBLE  # what it was has been said
            raise ToolError(f"{', '.join(sources)}: no game and no position")
        sheet = job.sheet(wanted, title, sources)
        solving.done()
    if not sheet.exercises:
        note(
            f"error: no exercise found{_asked(wanted)} with a certain answer"
            + (
                ""
                if not sources
                else "; tables and solver settle endings of few men "
                "(--effort and --seconds let the solver do more)"
            )
        )
        return TROUBLE
    _write(sheet, out, kind, figures, answers)
    if not quiet and wanted.count is not None and len(sheet.exercises) < wanted.count:
        note(
            f"{len(sheet.exercises)} of {wanted.count} exercises: no more were found"
            f"{_asked(wanted)}"
        )
    return TROUBLE if trouble else OK


def _asked(wanted: Wanted) -> str:
    if not wanted.themes and not wanted.levels:
        return ""
    asked = [*sorted(wanted.themes), *(level for level in LEVELS if level in wanted.levels)]
    return f" for {', '.join(asked)}"


def _kind_of(out: str | None, format_: str | None) -> str:
    """What to write: by ``--format``, else by the ending of the name."""
    if out is None:
        if format_ is not None:
            raise ToolError("--format needs -o ('-o -' is standard output)")
        return "terminal"
    if format_ is not None:
        return format_
    ending = Path(out).suffix.lower().lstrip(".")
    if ending == "htm":
        ending = "html"
    if ending not in FORMATS:
        raise ToolError(f"{out}: end the name in .html, .pgn, .epd or .json, or give --format")
    return ending


def _builtin(wanted: Wanted, title: str | None, bench: Any) -> Sheet:
    from convert.lesson.builtin import INTRO, TITLE, compute, stored
    from convert.lesson.choose import in_order
    from convert.lesson.sheet import make_sheet

    exercises = stored() if bench is None else in_order(compute(bench()))
    chosen = [exercise for exercise in exercises if wanted.fits(exercise)]
    if wanted.count is not None:
        chosen = _spread(chosen, wanted.count)
    return make_sheet(title or TITLE, chosen, intro=INTRO)


def _spread(exercises: list[Any], count: int) -> list[Any]:
    """``count`` of the exercises, the themes in turn, in the order of the sheet."""
    turns: dict[str, int] = {}
    ranked = []
    for place, exercise in enumerate(exercises):
        turns[exercise.theme] = turns.get(exercise.theme, 0) + 1
        ranked.append((turns[exercise.theme], place))
    places = {place for _, place in sorted(ranked)[:count]}
    return [exercise for place, exercise in enumerate(exercises) if place in places]


def _write(sheet: Sheet, out: str | None, kind: str, figures: bool, answers: bool) -> None:
    if out is None:
        from convert.reports.lesson_text import print_sheet

        print_sheet(sheet, out_console(), figures=figures, answers=answers)
        return
    if kind == "html":
        from convert.reports.lesson_html import html_text as text_of
    elif kind == "pgn":
        from convert.reports.lesson_pgn import pgn_text as text_of
    elif kind == "epd":
        from convert.reports.lesson_epd import epd_text as text_of
    else:
        from convert.reports.json_text import document

        def text_of(sheet: Sheet) -> str:
            return document(sheet)

    text = text_of(sheet)
    with whole_file(out) as file:
        file.write(text)


class _Job:
    """Reads games and positions and keeps the best exercises; nothing else stays in memory."""

    def __init__(
        self, bench: Bench, solve: bool, seconds: float | None, limit: int | None, quiet: bool
    ):
        from convert.lesson.choose import Pool

        self.bench = bench
        self.solve = solve
        self.seconds = seconds
        self.limit = limit
        self.line = StatusLine(quiet)
        self.pool: Pool = Pool()
        self.glimpses: list[Glimpse] = []
        self.games = self.positions = self.glances = 0
        self.trouble = False
        self.out_of_time = False
        self._shown = 0.0

    @property
    def looked_at(self) -> int:
        """Games and positions read so far."""
        return self.games + self.positions

    def read(self, sources: tuple[str, ...]) -> None:
        """Look for exercises in everything named."""
        from convert.reading.fen import SourceError

        for source, positions in _expanded(sources):
            if self.full:
                break
            try:
                if positions is None:
                    self._fen(source)
                elif positions:
                    self._positions(source)
                else:
                    self._games(source)
            except SourceError as err:
                note(f"error: {err}")
                self.trouble = True
        self.line.wipe()

    @property
    def full(self) -> bool:
        """Has everything been looked at that may be?"""
        return self.limit is not None and self.looked_at >= self.limit

    def _solving(self) -> bool:
        """May the solver still be asked?"""
        if not self.solve or self.bench.solver is None:
            return False
        if self.seconds is None:
            left = self.bench.solver.seconds < USUAL_SECONDS
        else:
            left = self.bench.solver.clock < self.seconds
        self.out_of_time = self.out_of_time or not left
        return left

    def _add(self, drafts: Iterator[Draft | None], where: str) -> None:
        from tablebases.errors import Contradiction

        try:
            for draft in drafts:
                if draft is not None:
                    self.pool.add(draft)
        except Contradiction as err:
            note(f"error: {where}: {err}")
            self.trouble = True
        keep_small(self.bench)
        self._tell()

    def _games(self, source: str) -> None:
        from convert.lesson.finding import from_game
        from convert.lesson.searched import MOST_IN_ALL, glimpses
        from convert.reading.games import read_games

        stdin = sys.stdin.buffer if source == "-" else None
        for read in read_games(source, stdin=stdin):
            for problem in read.problems:
                if problem.fatal or not read.complete:
                    note(str(problem))
                    self.trouble = True
            self.games += 1
            self._add(
                from_game(read, self.bench, solve=self._solving()),
                f"{read.source}: game {read.number}, line {read.line}",
            )
            left = MOST_IN_ALL - self.glances
            looked = list(glimpses(read, self.bench, left)) if left > 0 else []
            self.glances += len(looked)
            self.glimpses += [glimpse for glimpse in looked if glimpse is not None]
            self.glimpses.sort(key=lambda glimpse: glimpse.worth, reverse=True)
            del self.glimpses[MOST_GLIMPSES:]
            if self.full:
                break

    def _positions(self, source: str) -> None:
        from convert.lesson.finding import from_position
        from convert.reading.epd import read_positions

        stdin = sys.stdin.buffer if source == "-" else None
        for read in read_positions(source, stdin=stdin):
            for problem in read.problems:
                if problem.fatal or read.board is None:
                    note(str(problem))
                    self.trouble = True
            if read.board is None:
                continue
            self.positions += 1
            solve = self._solving()
            self._add(
                (from_position(read, self.bench, solve=solve) for _ in range(1)),
                f"{read.source}, line {read.line}",
            )
            if self.full:
                break

    def _fen(self, text: str) -> None:
        from convert.lesson.finding import from_board
        from convert.reading.fen import SourceError, parse_fen

        try:
            board, _ = parse_fen(text)
        except SourceError as err:
            raise ToolError(str(err)) from err
        self.positions += 1
        solve = self._solving()
        self._add((from_board(board, self.bench, solve=solve) for _ in range(1)), text)

    def sheet(self, wanted: Wanted, title: str | None, sources: tuple[str, ...]) -> Sheet:
        """The best of what was found."""
        from dataclasses import replace

        from convert.lesson.choose import choose, finish, with_searched, write_out
        from convert.lesson.sheet import make_sheet

        if wanted.count is None:
            wanted = replace(wanted, count=USUAL_COUNT)
        made = write_out(self.bench, self.pool.drafts(), wanted, self._tell_writing)
        work = 0.0 if not self.solve else 2 * USUAL_SECONDS if self.seconds is None else math.inf
        clock = math.inf if self.seconds is None else 2 * self.seconds
        picked = choose(made, wanted)
        picked = with_searched(picked, self._searched(wanted, picked), wanted.count or 0)
        chosen = finish(self.bench, picked, work, clock)
        self.line.wipe()
        parts = []
        for number, word in ((self.games, "game"), (self.positions, "position")):
            if number:
                parts.append(f"{number} {word}{'' if number == 1 else 's'}")
        text = (
            f"Chosen from {' and '.join(parts)}, which hold {self.pool.met} "
            + ("position" if self.pool.met == 1 else "positions")
            + " with a certain answer to ask for."
        )
        notes = [text]
        if self.out_of_time:
            limit = "the work it may do"
            if self.seconds is not None:
                limit = f"its {self.seconds:g} seconds"
            notes.append(
                f"The solver stopped after {limit}; beyond that only tables and forced lines were "
                "asked."
            )
        name = title or (
            "Exercises"
            if len(sources) > 1 or sources == ("-",)
            else f"Exercises from {file_text(Path(sources[0]).name)}"
            if _fen_words(sources[0]) is None
            else "Exercise"
        )
        return make_sheet(name, chosen, notes=tuple(notes))

    def _searched(
        self, wanted: Wanted, picked: list[tuple[Exercise, Draft]]
    ) -> list[tuple[Exercise, Draft]]:
        """Exercises past proof, the most promising first: as many as are wanted, or a few more."""
        from convert.lesson.choose import TRADES, TRADES_ONE_IN, same_idea
        from convert.lesson.searched import confirmed, write

        count = wanted.count or 0
        trades = -(-count // TRADES_ONE_IN) - sum(e.task in TRADES for e, _ in picked)
        need = max(count - len(picked), trades)
        out: list[tuple[Exercise, Draft]] = []
        for glimpse in self.glimpses[: SEARCHED_FOR_ONE * count]:
            if len(out) >= need and sum(e.task in TRADES for e, _ in out) >= trades:
                break
            made = confirmed(self.bench, glimpse)
            if made is None:
                continue
            item = (write(self.bench, made), made)
            fresh = not any(same_idea(item, other) for other in (*picked, *out))
            if fresh and wanted.fits(item[0]):
                out.append(item)
                self._tell_writing(len(out))
        # Where room is short, trades come first.
        return sorted(out, key=lambda item: item[0].task not in TRADES)

    def _tell(self) -> None:
        now = time.monotonic()
        if now - self._shown >= 0.2:
            self._shown = now
            self.line.show(f"{self.looked_at:,} looked at, {self.pool.met:,} possible exercises")

    def _tell_writing(self, done: int) -> None:
        self.line.show(f"looking for twins: {done}")


def _fen_words(text: str) -> str | None:
    """The text if it is meant as a FEN and names no file, else None."""
    if len(text.split()) >= 4 and text.split()[0].count("/") == 7:
        return text
    return None


def _expanded(sources: tuple[str, ...]) -> Iterator[tuple[str, bool | None]]:
    """Each file named or lying in a folder named; True for positions, None for a FEN itself.

    Raises:
        ToolError: a folder without games and positions.
    """
    for source in sources:
        if source == "-":
            yield source, _holds_positions(sys.stdin.buffer)
        elif _fen_words(source) is not None and not Path(source).exists():
            yield source, None
        elif Path(source).is_dir():
            paths = _in_folder(source)
            if not paths:
                raise ToolError(f"{source}: no .pgn or .epd file in this folder")
            for path in paths:
                yield str(path), _suffix(path) in _POSITIONS
        else:
            path = Path(source)
            if _suffix(path):
                yield source, _suffix(path) in _POSITIONS
                continue
            try:
                with path.open("rb") as file:
                    yield source, _holds_positions(file)
            except OSError:
                yield source, False  # reading it says what is wrong


def _holds_positions(stream: Any) -> bool:
    """Does the text begin like a list of positions (EPD or FEN)?  Nothing is read away."""
    peek = getattr(stream, "peek", None)
    if peek is None:
        return False
    for line in bytes(peek(4096)).removeprefix(b"\xef\xbb\xbf").splitlines():
        words = line.split()
        if words and not line.startswith(b"#"):
            return len(words) >= 4 and words[0].count(b"/") == 7
    return False
