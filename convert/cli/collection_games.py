"""Games that a report names, reviewed again: pages, an annotated PGN, a sheet of exercises."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import click

from convert.cli.common import SolverProgress, StatusLine, ToolError, make_bench, whole_file
from convert.cli.quiet import TROUBLE
from convert.cli.streams import note
from convert.rim import outputs
from convert.rim.safe_text import file_path

if TYPE_CHECKING:
    from convert.cli.pages import Document, Folder
    from convert.judging.judges import Bench
    from convert.model.summary import Pick, Summary
    from convert.reading.records import GameRead


@dataclass
class GamesAgain:
    """Reviews the games that are worth looking at again, for pages of their own and for a PGN.

    ``report``: the page of the report, to which the index of the games leads back; None: there is
    none.  ``trouble``: a game was left out.
    """

    folder: Path | None
    pgn: str | None
    effort: str
    solve: bool
    tables: tuple[Path, ...]
    quiet: bool
    report: str | None = None
    trouble: bool = False

    def add_to(self, summary: Summary) -> Summary:
        """Write them, and an index; games that cannot be found again are named and left out."""
        from convert.cli.pages import Document, Folder
        from convert.reports import form_called

        picks = summary.picks
        if not picks:
            note("no game to review again")
            return summary
        bench = make_bench(
            self.tables, self.effort, solve=self.solve, tell=SolverProgress(self.quiet)
        )
        files = tuple(dict.fromkeys(file_path(pick.file) for pick in picks if pick.file))
        named = []
        if self.folder is not None:
            named.append(outputs.Output("--pages", str(self.folder), pages=True))
        if self.pgn is not None:
            named.append(outputs.Output("--pgn", self.pgn))
        try:
            outputs.check(named, files)
        except outputs.OutputError as err:
            raise ToolError(str(err)) from err
        pages = None
        if self.folder is not None:
            pages = Folder(form_called("html"), self.folder, files)
            pages.title = "Games most worth looking at"
            if self.report is not None and self.report != "-":
                back = os.path.relpath(Path(self.report).absolute(), self.folder.absolute())
                pages.up = quote(os.fsencode(Path(back).as_posix()))
        line = StatusLine(self.quiet)
        results: list[Pick] = []
        with contextlib.ExitStack() as stack:
            document = None
            if self.pgn is not None:
                file = stack.enter_context(whole_file(self.pgn))
                document = Document(form_called("pgn"), file)
            for number, pick in enumerate(picks, 1):
                line.show(f"reviewing again: game {number} of {len(picks)}")
                results.append(self._again(pick, bench, pages, document))
            line.wipe()
            if document is not None:
                document.finish()
        if pages is not None:
            pages.finish()
        by_game = {pick.game: pick for pick in results}
        return replace(
            summary,
            picks=tuple(results),
            forfeits=tuple(
                replace(pick, page=by_game[pick.game].page) if pick.game in by_game else pick
                for pick in summary.forfeits
            ),
        )

    def _again(
        self, pick: Pick, bench: Bench, pages: Folder | None, document: Document | None
    ) -> Pick:
        from convert.judging.bench import fresh
        from convert.reading.fen import SourceError
        from convert.reports import Beside
        from convert.review.game import Refused, review_game
        from tablebases.errors import Contradiction

        if not pick.file:
            return self._without(pick, "the collection does not name the file of the game")
        try:
            read = next(_again(pick), None)
        except SourceError as err:
            return self._without(pick, str(err))
        if read is None or len(read.moves) != pick.plies:
            return self._without(pick, f"{pick.file}: game {pick.number} is another one by now")
        fresh(bench)
        try:
            review = review_game(read, bench)
        except (Refused, Contradiction) as err:
            return self._without(pick, f"{pick.file}: game {pick.number}: {err}")
        beside = Beside(read.game)
        if document is not None:
            document.add(review, beside)
        if pages is None:
            return pick
        pages.add(review, beside)
        return replace(pick, page=str(pages.path / pages.rows[-1].href))

    def _without(self, pick: Pick, reason: str) -> Pick:
        note(f"{reason}; it is left out")
        self.trouble = True
        return pick


def _again(pick: Pick) -> Iterator[GameRead]:
    """The game itself; a plain file is opened where its text begins.

    Raises:
        SourceError: the file cannot be read.
    """
    from convert.reading.containers import is_packed
    from convert.reading.fen import SourceError
    from convert.reading.games import read_games

    path = file_path(pick.file)
    try:
        with open(path, "rb") as stream:
            packed = is_packed(stream.read(4))
            stream.seek(pick.offset)
            if not packed:
                for read in read_games("-", stdin=stream):
                    yield replace(read, source=pick.file, number=pick.number or read.number)
                    return
    except OSError as err:
        raise SourceError(pick.file, f"cannot be read: {err.strerror}") from err
    for read in read_games(path):
        if read.number == pick.number:
            yield read
            return


def lesson_of(
    ctx: click.Context,
    summary: Summary,
    out: str,
    effort: str,
    solve: bool,
    tables: tuple[Path, ...],
    quiet: bool,
) -> int:
    """Write a sheet of exercises from the positions before the slips of the games named.

    The exit code is that of ``fullpoint lesson``, which makes it.
    """
    from convert.cli.lesson import command as lesson

    lines = _positions(summary)
    if not lines:
        note(f"{out}: no slip to make an exercise of")
        return TROUBLE
    whose = summary.player or summary.folder
    with tempfile.TemporaryDirectory(prefix="fullpoint-") as folder:
        source = Path(folder) / "slips.epd"
        source.write_text("".join(lines), encoding="utf-8")
        code: int = ctx.invoke(
            lesson,
            sources=(str(source),),
            out=out,
            title=f"From games of {whose}" if summary.player else f"From {whose}",
            effort=effort,
            solve=solve,
            tables=tables,
            quiet=quiet,
        )
    return code


def _positions(summary: Summary) -> list[str]:
    """A line of EPD for each position before a slip, named after its game."""
    import chess

    from convert.wording.collections import players_words

    lines: dict[str, str] = {}
    for pick in summary.picks:
        for moment in pick.moments:
            if moment.fen:
                board = chess.Board(moment.fen)
                name = f"{players_words(pick)}, {moment.label.rstrip('?')}".replace('"', "'")
                text = board.epd(hmvc=board.halfmove_clock, fmvn=board.fullmove_number, id=name)
                lines.setdefault(moment.fen, f"{text}\n")
    return list(lines.values())
