"""Where output may go, and how it gets there: one place for every command.

*Where*: `check` refuses, before any work, to write onto an input, onto another output, onto a file
of a collection, of the solver or of the built-in tables.  *How*: `whole_file` replaces a regular
file only when the new one is complete, follows links, and writes through to devices and pipes.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import secrets
import stat
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import IO, cast

from convert.rim import collection_folder as collections
from tablebases.folders import cache_folder

STREAM = "-"
"""Standard output, or standard input."""
#: Names of the files in a folder of pages or diagrams.
PAGE_NAMES = re.compile(r"index\.html|[0-9]{4,}(?:-[a-z0-9-]*)?\.(?:html|svg)")

Place = tuple[int, int] | str
"""What a path leads to: device and number of what is there, else the path without links."""


class OutputError(Exception):
    """Output that may not or cannot be written; the text is one line."""


@dataclass(frozen=True)
class Output:
    """Something that a command will write.

    Attributes:
        option: how the user named it: ``--json``.
        path: as the user gave it; ``-`` for standard output.
        pages: a folder of pages.
        collection: the folder of a collection.
    """

    option: str
    path: str
    pages: bool = False
    collection: bool = False

    @property
    def folder(self) -> bool:
        """A folder rather than a file."""
        return self.pages or self.collection

    def writes(self, real: str) -> bool:
        """Is a path, without links, one of those that will be written in this folder?"""
        if self.pages:
            here = os.path.realpath(self.path) == os.path.dirname(real)
            return here and PAGE_NAMES.fullmatch(os.path.basename(real)) is not None
        return self.collection and collections.owns(self.path, real)


# --- where ----------------------------------------------------------------------------------------


def check(outputs: Iterable[Output], inputs: Iterable[str]) -> None:
    """Refuse what may not be written; nothing is touched.

    Args:
        outputs: all that the command will write.
        inputs: all files that it will read; ``-`` is standard input.  Not gone through where
            nothing is to be written.

    Raises:
        OutputError: an output is an input or another output, belongs to a collection or to the
            program, or cannot be written.
    """
    outputs = list(outputs)
    streams = [output.option for output in outputs if output.path == STREAM]
    if len(streams) > 1:
        raise OutputError(f"{streams[0]} and {streams[1]} cannot both go to standard output")
    named = [output for output in outputs if output.path != STREAM]
    for output in named:
        refuse_owned(output.path, output.option)
    _refuse_shared(named)
    _refuse_inputs(named, inputs)
    for output in named:
        if not output.folder:
            _refuse_unwritable(output.path)


def refuse_owned(path: str, option: str = "") -> None:
    """Refuse a path that belongs to a collection or to the program itself.

    Raises:
        OutputError: it does.
    """
    real = os.path.realpath(path)
    owner = collections.owner_of(real)
    if owner is not None:
        raise OutputError(f"{path}: belongs to the collection in {owner}{_other(option)}")
    for folder, what in _own_folders():
        if (real + os.sep).startswith(os.path.realpath(folder) + os.sep):
            raise OutputError(f"{path}: belongs to {what} in {folder}{_other(option)}")


def _own_folders() -> Iterator[tuple[str, str]]:
    import tablebases

    yield str(cache_folder()), "the solver's results"
    yield os.path.join(os.path.dirname(tablebases.__file__), "bundled"), "the built-in tables"


def _other(option: str) -> str:
    return f"; give {option} another name" if option else ""


def _refuse_shared(named: list[Output]) -> None:
    """Two outputs to one place."""
    seen: dict[Place, Output] = {}
    report = _standard(1)
    for output in named:
        place = _place(output.path)
        if place is None:
            continue
        if place == report and not _is_stream(output.path):
            raise OutputError(
                f"{output.path}: standard output goes there already, beside {output.option}"
            )
        other = seen.setdefault(place, output)
        if other is not output:
            raise OutputError(
                f"{output.path}: named for two outputs, {other.option} and {output.option}"
            )
    for folder in named:
        for output in named:
            if (
                folder.folder
                and folder is not output
                and (folder.writes(os.path.realpath(output.path)))
            ):
                raise OutputError(
                    f"{output.path}: {folder.option} {folder.path} writes there; give "
                    f"{output.option} another name"
                )


def _refuse_inputs(named: list[Output], inputs: Iterable[str]) -> None:
    """An output that is an input, by whatever name."""
    targets: dict[Place, tuple[str, str]] = {}
    for output in named:
        if output.collection:
            continue  # goes on with what is there
        for path in (output.path, *_pages_there(output)):
            place = _place(path)
            if place is not None:
                targets.setdefault(place, (path, output.option))
    report = _standard(1)
    if report is not None:
        targets.setdefault(report, ("standard output", ""))
    if not targets:
        return
    for path in inputs:
        place = _standard(0) if path == STREAM else _place(path)
        if place in targets:
            written, option = targets[place]
            name = "standard input" if path == STREAM else path
            also = "" if name == written else f" {name}"
            raise OutputError(f"{written}: is the input{also}{_other(option)}")


def _pages_there(output: Output) -> Iterator[str]:
    """Pages that lie in a folder already and may be written anew."""
    if output.pages:
        with contextlib.suppress(OSError):
            for name in sorted(os.listdir(output.path)):
                if PAGE_NAMES.fullmatch(name):
                    yield os.path.join(output.path, name)


def _refuse_unwritable(path: str) -> None:
    """What can be told without writing; a full disk shows only later."""
    if written_through(path):
        return
    real = _followed(path)
    parent = os.path.dirname(real)
    if os.path.isdir(real):
        raise OutputError(f"{path}: is a folder, not a file")
    if not os.path.isdir(parent):
        shown = parent if os.path.islink(path) else os.path.dirname(path)
        raise OutputError(f"{path}: cannot be written (there is no folder {shown})")
    if not os.access(parent, os.W_OK | os.X_OK) or (
        os.path.exists(real) and not os.access(real, os.W_OK)
    ):
        raise _failed(path, OSError(errno.EACCES, os.strerror(errno.EACCES)))


def _place(path: str) -> Place | None:
    """Where output to a path ends; None for a device or pipe, which nothing can overwrite."""
    try:
        about = os.stat(path)
    except OSError:
        return os.path.realpath(path)
    if stat.S_ISREG(about.st_mode) or stat.S_ISDIR(about.st_mode):
        return about.st_dev, about.st_ino
    return None


def _standard(number: int) -> Place | None:
    """The regular file to which a standard stream is redirected."""
    stream = (sys.stdin, sys.stdout)[number]
    try:
        about = os.fstat(stream.fileno())
    except (OSError, ValueError, AttributeError):  # closed, or no file at all
        return None
    return (about.st_dev, about.st_ino) if stat.S_ISREG(about.st_mode) else None


# --- how ------------------------------------------------------------------------------------------


def written_through(path: str) -> bool:
    """Is it a device, a pipe, a socket or an open file (``/dev/stdout``), never to be replaced?"""
    try:
        mode = os.stat(path).st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)) or _is_stream(path)


_OPEN_FILES = re.compile(r"/proc/[0-9]+(?:/task/[0-9]+)?/fd|/dev/fd")


def _is_stream(path: str) -> bool:
    """Does a path lead through the list of the process's open files?"""
    here = os.path.abspath(path)
    for _ in range(40):
        folder = os.path.realpath(os.path.dirname(here))
        if _OPEN_FILES.fullmatch(folder):
            return True
        try:
            here = os.path.join(folder, os.readlink(here))
        except OSError:
            return False
    return False


def _followed(path: str) -> str:
    """The path that a chain of links leads to, there or not.

    Raises:
        OutputError: the links lead nowhere.
    """
    real = os.path.realpath(path)
    if os.path.islink(real):
        raise _failed(path, OSError(errno.ELOOP, os.strerror(errno.ELOOP)))
    return real


def _failed(path: str, error: OSError) -> OutputError:
    return OutputError(f"{path}: cannot be written ({error.strerror or error})")


class _Text(io.TextIOWrapper):
    """UTF-8 text to a file; names the file where it cannot be written."""

    def __init__(self, file: IO[bytes], path: str):
        super().__init__(file, encoding="utf-8", errors="backslashreplace", newline="\n")
        self.path = path

    def write(self, text: str) -> int:
        """Write, or say in an `OutputError` why not."""
        try:
            return super().write(text)
        except BrokenPipeError:
            raise
        except OSError as error:
            raise _failed(self.path, error) from error

    def flush(self) -> None:
        """Likewise."""
        with _named(self.path):
            super().flush()


@contextlib.contextmanager
def _named(path: str) -> Iterator[None]:
    """An error of the file as one line that names it; a reader who has gone stays what he is."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        raise _failed(path, error) from error


@contextlib.contextmanager
def whole_file(path: str) -> Iterator[IO[str]]:
    """A UTF-8 text file that appears, or is replaced, only when it is complete.

    ``-`` is standard output.  A link stays and what it leads to is replaced (or made, where it
    leads to nothing); a device or pipe is written to as the text comes.

    Raises:
        OutputError: it cannot be written; what stood there before is still there.
        BrokenPipeError: the reader of a pipe has gone.
    """
    if path == STREAM:
        with _standard_output() as stream:
            yield stream
    elif written_through(path):
        with _named(path):
            through = _Text(open(path, "wb"), path)  # noqa: SIM115 - closed below
        try:
            yield through
            through.flush()
        finally:
            with contextlib.suppress(OSError, OutputError):
                through.close()
    else:
        with _replacing(path) as file:
            yield file


@contextlib.contextmanager
def _replacing(path: str) -> Iterator[IO[str]]:
    target = _followed(path)
    folder = os.path.dirname(target)
    before = None
    with _named(path):
        with contextlib.suppress(FileNotFoundError):
            before = os.stat(target)
        if before is not None and not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    _sweep(folder)
    passing = os.path.join(folder, _PASSING + secrets.token_hex(8))
    # From here on whatever interrupts takes the passing file with it, begun or not.
    with contextlib.ExitStack() as afterwards:
        try:
            with _named(path):
                handle = _begun(passing)
                if os.name == "posix":
                    # Keeps the lock until the file has its name; elsewhere no open file gets one.
                    afterwards.callback(os.close, os.dup(handle))
            file = _Text(os.fdopen(handle, "wb"), path)
            afterwards.callback(_closed, file)
            yield file
            file.flush()
            with _named(path):
                os.fsync(file.fileno())
                file.close()
                _like_before(passing, before)
                os.replace(passing, target)
        except BaseException:
            _closed_and_gone(afterwards, passing)
            raise


def _closed_and_gone(handles: contextlib.ExitStack, path: str) -> None:
    """Close first: elsewhere no open file can be removed."""
    handles.close()
    with contextlib.suppress(OSError):
        os.unlink(path)


def _closed(file: IO[str]) -> None:
    with contextlib.suppress(OSError, OutputError):
        file.close()


_PASSING = ".fullpoint-"
_BINARY = getattr(os, "O_BINARY", 0)
_swept: set[str] = set()


def _begun(path: str) -> int:
    """A new file, locked: that says that its writer lives.

    Raises:
        OSError: it cannot be made.
    """
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, 0o600)
        # Another process may have come upon it before it was locked, and be removing it.
        if _locked(handle) is not False and os.fstat(handle).st_nlink:
            return handle
        os.close(handle)
        with contextlib.suppress(OSError):
            os.unlink(path)


def _sweep(folder: str) -> None:
    """Remove what writers that were killed have left in a folder; once in a process.

    Nothing else can be told from a name or an age, but the system opens the lock of the dead.
    """
    if folder in _swept:
        return
    _swept.add(folder)
    with contextlib.suppress(OSError):
        for name in os.listdir(folder):
            if name.startswith(_PASSING):
                with contextlib.suppress(OSError):
                    _remove_unlocked(os.path.join(folder, name))


def _remove_unlocked(path: str) -> None:
    handle = os.open(path, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    try:
        if stat.S_ISREG(os.fstat(handle).st_mode) and _locked(handle):
            os.unlink(path)
    finally:
        os.close(handle)


def _locked(handle: int) -> bool | None:
    """Lock an open file until it is closed; False if another has it, None where none can be had."""
    try:
        import fcntl
    except ImportError:  # Windows
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return None
    return True


def _like_before(path: str, before: os.stat_result | None) -> None:
    """Mode and, where that is allowed, owner of the file that is replaced."""
    if before is None:
        os.chmod(path, 0o666 & ~_umask())
        return
    if hasattr(os, "chown"):
        with contextlib.suppress(OSError):
            os.chown(path, before.st_uid, before.st_gid)
    os.chmod(path, before.st_mode & 0o777)


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current


@contextlib.contextmanager
def _standard_output() -> Iterator[IO[str]]:
    """Data to standard output: UTF-8 whatever the terminal's encoding; shown safely on one."""
    stream = sys.stdout
    binary = getattr(stream, "buffer", None)
    if binary is None or stream.isatty():
        yield stream
        return
    stream.flush()
    yield cast("IO[str]", _Utf8(binary))


class _Utf8(io.TextIOBase):
    """UTF-8 text to a binary stream of somebody else's, who flushes and closes it."""

    def __init__(self, binary: IO[bytes]):
        self.binary = binary

    def write(self, text: str) -> int:
        """Write it all."""
        self.binary.write(text.encode("utf-8", "backslashreplace"))
        return len(text)

    def flush(self) -> None:
        """Pass it on."""
        self.binary.flush()
