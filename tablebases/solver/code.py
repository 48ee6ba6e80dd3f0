"""Where the solver's machine code lies: a folder of its own for each state of the sources.

numba keeps compiled functions on disk and looks, for each, at the file that holds it alone. What
was inlined from another file goes unnoticed: after a change there, old code would run on. So the
folder's name carries a digest of everything that the machine code is made from.
"""

from __future__ import annotations

import ast
import contextlib
import hashlib
import os
import re
import shutil
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

from tablebases.folders import cache_folder, write_whole

__all__ = [
    "choose_folder",
    "code_folder",
    "compiled_sources",
    "folder_of",
    "own_folder",
    "prepared",
    "source_digest",
]

_ROOT: Final = Path(__file__).resolve().parents[1]
"""The package ``tablebases``: all that the solver compiles lies in it (a test looks)."""
_NAME: Final = re.compile(r"code-[0-9a-f]{24}")
_NOTE: Final = re.compile(r"state-\w+-[0-9a-f]{24}")
_UNUSED: Final = 30 * 86400.0
"""Seconds after which a folder that nobody has used is removed."""
_MARK: Final = 86400.0
"""Seconds after which the use of a folder is written down again."""


def source_digest(root: Path = _ROOT, only: Iterable[Path] | None = None) -> str:
    """A digest of Python sources, by name and content: all of the package, or ``only`` some."""
    state = hashlib.blake2b(digest_size=12)
    for path in sorted(root.rglob("*.py") if only is None else only):
        content = path.read_bytes()
        inside = path.is_relative_to(root)
        name = path.relative_to(root) if inside else Path(os.path.relpath(path, root.parent))
        state.update(f"{name.as_posix()} {len(content)}\n".encode())
        state.update(content)
    return state.hexdigest()


def compiled_sources(root: Path = _ROOT, tops: Sequence[Path] = ()) -> set[Path]:
    """The files that machine code is made from.

    Args:
        root: the folder whose compiled functions are meant.
        tops: top folders of the packages whose files these may take from; ``root`` itself if
            none are named.

    They are those that hold compiled functions, those from which these functions take a name
    (another function, which may be inlined, or a number), and what the latter import in turn.
    """
    tops = tuple(tops) or (root,)
    found: set[Path] = set()
    waiting: list[Path] = []
    for path in root.rglob("*.py"):
        text = path.read_bytes()
        if b"jit" not in text:
            continue
        tree = ast.parse(text)
        used = {
            name.id
            for function in ast.walk(tree)
            if _is_compiled(function)
            for name in ast.walk(function)
            if isinstance(name, ast.Name)
        }
        if used:
            found.add(path)
            waiting += _imported(tops, path, tree, used)
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            waiting += _imported(tops, path, ast.parse(path.read_bytes()), None)
    return found


def _is_compiled(node: ast.AST) -> bool:
    return isinstance(node, ast.FunctionDef) and any(
        "jit" in ast.unparse(decorator) for decorator in node.decorator_list
    )


def _imported(
    tops: Sequence[Path], path: Path, tree: ast.AST, used: set[str] | None
) -> Iterator[Path]:
    """Files of the packages from which the names in ``used`` are imported; None: any names."""
    home = next(top for top in tops if path.is_relative_to(top))
    for node in ast.walk(tree):
        modules = []
        if isinstance(node, ast.Import):
            modules = [
                (alias.name, alias.asname or alias.name.split(".")[0]) for alias in node.names
            ]
        elif isinstance(node, ast.ImportFrom):
            above = path.parts[len(home.parts) : len(path.parts) - node.level]
            module = ".".join(
                ((home.name, *above) if node.level else ())
                + ((node.module,) if node.module else ())
            )
            modules = [
                (each, alias.asname or alias.name)
                for alias in node.names
                for each in (module, f"{module}.{alias.name}")
            ]
        for module, name in modules:
            first, *rest = module.split(".")
            for top in tops:
                if first != top.name or not (used is None or name in used):
                    continue
                for file in (
                    top.joinpath(*rest).with_suffix(".py") if rest else top,
                    top.joinpath(*rest, "__init__.py"),
                ):
                    if file.is_file():
                        yield file


def _digest(sources: Iterable[Path] | None = None) -> str:
    """Sources, compiler and its settings, Python, and the processor that is compiled for.

    Args:
        sources: the files that machine code is made from; None for those of the solver.
    """
    import llvmlite.binding as llvm

    # Settings such as NUMBA_BOUNDSCHECK change what a source is compiled to.
    settings = sorted(
        f"{name}={value}"
        for name, value in os.environ.items()
        if name.startswith("NUMBA_") and name != "NUMBA_CACHE_DIR"
    )
    parts = (
        source_digest(only=compiled_sources() if sources is None else sources),
        sys.version,
        *(f"{name} {version(name)}" for name in ("numba", "llvmlite", "numpy")),
        llvm.get_process_triple(),
        llvm.get_host_cpu_name(),
        llvm.get_host_cpu_features().flatten(),
        *settings,
    )
    return hashlib.blake2b("\n".join(parts).encode(), digest_size=12).hexdigest()


def choose_folder() -> Path:
    """Tell numba where to keep machine code, before anything is compiled; remove old folders.

    It is a subfolder of the one named by ``NUMBA_CACHE_DIR``, or of the user's cache folder.
    """
    named = os.environ.get("NUMBA_CACHE_DIR")
    base = Path(named) if named else cache_folder("machine-code")
    if named and _NAME.fullmatch(base.name):
        base = base.parent  # chosen by the process above this one
    folder = base / f"code-{_noted(base, _ROOT, ())}"
    _use(folder)
    _keep(folder, ours=not named)
    return folder


def folder_of(package: Path, tops: Sequence[Path]) -> Path:
    """The folder that ``own_folder`` gives, which need not be there yet."""
    return code_folder().parent / f"code-{_state_of(package, tuple(tops))}"


@cache
def _state_of(package: Path, tops: tuple[Path, ...]) -> str:
    """The digest of a package's compiled sources; of those that this process runs."""
    return _noted(code_folder().parent, package, tops)


def _noted(base: Path, package: Path, tops: Sequence[Path]) -> str:
    """The digest of a package's compiled sources, from a note where no source has changed since.

    To find out which sources are compiled takes a third of a second, at every start.

    Args:
        base: the folder that the note lies in.
    """
    everything = _digest(path for top in tops or (package,) for path in top.rglob("*.py"))
    note = base / f"state-{package.name}-{everything}"
    with contextlib.suppress(OSError, ValueError):
        known = note.read_text("ascii")
        if _NAME.fullmatch(f"code-{known}"):
            return known
    found = _digest(compiled_sources(package, tops))
    with contextlib.suppress(OSError):
        base.mkdir(parents=True, exist_ok=True)
        write_whole(str(note), [found.encode()])
    return found


@contextlib.contextmanager
def own_folder(package: Path, tops: Sequence[Path]) -> Iterator[Path]:
    """What is imported meanwhile has its machine code in a folder of its own.

    So a change there does not make the solver's code anew, nor the other way round. The solver
    must have been imported before. Not for several threads at a time.

    Args:
        package: the folder that is imported from, beside ``tablebases``.
        tops: as in ``compiled_sources``.
    """
    usual, folder = code_folder(), folder_of(package, tops)
    _use(folder)
    try:
        _keep(folder, ours=False)
        yield folder
    finally:
        _use(usual)


def _use(folder: Path) -> None:
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    if "numba" in sys.modules:  # it has read its settings already
        sys.modules["numba"].config.CACHE_DIR = str(folder)


def _keep(folder: Path, *, ours: bool) -> None:
    """Make the folder, or note that it is in use; remove old ones beside a new one."""
    # Without a folder numba compiles anew each time; that is its own affair.
    with contextlib.suppress(OSError):
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            _tidy(folder.parent, folder, ours)
        elif time.time() - folder.stat().st_mtime > _MARK:
            os.utime(folder)


def _tidy(base: Path, folder: Path, ours: bool) -> None:
    """Remove what nobody has used for a while; in a folder of ours whatever it is called."""
    for entry in os.scandir(base):
        if _NOTE.match(entry.name) and entry.is_file(follow_symlinks=False):
            with contextlib.suppress(OSError):
                if time.time() - entry.stat().st_mtime > _UNUSED:
                    os.unlink(entry.path)
        if entry.name == folder.name or not entry.is_dir(follow_symlinks=False):
            continue
        if not (ours or _NAME.fullmatch(entry.name)):
            continue
        with contextlib.suppress(OSError):
            if time.time() - entry.stat().st_mtime > _UNUSED:
                shutil.rmtree(entry.path, ignore_errors=True)


def code_folder() -> Path:
    """The folder that was chosen."""
    return Path(os.environ["NUMBA_CACHE_DIR"])


def prepared(folder: Path | None = None) -> bool:
    """Has the machine code in a folder, the solver's if None, been made before?"""
    with contextlib.suppress(OSError):
        return any((code_folder() if folder is None else folder).rglob("*.nbi"))
    return False
