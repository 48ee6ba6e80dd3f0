"""Where ``--html`` goes: one page, or a folder with a page a game and an index."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from convert.cli.common import ToolError, whole_file
from convert.cli.params import is_page
from convert.safe_text import file_text

if TYPE_CHECKING:
    from convert.model import Review
    from convert.reports.html import IndexRow
    from convert.sources import GameRead


@contextlib.contextmanager
def pages(out: str, files: tuple[str, ...]) -> Iterator[OnePage | Folder]:
    """The pages to be written; what is asked for appears when all went well.

    A name that ends in ``.html`` or ``.htm`` (or ``-``, standard output) is one page, any other
    name a folder.

    Raises:
        ToolError: it cannot be written, or a page would take more than one game.
    """
    if out == "-" or is_page(out):
        one = OnePage(out)
        yield one
        one.finish()
    else:
        folder = Folder(Path(out), files)
        yield folder
        folder.finish()


class OnePage:
    """One page of one game."""

    def __init__(self, out: str):
        self.out = out
        self.text: str | None = None

    def check(self, reads: Iterator[GameRead]) -> Iterator[GameRead]:
        """Pass the one game on; two are refused before work begins."""
        first = next(reads, None)
        if first is None:
            return
        second = next(reads, None)
        if second is not None:
            raise ToolError(
                f"{self.out}: a page shows one game, and there are more (game {first.number} of "
                f"{first.source}, game {second.number} of {second.source}, ...); name a folder "
                "for them, or choose with --game N"
            )
        yield first

    def add(self, review: Review) -> None:
        """Make the page."""
        from convert.reports.html import page

        self.text = page(review)

    def finish(self) -> None:
        """Write it."""
        if self.text is not None:
            with whole_file(self.out) as file:
                file.write(self.text)


class Folder:
    """A page a game, written as each is done, and an index at the end."""

    def __init__(self, path: Path, files: tuple[str, ...]):
        if not path.absolute().parent.is_dir():
            raise ToolError(f"{path}: there is no folder {path.parent}")
        if path.exists() and not path.is_dir():
            raise ToolError(
                f"{path}: is a file; a folder is wanted, or a page's name ending in .html"
            )
        self.path = path
        self.inputs = {os.path.realpath(file) for file in files if file != "-"}
        self.title = self._title(files)
        self.rows: list[IndexRow] = []

    @staticmethod
    def _title(files: tuple[str, ...]) -> str:
        names = [file_text(Path(file).name) for file in files if file != "-"]
        return "Games of " + ", ".join(names) if names else "Games"

    def check(self, reads: Iterator[GameRead]) -> Iterator[GameRead]:
        """Any number of games will do."""
        return reads

    def add(self, review: Review) -> None:
        """Write the page of one game and keep its row of the index."""
        from convert.reports.html import index_row, page, page_name

        number = len(self.rows) + 1
        name = page_name(number, review)
        self._write(name, [page(review, index="index.html")])
        self.rows.append(index_row(number, name, review))

    def finish(self) -> None:
        """Write the index; with no game there is none."""
        if self.rows:
            from convert.reports.html import index

            self._write("index.html", index(self.rows, self.title))

    def _write(self, name: str, pieces: list[str] | Iterator[str]) -> None:
        target = self.path / name
        if os.path.realpath(target) in self.inputs:
            raise ToolError(f"{target}: is the input; name another folder for the pages")
        try:
            self.path.mkdir(exist_ok=True)
        except OSError as err:
            raise ToolError(f"{self.path}: cannot be made ({err.strerror})") from err
        with whole_file(str(target)) as file:
            for piece in pieces:
                file.write(piece)
