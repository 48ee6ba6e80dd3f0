"""Compiled code never outlives the sources it was made from.

numba looks at the file that holds a function; what was inlined from another file goes unnoticed.
In a copy of the package one constant or helper is changed, and what compiled code answers is seen.
"""

from __future__ import annotations

import ast
import gc
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numba
import pytest
from numba.core import event

from tablebases.solver import code, kernels, prepared

ROOT = Path(__file__).parents[2]
#: What is compiled beside the solver, in a folder of its own.
SEARCH = ROOT / "convert" / "judging" / "search"
TOPS = (ROOT / "convert", ROOT / "tablebases")

#: Prints the folder of the machine code and what a function says that is compiled from two files.
ASK = """
import numpy as np
import tablebases.solver
from tablebases.solver import code, structures

print(code.code_folder().name)
print(structures._popcount(np.uint64(5)), structures.tail(np.uint64(40)))
"""
#: A compiled function that another file's helper is inlined into, added to the copy.
TAIL = '''

@njit(cache=True)
def tail(word):
    """Where the lowest bit stands."""
    return lowest(word)
'''


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the package, with one more compiled function."""
    shutil.copytree(
        ROOT / "tablebases",
        tmp_path / "tablebases",
        ignore=shutil.ignore_patterns("__pycache__", "bundled"),
    )
    structures = tmp_path / "tablebases" / "solver" / "structures.py"
    structures.write_text(structures.read_text() + TAIL)
    return tmp_path


def ask(copy: Path) -> tuple[str, str]:
    environment = os.environ | {"NUMBA_CACHE_DIR": str(copy / "code"), "PYTHONPATH": str(copy)}
    done = subprocess.run(
        [sys.executable, "-c", ASK], cwd=copy, env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    folder, told = done.stdout.splitlines()
    return folder, told


@pytest.mark.slow
def test_a_change_in_one_file_reaches_code_compiled_from_another(copy: Path) -> None:
    first = ask(copy)
    assert first[1] == "2 3"
    assert ask(copy) == first
    helper = copy / "tablebases" / "solver" / "kernels.py"
    text = helper.read_text()
    before = "def lowest(word):"
    assert text.count(before) == 1
    place = text.index("return ", text.index(before))
    end = text.index("\n", place)
    # Same size and same time: nothing but the content tells.
    changed = text[:place] + "return U(7)".ljust(end - place) + text[end:]
    assert len(changed) == len(text)
    status = helper.stat()
    helper.write_text(changed)
    os.utime(helper, ns=(status.st_atime_ns, status.st_mtime_ns))
    second = ask(copy)
    assert second[1] == "2 7"
    assert second[0] != first[0]
    kept = {path.name for path in (copy / "code").iterdir()}
    # Beside the code of each state of the sources, a note of that state; nothing else.
    notes = {name for name in kept if name.startswith("state-tablebases-")}
    assert len(notes) == 2
    assert kept - notes == {first[0], second[0]}


def test_what_is_compiled_is_found_by_looking(copy: Path) -> None:
    root = copy / "tablebases"
    found = {path.name for path in code.compiled_sources(root)}
    assert {"kernels.py", "structures.py", "plan.py", "classes.py", "geometry.py"} <= found
    assert "store.py" not in found
    (root / "values.py").write_text(
        (root / "values.py").read_text()
        + "\n\nfrom tablebases import material as m\nfrom numba import njit\n"
        "@njit\ndef seven():\n    return m.x\n"
    )
    assert {"values.py", "material.py"} <= {p.name for p in code.compiled_sources(root)}
    assert code.source_digest(root) != code.source_digest()


def test_nothing_is_compiled_outside_the_packages() -> None:
    for path in (ROOT / "convert").rglob("*.py"):
        if path.parent == SEARCH:
            continue
        imports = {
            name.name.split(".")[0] if isinstance(node, ast.Import) else (node.module or "")
            for node in ast.walk(ast.parse(path.read_bytes()))
            if isinstance(node, (ast.Import, ast.ImportFrom))
            for name in node.names
        }
        assert "numba" not in imports, path


def test_settings_and_processor_have_folders_of_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    import llvmlite.binding as llvm

    usual = code._digest()
    assert code._digest() == usual
    with monkeypatch.context() as changed:
        changed.setenv("NUMBA_BOUNDSCHECK", "1" if "NUMBA_BOUNDSCHECK" not in os.environ else "")
        assert code._digest() != usual
    with monkeypatch.context() as changed:
        changed.setattr(llvm, "get_host_cpu_name", lambda: "another")
        assert code._digest() != usual
    with monkeypatch.context() as changed:
        changed.setattr(code, "version", lambda name: "0")
        assert code._digest() != usual


def test_old_folders_go_and_others_stay(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """What nobody has used for a month; in a folder of the user's only what is called as ours."""
    old, recent = (tmp_path / f"code-{digit * 24}" for digit in "01")
    other = tmp_path / "other"
    for folder in (old, recent, other):
        folder.mkdir()
        (folder / "file").touch()
    month = time.time() - 31 * 86400
    for folder in (old, other):
        os.utime(folder, (month, month))
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    notes = [tmp_path / f"state-{name}-{'0' * 24}" for name in ("old", "new")]
    for note in notes:
        note.touch()
    os.utime(notes[0], (month, month))
    now = code.choose_folder()
    (new,) = tmp_path.glob("state-tablebases-*")
    assert {path.name for path in tmp_path.iterdir()} == {
        *(recent.name, other.name, now.name),
        *(notes[1].name, new.name),
    }
    assert not prepared()
    # A process below this one finds the folder named, and takes the same.
    assert os.environ["NUMBA_CACHE_DIR"] == str(now)
    assert code.choose_folder() == now
    (now / "part").mkdir()
    (now / "part" / "kernels.nbi").touch()
    assert prepared()
    # Use is written down, so that the folder is not taken for an old one.
    os.utime(now, (month, month))
    code.choose_folder()
    assert now.stat().st_mtime > time.time() - 60


def test_what_is_compiled_is_looked_for_once(
    copy: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """As long as no source is changed, whether compiled or not, and no setting."""
    package, base = copy / "tablebases", tmp_path / "notes"
    real, looked = code.compiled_sources, []

    def watched(root: Path, tops: Sequence[Path] = ()) -> set[Path]:
        looked.append(root)
        return real(root, tops)

    monkeypatch.setattr(code, "compiled_sources", watched)

    def state() -> tuple[str, int]:
        before = len(looked)
        return code._noted(base, package, ()), len(looked) - before

    first, times = state()
    assert times == 1
    assert first == code._digest(real(package))
    assert state() == (first, 0)
    (note,) = base.iterdir()
    for spoilt in ("", "x" * 24, first[:-1], first + "\n"):
        note.write_text(spoilt)
        assert state() == (first, 1)
        assert state() == (first, 0)
    note.write_bytes(bytes(range(256)))
    assert state() == (first, 1)
    values = package / "values.py"
    values.write_text(values.read_text() + "\n# changed\n")
    assert state() == (first, 1)  # nothing is compiled from it
    kernels_file = package / "solver" / "kernels.py"
    kernels_file.write_text(kernels_file.read_text() + "\n# changed\n")
    changed, times = state()
    assert (changed != first, times) == (True, 1)
    monkeypatch.setattr(code, "version", lambda _: "0")
    other, times = state()
    assert (other not in (first, changed), times) == (True, 1)
    # Where nothing can be written it is looked for each time.
    unwritable = tmp_path / "file"
    unwritable.touch()
    assert code._noted(unwritable / "folder", package, ()) == other


def test_the_kernels_are_where_they_are_looked_for() -> None:
    assert Path(kernels.__file__) in code.compiled_sources()


def test_what_the_search_compiles_is_found_by_looking() -> None:
    found = {path.relative_to(ROOT).as_posix() for path in code.compiled_sources(SEARCH, TOPS)}
    here = "convert/judging/search"
    assert {
        f"{here}/{name}.py"
        for name in ("words", "moves", "terms", "evaluation", "leaves", "kernel", "forced")
    } <= found
    # A table of the solver's is read in compiled code.
    assert "tablebases/solver/geometry.py" in found
    assert f"{here}/front.py" not in found
    # The solver does not compile any of it.
    assert not any(path.is_relative_to(SEARCH) for path in code.compiled_sources())
    with_jit = {path for path in SEARCH.rglob("*.py") if b"@jitted" in path.read_bytes()}
    assert with_jit
    assert with_jit <= code.compiled_sources(SEARCH, TOPS)


def test_a_change_anywhere_gives_the_search_another_folder(tmp_path: Path) -> None:
    for name in ("convert", "tablebases"):
        shutil.copytree(
            ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__", "bundled")
        )
    search = tmp_path / "convert" / "judging" / "search"
    tops = (tmp_path / "convert", tmp_path / "tablebases")

    def told() -> str:
        return code._digest(code.compiled_sources(search, tops))

    seen = {told()}
    for path in (
        search / "words.py",
        search / "evaluation.py",
        tmp_path / "tablebases" / "solver" / "geometry.py",
    ):
        path.write_text(path.read_text().replace("Squares", "squares") + "\n# changed\n")
        seen.add(told())
    assert len(seen) == 4
    front = search / "front.py"
    front.write_text(front.read_text() + "\n# changed\n")
    assert told() in seen


def test_the_folder_is_named_for_the_time_of_the_import(tmp_path: Path) -> None:
    usual = code.code_folder()
    with code.own_folder(SEARCH, TOPS) as folder:
        assert folder != usual
        assert folder.parent == usual.parent
        assert code.code_folder() == folder
        assert str(folder) == sys.modules["numba"].config.CACHE_DIR
    assert code.code_folder() == usual
    assert str(usual) == sys.modules["numba"].config.CACHE_DIR


#: Loads the search in a process, and prints what its code says.
ASK_SEARCH = """
import chess
from convert.judging.search import front

code = front._compiled()
print(code.folder.name)
print(code.words.bit(3))
"""


def test_kernels_count_no_references() -> None:
    """Each call counted the references to its arrays, which took more than half of all time."""
    made = {name: one for name, one in vars(kernels).items() if hasattr(one, "targetoptions")}
    called = {name for name, one in made.items() if one.targetoptions.get("inline") != "always"}
    assert {"read_exits", "push_front", "iterate", "solve_batch"} <= called
    counting = {name for name in called if made[name].targetoptions.get("_nrt") is not False}
    assert counting == set()


def test_no_function_is_compiled_for_a_literal() -> None:
    """numba makes a version of a function for each literal among the arguments of a call, which
    took a third of the time that compiling the kernels takes."""
    tree = ast.parse(Path(kernels.__file__).read_text())
    compiled = {
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef)
        and [ast.unparse(decorator) for decorator in node.decorator_list] == ["_jit"]
    }
    compiled.add("fetch")  # put in where it is called, it hands its arguments on
    assert {"read_exits", "push_front", "place_of"} <= compiled
    calls = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in compiled - {"pawn_attacks"}  # two versions of one line
    ]
    assert len(calls) > 40
    for call in calls:
        for argument in call.args:
            assert not isinstance(argument, ast.Constant), ast.unparse(call)
            assert not isinstance(argument, ast.UnaryOp), ast.unparse(call)


def test_the_collector_rests_while_numba_compiles() -> None:
    seen = []

    @numba.njit
    def one() -> int:
        return 1

    class Watching(event.Listener):
        def on_start(self, event: event.Event) -> None:
            seen.append(gc.isenabled())

        def on_end(self, event: event.Event) -> None:
            pass

    watching = Watching()
    event.register("numba:compile", watching)
    try:
        assert gc.isenabled()
        assert one() == 1
        assert gc.isenabled()
        gc.disable()
        one.recompile()
        assert not gc.isenabled()
    finally:
        gc.enable()
        event.unregister("numba:compile", watching)
    assert seen == [False, False]


@pytest.mark.slow
def test_a_change_in_one_file_reaches_the_search(tmp_path: Path) -> None:
    """As above, with the search: a helper is changed that others have inlined."""
    for name in ("convert", "tablebases"):
        shutil.copytree(
            ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__", "bundled")
        )
    words = tmp_path / "convert" / "judging" / "search" / "words.py"

    def ask_search() -> list[str]:
        environment = os.environ | {
            "NUMBA_CACHE_DIR": str(tmp_path / "code"),
            "PYTHONPATH": str(tmp_path),
        }
        done = subprocess.run(
            [sys.executable, "-c", ASK_SEARCH],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()

    first = ask_search()
    assert first[1] == "8"
    words.write_text(words.read_text() + "\n")
    second = ask_search()
    assert second[1] == "8"
    assert second[0] != first[0]
