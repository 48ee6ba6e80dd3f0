"""Where reviews are written: one file, one page, or a folder with a page a game and an index."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from convert.cli.common import ToolError, whole_file
from convert.cli.params import is_page
from convert.reports import BOOKLETS, booklet_made_by
from convert.reports.printed import Chapter, chapter_of
from convert.rim.safe_text import file_text

if TYPE_CHECKING:
    from convert.model import Review
    from convert.reading.records import GameRead
    from convert.reports import Beside, Form


@contextlib.contextmanager
def written(form: Form, out: str, files: tuple[str, ...]) -> Iterator[Target]:
    """What is to be written in a form; it appears when all went well.

    Raises:
        ToolError: it cannot be written, or a page would take more than one game.
    """
    if form.folder:
        yield Diagrams(form, Path(out))
    elif form.pages:
        with _pages(form, out, files) as pages:
            yield pages
    else:
        with whole_file(out) as file:
            document = Document(form, file)
            yield document
            document.finish()


@contextlib.contextmanager
def _pages(form: Form, out: str, files: tuple[str, ...]) -> Iterator[OnePage | Folder]:
    """The pages to be written.

    A name that ends in ``.html`` or ``.htm`` (or ``-``, standard output) is one page, any other
    name a folder.

    Raises:
        ToolError: it cannot be written, or a page would take more than one game.
    """
    if out == "-" or is_page(out):
        one = OnePage(form, out)
        yield one
        one.finish()
    else:
        folder = Folder(form, Path(out), files)
        yield folder
        folder.finish()


@contextlib.contextmanager
def booklet(out: str, title: str, files: tuple[str, ...]) -> Iterator[Booklet]:
    """A booklet to be written; it appears when all went well.

    Args:
        out: a name that ends in ``.html``, ``.htm`` or ``.tex``.
        title: what stands on its title page; empty: the names of the files.
        files: the files of games.

    Raises:
        ToolError: it has another suffix, or cannot be written.
    """
    try:
        made_by = booklet_made_by(out)
    except KeyError:
        known = ", ".join(filter(None, BOOKLETS))
        raise ToolError(f"{out}: a booklet's name ends in {known}") from None
    with whole_file(out) as file:
        made = Booklet(made_by, file, title or title_of(files))
        yield made
        made.finish()


def title_of(files: tuple[str, ...]) -> str:
    """What games are called of which nothing is known but their files."""
    names = [file_text(Path(file).name) for file in files if file != "-"]
    return "Games of " + ", ".join(names) if names else "Games"


class Booklet:
    """All games in one file, with a title page and contents before them."""

    def __init__(self, made_by: Any, file: IO[str], title: str):
        self.made_by = made_by
        self.file = file
        self.title = title
        self.chapters: list[Chapter] = []

    def check(self, reads: Iterator[GameRead]) -> Iterator[GameRead]:
        """Any number of games will do."""
        return reads

    def add(self, review: Review, beside: Beside) -> None:
        """Make the chapter of one game."""
        text = self.made_by.chapter(len(self.chapters) + 1, review)
        self.chapters.append(chapter_of(len(self.chapters) + 1, review, text))

    def finish(self) -> None:
        """Write it."""
        for piece in self.made_by.booklet(self.title, self.chapters):
            self.file.write(piece)


class Diagrams:
    """A folder with the diagrams of all games, each a file."""

    def __init__(self, form: Form, path: Path):
        _refuse_no_folder(path, "a folder for the diagrams is wanted")
        self.form = form
        self.path = path
        self.games = 0

    def check(self, reads: Iterator[GameRead]) -> Iterator[GameRead]:
        """Any number of games will do."""
        return reads

    def add(self, review: Review, beside: Beside) -> None:
        """Write the diagrams of one game, each whole or not at all."""
        self.games += 1
        for name, text in self.form.made_by.files(self.games, review):
            _make_folder(self.path)
            with whole_file(str(self.path / name)) as file:
                file.write(text)


class Document:
    """The texts of all games in one file, written as each is done."""

    def __init__(self, form: Form, file: IO[str]):
        self.form = form
        self.file = file
        self.around = form.around
        self.empty = True
        file.write(self.around.head)

    def check(self, reads: Iterator[GameRead]) -> Iterator[GameRead]:
        """Any number of games will do."""
        return reads

    def add(self, review: Review, beside: Beside) -> None:
        """Write the text of one game."""
        if not self.empty:
            self.file.write(self.around.between)
        self.empty = False
        self.file.write(self.form.text(review, beside))

    def finish(self) -> None:
        """Write what stands behind all games."""
        self.file.write(self.around.tail)


class OnePage:
    """One page of one game."""

    def __init__(self, form: Form, out: str):
        self.form = form
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

    def add(self, review: Review, beside: Beside) -> None:
        """Make the page."""
        self.text = self.form.text(review, beside)

    def finish(self) -> None:
        """Write it."""
        if self.text is not None:
            with whole_file(self.out) as file:
                file.write(self.text)


class Folder:
    """A page a game, written as each is done, and an index at the end.

    ``title`` stands above the index; ``up`` is the address, as seen from it, of the page that the
    games belong to (empty: none).
    """

    def __init__(self, form: Form, path: Path, files: tuple[str, ...]):
        _refuse_no_folder(path, "a folder is wanted, or a page's name ending in .html")
        self.form = form
        self.path = path
        self.inputs = {os.path.realpath(file) for file in files if file != "-"}
        self.title = title_of(files)
        self.up = ""
        self.rows: list[Any] = []

    def check(self, reads: Iterator[GameRead]) -> Iterator[GameRead]:
        """Any number of games will do."""
        return reads

    def add(self, review: Review, beside: Beside) -> None:
        """Write the page of one game and keep its row of the index."""
        made_by = self.form.made_by
        number = len(self.rows) + 1
        name = made_by.page_name(number, review)
        self._write(name, [made_by.page(review, index=self._index)])
        self.rows.append(made_by.index_row(number, name, review))

    @property
    def _index(self) -> str:
        return f"index{self.form.suffix}"

    def finish(self) -> None:
        """Write the index; with no game there is none."""
        if self.rows:
            self._write(self._index, self.form.made_by.index(self.rows, self.title, self.up))

    def _write(self, name: str, pieces: list[str] | Iterator[str]) -> None:
        target = self.path / name
        if os.path.realpath(target) in self.inputs:
            raise ToolError(f"{target}: is the input; name another folder for the pages")
        _make_folder(self.path)
        with whole_file(str(target)) as file:
            for piece in pieces:
                file.write(piece)


def _refuse_no_folder(path: Path, wanted: str) -> None:
    """Refuse a path that cannot be a folder.

    Raises:
        ToolError: it is a file, or there is no folder to make it in.
    """
    if not path.absolute().parent.is_dir():
        raise ToolError(f"{path}: there is no folder {path.parent}")
    if path.exists() and not path.is_dir():
        raise ToolError(f"{path}: is a file; {wanted}")


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(exist_ok=True)
    except OSError as err:
        raise ToolError(f"{path}: cannot be made ({err.strerror})") from err


#: Where the reviews of a command go.
Target = Document | OnePage | Folder | Diagrams | Booklet
