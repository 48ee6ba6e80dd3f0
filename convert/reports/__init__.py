"""Reports: finished values in, texts out.  Nothing here asks a judge.

:data:`OUTPUTS` lists what ``fullpoint game`` and the library write reviews to.  A new output is a
module of this package and one entry in the list.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import chess.pgn

    from convert.model import Review


@dataclass(frozen=True)
class Beside:
    """What an output may want beside the review.

    Attributes:
        game: the game as it was read, with its author's comments and variations; not to be changed.
        annotator: whom the one who asked names as annotator.
    """

    game: chess.pgn.Game | None = None
    annotator: str | None = None


@dataclass(frozen=True)
class Around:
    """What stands in a file before, between and behind the texts of its games."""

    head: str = ""
    between: str = ""
    tail: str = ""


@dataclass(frozen=True)
class Form:
    """A form in which reviews are written.

    Modules are imported when they are first needed: the list costs nothing.

    Attributes:
        ident: what it is called; the option of ``fullpoint game`` is ``--ident OUT``.
        suffix: how the names of its files end, with the dot.
        help: what the option's help says.
        module: a module of this package with ``text(review, beside)``, which gives the text of
            one game, and with ``AROUND`` where something stands around the texts.
        pages: a game is a page of its own, and several are a folder: the module then also has
            ``page_name``, ``page``, ``index_row`` and ``index``, as :mod:`convert.reports.html`.
        folder: a game is several files of a folder: the module then also has ``files``, as
            :mod:`convert.reports.svg_files`.
    """

    ident: str
    suffix: str
    help: str
    module: str
    pages: bool = False
    folder: bool = False

    @property
    def made_by(self) -> Any:
        """The module."""
        return import_module(f"{__name__}.{self.module}")

    def text(self, review: Review, beside: Beside) -> str:
        """The text of one game, without what stands around it."""
        words: str = self.made_by.text(review, beside)
        return words

    @property
    def around(self) -> Around:
        """What stands around the texts of a file."""
        result: Around = getattr(self.made_by, "AROUND", Around())
        return result


#: The forms in the order in which the help lists them.
OUTPUTS: tuple[Form, ...] = (
    Form(
        "pgn",
        ".pgn",
        "Write the games with the findings as comments, variations and NAGs.",
        "pgn",
    ),
    Form(
        "json",
        ".json",
        "Write the whole reviews as JSON ('-': standard output).",
        "json_text",
    ),
    Form(
        "html",
        ".html",
        "Write an illustrated page: a name ending in .html or .htm for one game, else "
        "a folder with a page a game and an index.",
        "html",
        pages=True,
    ),
    Form(
        "markdown",
        ".md",
        "Write the report as Markdown, with diagrams as text.",
        "markdown",
    ),
    Form(
        "latex",
        ".tex",
        "Write the report as LaTeX, with diagrams.",
        "latex",
    ),
    Form(
        "svg",
        ".svg",
        "Write each diagram of the reports as a file of a folder.",
        "svg_files",
        folder=True,
    ),
)

#: What a booklet of several games is written by, by the suffix of its name (none: ``-``, a pipe).
BOOKLETS = {".html": "booklet_html", ".htm": "booklet_html", ".tex": "latex", "": "booklet_html"}


def booklet_made_by(path: str) -> Any:
    """The module that writes a booklet of this name: ``chapter(review)``, ``booklet(...)``.

    Raises:
        KeyError: no booklet has this suffix.
    """
    return import_module(f"{__name__}.{BOOKLETS[PurePath(path).suffix.lower()]}")


def form_called(ident: str) -> Form:
    """The form of this name.

    Raises:
        KeyError: there is none.
    """
    return {form.ident: form for form in OUTPUTS}[ident]


def form_for(path: str) -> Form:
    """The form in which a file of this name is written, by its suffix.

    Raises:
        KeyError: no form has this suffix.
    """
    return {form.suffix: form for form in OUTPUTS}[PurePath(path).suffix.lower()]


def pieces(form: Form, reviews: Iterable[tuple[Review, Beside]]) -> Iterator[str]:
    """The text of one file with the games, piece by piece (memory stays flat)."""
    around = form.around
    yield around.head
    for number, (review, beside) in enumerate(reviews):
        if number:
            yield around.between
        yield form.text(review, beside)
    yield around.tail
