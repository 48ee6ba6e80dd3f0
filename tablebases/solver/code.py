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
from collections.abc import Iterable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Final

__all__ = ["choose_folder", "code_folder", "compiled_sources", "prepared", "source_digest"]

_ROOT: Final = Path(__file__).resolve().parents[1]
"""The package ``tablebases``: all compiled functions lie in it (a test looks)."""
_NAME: Final = re.compile(r"code-[0-9a-f]{24}")
_UNUSED: Final = 30 * 86400.0
"""Seconds after which a folder that nobody has used is removed."""
_MARK: Final = 86400.0
"""Seconds after which the use of a folder is written down again."""


def source_digest(root: Path = _ROOT, only: Iterable[Path] | None = None) -> str:
    """A digest of Python sources, by name and content: all of the package, or ``only`` some."""
    state = hashlib.blake2b(digest_size=12)
    for path in sorted(root.rglob("*.py") if only is None else only):
        content = path.read_bytes()
        state.update(f"{path.relative_to(root).as_posix()} {len(content)}\n".encode())
        state.update(content)
    return state.hexdigest()


def compiled_sources(root: Path = _ROOT) -> set[Path]:
    """The files that machine code is made from.

    They are those that hold compiled functions, those from which these functions take a name
    (another function, which may be inlined, or a number), and what the latter import in turn.
    """
    found: set[Path] = set()
    waiting: list[Path] = []
    for path in root.rglob("*.py"):
        text = path.read_bytes()
        if b"jit" not in text:
            continue
        tree = ast.parse(text)
        used = {
            name.id
            for function in ast.walk(tree) if _is_compiled(function)
            for name in ast.walk(function) if isinstance(name, ast.Name)
        }  # fmt: skip
        if used:
            found.add(path)
            waiting += _imported(root, path, tree, used)
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            waiting += _imported(root, path, ast.parse(path.read_bytes()), None)
    return found


def _is_compiled(node: ast.AST) -> bool:
    return isinstance(node, ast.FunctionDef) and any(
        "jit" in ast.unparse(decorator) for decorator in node.decorator_list
    )


def _imported(root: Path, path: Path, tree: ast.AST, used: set[str] | None) -> Iterator[Path]:
    """Files of the package from which the names in ``used`` are imported; None: any names."""
    top = root.name
    for node in ast.walk(tree):
        modules = []
        if isinstance(node, ast.Import):
            modules = [(alias.name, alias.asname or top) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            above = path.parts[len(root.parts) : len(path.parts) - node.level]
            module = ".".join(
                ((top, *above) if node.level else ()) + ((node.module,) if node.module else ())
            )
            modules = [
                (each, alias.asname or alias.name)
                for alias in node.names for each in (module, f"{module}.{alias.name}")
            ]  # fmt: skip
        for module, name in modules:
            first, *rest = module.split(".")
            if first == top and (used is None or name in used):
                for file in (root.joinpath(*rest).with_suffix(".py") if rest else root,
                             root.joinpath(*rest, "__init__.py")):  # fmt: skip
                    if file.is_file():
                        yield file


def _digest() -> str:
    """Sources, compiler and its settings, Python, and the processor that is compiled for."""
    import llvmlite.binding as llvm

    # Settings such as NUMBA_BOUNDSCHECK change what a source is compiled to.
    settings = sorted(
        f"{name}={value}" for name, value in os.environ.items()
        if name.startswith("NUMBA_") and name != "NUMBA_CACHE_DIR"
    )  # fmt: skip
    parts = (
        source_digest(only=compiled_sources()), sys.version,
        *(f"{name} {version(name)}" for name in ("numba", "llvmlite", "numpy")),
        llvm.get_process_triple(), llvm.get_host_cpu_name(),
        llvm.get_host_cpu_features().flatten(), *settings,
    )  # fmt: skip
    return hashlib.blake2b("\n".join(parts).encode(), digest_size=12).hexdigest()


def choose_folder() -> Path:
    """Tell numba where to keep machine code, before anything is compiled; remove old folders.

    It is a subfolder of the one named by ``NUMBA_CACHE_DIR``, or of the user's cache folder.
    """
    import platformdirs

    named = os.environ.get("NUMBA_CACHE_DIR")
    base = (
        Path(named) if named
        else Path(platformdirs.user_cache_path("fullpoint", appauthor=False)) / "machine-code"
    )  # fmt: skip
    if named and _NAME.fullmatch(base.name):
        base = base.parent  # chosen by the process above this one
    folder = base / f"code-{_digest()}"
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    if "numba" in sys.modules:  # it has read its settings already
        sys.modules["numba"].config.CACHE_DIR = str(folder)
    # Without a folder numba compiles anew each time; that is its own affair.
    with contextlib.suppress(OSError):
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            _tidy(base, folder, ours=not named)
        elif time.time() - folder.stat().st_mtime > _MARK:
            os.utime(folder)
    return folder


def _tidy(base: Path, folder: Path, ours: bool) -> None:
    """Remove what nobody has used for a while; in a folder of ours whatever it is called."""
    for entry in os.scandir(base):
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


def prepared() -> bool:
    """Has the solver's machine code been made on this machine before?"""
    with contextlib.suppress(OSError):
        return any(code_folder().rglob("*.nbi"))
    return False
