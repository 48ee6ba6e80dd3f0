"""Turns every way a command can end into an exit code and at most one line of error."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any

import click

from convert.safe_text import safe_line

OK, FINDINGS, TROUBLE, INTERRUPTED = 0, 1, 2, 130


def exit_code_of(run: Callable[[], Any]) -> int:
    """Run, report trouble in one line on standard error, return the exit code.

    With FULLPOINT_DEBUG set the traceback of an unforeseen error is shown too.
    """
    try:
        result = run()
        sys.stdout.flush()
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as err:
        if not isinstance(err, click.exceptions.NoArgsIsHelpError):  # its text is many lines
            vars(err)["message"] = safe_line(err.message)
        err.show(sys.stderr)
        return err.exit_code
    except (KeyboardInterrupt, click.Abort):
        _say("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone; nothing is left to say to it.
        _silence()
        return OK
    except MemoryError:
        _say("error: out of memory")
        return TROUBLE
    except Exception as err:
        if os.environ.get("FULLPOINT_DEBUG"):
            raise
        if isinstance(err, OSError):
            _silence()
        if _known(err):
            _say(f"error: {_one_line(err)}")
        else:
            _say(
                f"error: unforeseen trouble ({type(err).__name__}: {_one_line(err)}); "
                "set FULLPOINT_DEBUG=1 for details"
            )
        return TROUBLE
    return result if isinstance(result, int) else OK


def _silence() -> None:
    """Let what is left in the buffer of standard output go nowhere, without an error at exit."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return


def _known(err: Exception) -> bool:
    from convert.fen import SourceError
    from tablebases.errors import TablebaseError

    return isinstance(err, (SourceError, TablebaseError, OSError))


def _one_line(err: Exception) -> str:
    if isinstance(err, OSError) and err.strerror:
        name = f"{err.filename}: " if err.filename else ""
        return f"{name}{err.strerror}"
    return " ".join(str(err).split()) or type(err).__name__


def _say(text: str) -> None:
    sys.stderr.write(f"fullpoint: {safe_line(text)}\n")
