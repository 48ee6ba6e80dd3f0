"""Turns every way a command can end into an exit code and at most one line of error."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import signal
import sys
from collections.abc import Callable, Iterator
from typing import Any, NoReturn

import click

from convert.cli.streams import note, safe_streams
from convert.rim import stopping
from convert.rim.safe_text import safe_line

OK, FINDINGS, TROUBLE = 0, 1, 2


class ReaderGone(Exception):
    """Whoever read the output has gone; by a name that click does not answer in its own way."""


class Interrupted(BaseException):
    """An interrupt (its cause), by a name that click does not answer in its own way."""


@contextlib.contextmanager
def past_click() -> Iterator[None]:
    """Let what click would turn into an exit code of its own reach `exit_code_of`.

    Raises:
        ReaderGone, Interrupted: in place of `BrokenPipeError` and `KeyboardInterrupt`.
    """
    try:
        yield
    except BrokenPipeError as err:
        raise ReaderGone from err
    except KeyboardInterrupt as err:
        raise Interrupted from err


def exit_code_of(run: Callable[[], Any]) -> int:
    """Run, report trouble in one line on standard error, return the exit code.

    With FULLPOINT_DEBUG set the traceback of an unforeseen error is shown too.
    """
    with stopping.listening(), whole_streams(), safe_streams():
        try:
            return _flushed(_code_of(run))
        except KeyboardInterrupt as err:  # it came after the command
            return _flushed(stopping.exit_code(err))


def _code_of(run: Callable[[], Any]) -> int:
    try:
        result = run()
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as err:
        if not isinstance(err, click.exceptions.NoArgsIsHelpError):  # its text is many lines
            vars(err)["message"] = safe_line(err.message)
        err.show(sys.stderr)
        return err.exit_code
    except (KeyboardInterrupt, Interrupted, click.Abort) as err:
        return _interrupted(err)
    except (BrokenPipeError, ReaderGone):
        # The reader of our output has gone; nothing is left to say to it.
        return OK
    except MemoryError:
        note("error: out of memory")
        return TROUBLE
    except Exception as err:
        if isinstance(err, SystemError) and stopping.interrupt_in(err) is not None:
            return _interrupted(err)
        if os.environ.get("FULLPOINT_DEBUG"):
            raise
        if _known(err):
            note(f"error: {_one_line(err)}")
        else:
            note(
                f"error: unforeseen trouble ({type(err).__name__}: {_one_line(err)}); "
                "set FULLPOINT_DEBUG=1 for details"
            )
        return TROUBLE
    return result if isinstance(result, int) else OK


def _interrupted(err: BaseException) -> int:
    code = stopping.exit_code(err)
    if sys.stderr.isatty():
        sys.stderr.write("\n")  # ends the line with the ^C, or with the progress
    number = code - 128
    by = "" if number == signal.SIGINT else f" ({signal.Signals(number).name})"
    note(f"interrupted{by}")
    return code


def _flushed(code: int) -> int:
    """Bring out what is left in the buffers, here and not at exit, where an error is noise.

    Returns:
        the exit code, or that of trouble where it could not be brought out.
    """
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except BrokenPipeError:
            _silence(stream)
        except OSError as err:
            _silence(stream)
            if stream is sys.stdout and code in (OK, FINDINGS):
                note(f"error: standard output: {err.strerror}")
                code = TROUBLE
        except ValueError:  # closed in between
            continue
    return code


def _silence(stream: Any) -> None:
    """Let what is left in the buffer of a stream go nowhere, without an error at exit."""
    with contextlib.suppress(OSError, ValueError):
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, stream.fileno())
        os.close(sink)


# --- the standard streams ------------------------------------------------------------------------


@contextlib.contextmanager
def whole_streams() -> Iterator[None]:
    """Have all three standard streams for the time of the block, whoever started the program.

    One that is closed says so when it is used; its number is taken, or the next file that is
    opened would get it, and with it what libraries write there. What nobody can hear on standard
    error stops no work.
    """
    before = sys.stdin, sys.stdout, sys.stderr
    if None in before:
        _take_numbers()
    for name, stream in zip(("stdin", "stdout"), before, strict=False):
        if stream is None:
            setattr(sys, name, _Shut(f"standard {'input' if name == 'stdin' else 'output'}"))
    sys.stderr = _Unheard() if before[2] is None else _Remarks(before[2])
    try:
        yield
    finally:
        _silence_broken(before[2])
        sys.stdin, sys.stdout, sys.stderr = before


def _take_numbers() -> None:
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)


class _Shut(io.TextIOBase):
    """A standard stream that was closed before the program began."""

    def __init__(self, name: str) -> None:
        self._what = name

    def _refuse(self, *_: object) -> NoReturn:
        raise OSError(errno.EBADF, "is closed", self._what)

    write = read = readline = __next__ = _refuse

    @property
    def buffer(self) -> NoReturn:
        """There is none.

        Raises:
            OSError: always.
        """
        self._refuse()


class _Unheard(io.TextIOBase):
    """Standard error that was closed before the program began: remarks go nowhere."""

    def write(self, text: str) -> int:
        return len(text)


class _Remarks:
    """Standard error: what cannot be written, since its reader has gone, is left out."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        with contextlib.suppress(OSError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError):
            self._stream.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def _silence_broken(stream: Any) -> None:
    """Python ends with an exit code of its own if it cannot bring out standard error."""
    if stream is not None:
        try:
            stream.flush()
        except OSError:
            _silence(stream)
        except ValueError:
            return


# --- words ---------------------------------------------------------------------------------------


def _known(err: Exception) -> bool:
    from convert.errors import JudgeError
    from convert.reading.fen import SourceError
    from tablebases.errors import TablebaseError

    return isinstance(err, (SourceError, TablebaseError, JudgeError, OSError))


def _one_line(err: Exception) -> str:
    if isinstance(err, OSError) and err.strerror:
        name = f"{err.filename}: " if err.filename else ""
        return f"{name}{err.strerror}"
    return " ".join(str(err).split()) or type(err).__name__
