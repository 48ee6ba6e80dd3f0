"""Parameters that name what a command reads and what it writes, and the check between them.

A command whose class is `Careful` has all its outputs held against all its inputs, of whatever
kind, before it does anything: it is enough to give its parameters these types.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import click

from convert.rim import outputs
from convert.rim.safe_text import safe_line


class InputPath(click.Path):
    """A file that is read, ``-`` for standard input.

    Args:
        files: which files are read where that is not the one named: those in a folder, say.
        options: those of `click.Path`.
    """

    def __init__(self, files: Callable[[str], Iterable[str]] | None = None, **options: Any) -> None:
        super().__init__(**options)
        self.files: Callable[[str], Iterable[str]] = files or (lambda path: (path,))


class OutputPath(click.Path):
    """A file that is written, ``-`` for standard output.

    Args:
        pages: a folder of pages, unless the name ends in ``.html`` or ``.htm``.
        folder: always a folder of pages.
        collection: the folder of a collection; the files in its ledger count as read.
        options: those of `click.Path`.
    """

    def __init__(
        self,
        *,
        pages: bool = False,
        folder: bool = False,
        collection: bool = False,
        **options: Any,
    ) -> None:
        super().__init__(readable=False, **options)  # whether it is has nothing to say
        self.pages = pages
        self.folder = folder
        self.collection = collection

    def output(self, option: str, path: str) -> outputs.Output:
        """What is to be written to a path."""
        pages = self.folder or (self.pages and path != outputs.STREAM and not is_page(path))
        return outputs.Output(option, path, pages, self.collection)


def is_page(path: str) -> bool:
    """Is ``--html`` to write one page rather than a folder of them?"""
    return path.lower().endswith((".html", ".htm"))


class Careful(click.Command):
    """Refuses to write over what it reads, before any work."""

    def invoke(self, ctx: click.Context) -> Any:
        """Check, then run."""
        _settle_texts(ctx)
        refuse_overwriting(ctx)
        return super().invoke(ctx)


def refuse_overwriting(ctx: click.Context) -> None:
    """Hold all outputs of a command against its inputs and against each other.

    Raises:
        ToolError: naming the output and what it would write over.
    """
    written = [
        param.type.output(param.opts[0] if len(param.opts) == 1 else _long(param), path)
        for param, path in _paths(ctx)
        if isinstance(param.type, OutputPath)
    ]
    try:
        outputs.check(written, _inputs(ctx))
    except outputs.OutputError as err:
        from convert.cli.common import ToolError

        raise ToolError(str(err)) from err


def _inputs(ctx: click.Context) -> Iterator[str]:
    from convert.cli.common import config_path
    from convert.rim.collection_folder import files_of

    yield outputs.STREAM
    yield str(config_path())
    here: click.Context | None = ctx
    while here is not None:
        for param, path in _paths(here):
            if isinstance(param.type, InputPath):
                yield from param.type.files(path)
            elif isinstance(param.type, OutputPath) and param.type.collection:
                yield from files_of(path)
        here = here.parent


def _paths(ctx: click.Context) -> Iterator[tuple[click.Parameter, str]]:
    for param in ctx.command.params:
        value = ctx.params.get(param.name or "")
        for one in value if isinstance(value, (tuple, list)) else (value,):
            if one is not None and isinstance(one, (str, os.PathLike)):
                yield param, os.fspath(one)


def _long(param: click.Parameter) -> str:
    return max(param.opts, key=len)


def _settle_texts(ctx: click.Context) -> None:
    """Options that are text, not names of files, as text: the bytes of UTF-8 are read as such.

    Raises:
        ToolError: an option is no text in any encoding that is known.
    """
    for param in ctx.command.params:
        value = ctx.params.get(param.name or "")
        if (
            isinstance(param, click.Option)
            and isinstance(value, str)
            and not (isinstance(param.type, click.Path) or _is_text(value))
        ):
            try:
                ctx.params[param.name or ""] = os.fsencode(value).decode("utf-8")
            except UnicodeError as err:
                from convert.cli.common import ToolError

                raise ToolError(
                    f"{_long(param)} {safe_line(value)}: not text in UTF-8 or in the encoding of "
                    "this system"
                ) from err


def _is_text(value: str) -> bool:
    try:
        value.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
