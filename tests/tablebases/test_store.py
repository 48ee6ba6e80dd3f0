"""The store of solved slices: what is read back is exactly what was kept, or nothing."""

from __future__ import annotations

import builtins
import errno
import importlib
import json
import os
import random
import signal
import struct
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablebases import folders

np = pytest.importorskip("numpy")

store_module = importlib.import_module("tablebases.solver.store")
Store = store_module.Store
MODULE = Path(store_module.__file__)

BLOCK = 4096
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")

# Children load the module from its file: the package around it would only slow their start.
PRELUDE = """
import importlib.util, os, sys
os.environ["OPENBLAS_NUM_THREADS"] = "1"
spec = importlib.util.spec_from_file_location("store", sys.argv[1])
store = importlib.util.module_from_spec(spec)
sys.modules["store"] = store
spec.loader.exec_module(store)
import numpy as np

def arrays_of(key, turn):
    # Smooth words that compress well; 40 kB to 1.2 MB in all.
    words = 4000 + 17 * turn % 911 + 16000 * (key % 8)
    base = np.arange(words, dtype=np.uint64) // np.uint64(5)
    return {
        "N": base * np.uint64(2 * turn + 1) ^ np.uint64(key),
        "depth": (np.arange(words) // 64 + turn + key).astype(np.int16),
    }

def right(entry, key):
    wanted = arrays_of(key, entry.meta["turn"])
    return entry.meta["key"] == key and list(entry.arrays) == list(wanted) and all(
        np.array_equal(entry.arrays[name], wanted[name])
        and entry.arrays[name].dtype == wanted[name].dtype
        for name in wanted
    )
"""


def child(script: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", PRELUDE + textwrap.dedent(script), str(MODULE)]
        + [str(argument) for argument in arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def run_child(script: str, *arguments: object) -> str:
    with child(script, *arguments) as process:
        out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    return out.strip()


def words(count: int, start: int = 0) -> Any:
    return np.arange(start, start + count, dtype=np.uint64) // np.uint64(3)


def files(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() else []


def only_file(folder: Path) -> Path:
    (path,) = files(folder)
    return path


def set_used(store: Any, key: str, seconds_ago: float) -> None:
    moment = time.time() - seconds_ago
    os.utime(store._path(key), (moment, moment))


def assert_same(entry: Any, arrays: dict[str, Any], meta: dict[str, Any]) -> None:
    assert entry is not None
    assert entry.meta == meta
    assert list(entry.arrays) == list(arrays)
    for name, wanted in arrays.items():
        got = entry.arrays[name]
        assert got.shape == wanted.shape
        assert got.dtype == wanted.dtype.newbyteorder("<")
        assert got.tobytes() == wanted.astype(wanted.dtype.newbyteorder("<")).tobytes()
        assert got.flags.c_contiguous
        assert got.flags.writeable


# --- what is kept comes back -------------------------------------------------------------------

DTYPES = ("?", "i1", "u1", "<i2", ">u2", "<i4", ">i4", "<u8", ">u8", "<i8", "<f4", ">f8")


@st.composite
def some_array(draw: st.DrawFn) -> Any:
    """Any dtype, nought to three dimensions, rows, columns or slices, small or compressed."""
    dtype = np.dtype(draw(st.sampled_from(DTYPES)))
    shape = draw(st.lists(st.sampled_from([0, 1, 2, 3, 7, 64]), max_size=3).map(tuple))
    if draw(st.integers(0, 4)) == 0:
        shape = (*shape[:1], 20_000)
    seed = draw(st.integers(0, 2**32 - 1))
    raw = np.random.default_rng(seed).integers(0, 2, size=shape).astype(np.int64)
    array = np.asarray((raw * (seed % 251)).astype(dtype))
    match draw(st.sampled_from(["as is", "turned", "every other", "columns first"])):
        case "turned":
            return array.T
        case "every other" if array.ndim:
            return array[::-2]
        case "columns first":
            return np.asfortranarray(array) if array.ndim else array
    return array


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=9),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)


@given(
    key=st.text(st.characters(exclude_categories=()), max_size=40),
    arrays=st.dictionaries(st.text(max_size=8), some_array(), max_size=4),
    meta=st.dictionaries(st.text(max_size=8), json_values, max_size=4),
    compress=st.booleans(),
)
def test_round_trip(key: str, arrays: dict[str, Any], meta: dict[str, Any], compress: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        store = Store(Path(name) / "a" / "b", compress=compress)
        assert store.get(key) is None
        assert key not in store
        assert store.put(key, arrays, meta) is True
        assert_same(store.get(key), arrays, meta)
        # Another store, as the next run has, whatever its own wish about compression.
        later = Store(Path(name) / "a" / "b", compress=not compress)
        assert_same(later.get(key), arrays, meta)
        assert key in later
        assert later.keys() == [key]
        assert later.get(key + "x") is None


def test_changing_what_came_back_changes_nothing_kept(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert store.put("k", {"N": words(8)}, {"list": [1]})
    entry = store.get("k")
    entry.arrays["N"][:] = 0
    entry.meta["list"].append(2)
    assert_same(store.get("k"), {"N": words(8)}, {"list": [1]})


def test_last_put_counts(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert store.put("k", {"N": words(50_000)}, {"turn": 1})
    assert store.put("k", {"L": words(3)}, {})
    assert_same(store.get("k"), {"L": words(3)}, {})
    assert len(files(tmp_path)) == 1


def test_compression_only_above_64_kib_and_only_where_it_helps(tmp_path: Path) -> None:
    pytest.importorskip("zstandard")
    noise = np.random.default_rng(1).integers(0, 2**64, size=20_000, dtype=np.uint64)

    def stored(compress: bool, **arrays: Any) -> int:
        store = Store(tmp_path, compress=compress)
        assert store.put("k", arrays, {})
        assert_same(store.get("k"), arrays, {})
        return only_file(tmp_path).stat().st_size

    assert stored(True, N=words(8192)) > 65_536  # 64 KiB exactly: as it is
    assert stored(True, N=words(8193)) < 65_544 / 2
    assert stored(False, N=words(8193)) > 65_544
    assert stored(True, noise=noise) > noise.nbytes
    assert noise.nbytes < stored(True, N=words(20_000), noise=noise) < 1.5 * noise.nbytes


def test_without_a_zstd_module_entries_are_kept_raw(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    array = {"N": words(20_000)}
    assert Store(tmp_path).put("with", array, {})

    def missing(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(store_module.importlib, "import_module", missing)
    store = Store(tmp_path)
    assert store.get("with") is None  # cannot be read here, but is not damaged
    assert store.put("without", array, {})
    assert_same(store.get("without"), array, {})
    monkeypatch.undo()
    assert_same(store.get("with"), array, {})
    assert_same(store.get("without"), array, {})


@pytest.mark.parametrize("kind", ["object", "text", "dates", "fields"])
def test_arrays_of_other_kinds_are_refused(tmp_path: Path, kind: str) -> None:
    array = {
        "object": np.array([{}, []], dtype=object),
        "text": np.array(["abc"]),
        "dates": np.array(["2020-01-01"], dtype="datetime64[D]"),
        "fields": np.zeros(2, dtype=[("a", "<i4")]),
    }[kind]
    with pytest.raises(TypeError, match="'odd' has dtype"):
        Store(tmp_path).put("k", {"odd": array}, {})
    assert files(tmp_path) == []


def test_meta_that_json_cannot_hold_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="JSON"):
        Store(tmp_path).put("k", {}, {"p": float("nan")})
    with pytest.raises(TypeError):
        Store(tmp_path).put("k", {}, {"p": {1, 2}})
    assert files(tmp_path) == []


def test_a_store_that_is_switched_off_keeps_and_finds_nothing(tmp_path: Path) -> None:
    assert Store(tmp_path).put("k", {"N": words(3)}, {})
    off = Store(tmp_path, enabled=False)
    assert off.get("k") is None
    assert "k" not in off
    assert off.put("j", {"N": words(3)}, {}) is False
    assert (off.keys(), off.size(), off.clear()) == ([], 0, 0)
    assert Store(tmp_path).keys() == ["k"]


def test_default_folder_is_in_the_cache_folder_and_made_by_the_first_put(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    platformdirs = pytest.importorskip("platformdirs")
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda name, **_: tmp_path / name)
    store = Store()
    assert store.folder == tmp_path / "fullpoint" / "solver"
    assert store.get("k") is None
    assert (store.keys(), store.size(), store.clear(), "k" in store) == ([], 0, 0, False)
    assert files(tmp_path) == []
    assert store.put("k", {}, {})
    assert len(files(store.folder)) == 1


def test_the_package_is_imported_without_numpy() -> None:
    script = "import sys, tablebases; print('numpy' in sys.modules)"
    root = MODULE.parents[2]
    answer = subprocess.run(
        [sys.executable, "-c", script], cwd=root, capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "False"


def test_size_and_clear_leave_foreign_files_alone(tmp_path: Path) -> None:
    store = Store(tmp_path)
    foreign = [tmp_path / "notes.txt", tmp_path / ("0" * 32 + ".slices"), tmp_path / "x.part"]
    for path in foreign:
        path.write_bytes(b"mine")
    left_over = tmp_path / f"{'a' * 32}.123-{'b' * 16}.part"
    left_over.write_bytes(b"half")
    for number in range(3):
        assert store.put(f"k{number}", {"N": words(64)}, {})
    assert store.put("big", {"N": words(1000)}, {})
    assert store.size() == 3 * BLOCK + 2 * BLOCK  # 512 bytes and 8000, each with a header
    assert sorted(store.keys()) == ["big", "k0", "k1", "k2"]
    assert store.clear() == 4
    assert files(tmp_path) == sorted(foreign)
    assert (store.keys(), store.size()) == ([], 0)


# --- damage ------------------------------------------------------------------------------------


@pytest.fixture(params=["raw", "compressed"])
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Any, Path, bytes]:
    """A store with one entry under "k", its file and what is in it."""
    if request.param == "compressed":
        pytest.importorskip("zstandard")
    store = Store(tmp_path)
    count = 40 if request.param == "raw" else 40_000
    arrays = {"N": words(count), "depth": np.arange(count, dtype=np.uint8)}
    assert store.put("k", arrays, {"plies": 31})
    path = only_file(tmp_path)
    return store, path, path.read_bytes()


FORMAT_FIELD = range(8, 12)


def test_a_changed_byte_anywhere_is_noticed(kept: tuple[Any, Path, bytes]) -> None:
    store, path, sound = kept
    chosen = random.Random(7)
    offsets = [*range(min(len(sound), 400)), *chosen.choices(range(len(sound)), k=400)]
    for offset in offsets:
        damaged = bytearray(sound)
        damaged[offset] ^= chosen.choice([0x01, 0x20, 0x80, 0xFF])
        path.write_bytes(damaged)
        assert store.get("k") is None, offset
        # In the FORMAT field a change looks like a file of another version, which is left.
        assert path.exists() == (offset in FORMAT_FIELD), offset
    path.write_bytes(sound)
    assert store.get("k").meta == {"plies": 31}


def test_a_stretch_of_zeros_or_of_other_data_is_noticed(kept: tuple[Any, Path, bytes]) -> None:
    store, path, sound = kept
    chosen = random.Random(8)
    for _ in range(100):
        start = chosen.randrange(12, len(sound) - 1)
        stretch = sound[start : start + chosen.randrange(1, 600)]
        for other in (bytes(len(stretch)), stretch[::-1], chosen.randbytes(len(stretch))):
            damaged = sound[:start] + other + sound[start + len(stretch) :]
            path.write_bytes(damaged)
            assert (store.get("k") is None) == (damaged != sound)


def test_a_file_cut_short_or_grown_is_noticed(kept: tuple[Any, Path, bytes]) -> None:
    store, path, sound = kept
    lengths = {*range(0, min(len(sound), 500), 3), *range(0, len(sound), len(sound) // 50)}
    for length in [*lengths, len(sound) - 1]:
        path.write_bytes(sound[:length])
        assert "k" not in store
        assert store.keys() == []
        assert store.get("k") is None
        assert not path.exists()
    for tail in (b"\0", sound):
        path.write_bytes(sound + tail)
        assert store.get("k") is None
        assert not path.exists()


@pytest.mark.parametrize("content", [b"", b"\0" * 5000, b"GIF89a" + b"x" * 99, b"\x89FPslic"])
def test_a_foreign_file_in_the_place_of_an_entry_is_removed(tmp_path: Path, content: bytes) -> None:
    store = Store(tmp_path)
    Path(store._path("k")).write_bytes(content)
    assert store.keys() == []
    assert store.get("k") is None
    assert files(tmp_path) == []


def test_a_folder_in_the_place_of_an_entry_does_no_harm(tmp_path: Path) -> None:
    store = Store(tmp_path)
    Path(store._path("k")).mkdir()
    assert store.get("k") is None
    assert store.put("k", {"N": words(3)}, {}) is False
    assert (store.keys(), store.size(), store.clear()) == ([], 0, 0)
    assert [path.is_dir() for path in files(tmp_path)] == [True]


def test_another_format_is_a_miss_left_until_it_is_put_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(tmp_path)
    monkeypatch.setattr(store_module, "FORMAT", store_module.FORMAT + 1)
    assert store.put("k", {"N": words(5)}, {})
    newer = only_file(tmp_path).read_bytes()
    monkeypatch.undo()
    assert store.get("k") is None
    assert "k" not in store
    assert store.keys() == []
    assert only_file(tmp_path).read_bytes() == newer
    assert store.put("k", {"N": words(6)}, {})
    assert_same(store.get("k"), {"N": words(6)}, {})


def test_another_key_in_the_place_of_an_entry_is_a_miss(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert store.put("one", {"N": words(5)}, {})
    os.replace(store._path("one"), store._path("two"))
    assert store.get("two") is None
    assert "two" not in store
    assert store.put("two", {"N": words(6)}, {})
    assert_same(store.get("two"), {"N": words(6)}, {})


@pytest.mark.parametrize(
    "change",
    [
        {"dtype": "|O"},
        {"dtype": "<U4"},
        {"shape": [6]},
        {"shape": [-5]},
        {"shape": [2**62, 2**62]},
        {"shape": "5"},
        {"coding": "zstd"},
        {"coding": "other"},
        {"stored": 39},
    ],
)
def test_a_false_header_with_a_right_digest_is_noticed(
    tmp_path: Path, change: dict[str, Any]
) -> None:
    """Made by hand: no accident leads here, but no such file may reach the caller either."""
    store = Store(tmp_path)
    assert store.put("k", {"N": words(5)}, {})
    path = only_file(tmp_path)
    content = path.read_bytes()
    length = struct.unpack_from("<I", content, 12)[0]
    header, body = json.loads(content[40 : 40 + length]), content[40 + length :]

    def write() -> None:
        text = json.dumps(header).encode()
        front = struct.pack(
            "<8sIIQ", content[:8], store_module.FORMAT, len(text), 40 + len(text) + len(body)
        )
        path.write_bytes(front + store_module._digest(front, text) + text + body)

    write()
    assert_same(store.get("k"), {"N": words(5)}, {})  # the way of making it is right
    names = ["name", "dtype", "shape", "coding", "stored"]
    for name, value in change.items():
        header["arrays"][0][names.index(name)] = value
    write()
    assert store.get("k") is None
    assert not path.exists()


@pytest.mark.parametrize("module", ["zstandard", "compression.zstd"])
def test_either_zstd_module_gives_the_array_or_notices(
    monkeypatch: pytest.MonkeyPatch, module: str
) -> None:
    """Both write the same format (RFC 8878), so either reads what the other wrote."""
    found = (module, pytest.importorskip(module))
    monkeypatch.setattr(store_module, "_zstd", lambda: found)
    array = words(1000)
    squeezed = np.frombuffer(store_module._compressor()(array.tobytes()), np.uint8)

    def expand(count: int, stored: Any) -> Any:
        part = store_module._Part("N", "<u8", (count,), "zstd", len(stored))
        return store_module._expand(part, stored)

    assert np.array_equal(expand(1000, squeezed), array)
    garbage = np.frombuffer(b"no zstd frame at all", np.uint8)
    for count, stored in ((999, squeezed), (1001, squeezed), (1000, garbage)):
        with pytest.raises(store_module._DamagedError):
            expand(count, stored)


# --- the limit ---------------------------------------------------------------------------------


def test_what_was_used_longest_ago_makes_way(tmp_path: Path) -> None:
    store = Store(tmp_path, limit=8 * BLOCK)
    for number in range(8):
        assert store.put(f"k{number}", {"N": words(64)}, {})
        set_used(store, f"k{number}", 1000 - number)
    assert store.size() == 8 * BLOCK
    assert store.get("k0") is not None  # now the one used last
    assert store.put("new", {"N": words(64)}, {})
    # Down to seven eighths of the limit, the new one included.
    assert sorted(store.keys()) == ["k0", "k3", "k4", "k5", "k6", "k7", "new"]


def test_the_limit_holds_after_every_put(tmp_path: Path) -> None:
    chosen = random.Random(3)
    limit = 40 * BLOCK
    store = Store(tmp_path, limit=limit)
    most = 0
    for number in range(300):
        count = chosen.choice([10, 64, 1500, 9000])
        array = {"N": chosen.randrange(2**62) + words(count)}
        key = f"k{chosen.randrange(60)}"
        assert store.put(key, array, {"number": number})
        assert_same(store.get(key), array, {"number": number})
        on_disk = sum(-(-path.stat().st_size // BLOCK) * BLOCK for path in files(tmp_path))
        assert store.size() == on_disk <= limit
        most = max(most, on_disk)
    assert most > limit * 3 // 4  # and the room is used


def test_putting_an_entry_anew_drives_no_other_out(tmp_path: Path) -> None:
    store = Store(tmp_path, limit=8 * BLOCK)
    assert store.put("old", {"N": words(64)}, {})
    set_used(store, "old", 1000)
    for turn in range(20):
        assert store.put("k", {"N": words(2500)}, {"turn": turn})  # 20 kB, five blocks
    assert sorted(store.keys()) == ["k", "old"]


def test_an_entry_larger_than_the_limit_is_not_kept(tmp_path: Path) -> None:
    store = Store(tmp_path, limit=3 * BLOCK)
    assert store.put("small", {"N": words(64)}, {})
    assert store.put("k", {"N": words(1600)}, {}) is False
    assert store.keys() == ["small"]
    assert store.put("k", {"N": words(1450)}, {})  # 11,600 bytes and the header: all there is
    assert store.keys() == ["k"]
    for limit in (0, BLOCK - 1):
        assert Store(tmp_path / "none", limit=limit).put("k", {"N": words(1)}, {}) is False
    assert not (tmp_path / "none").exists()


def test_what_another_process_put_counts_towards_the_limit(tmp_path: Path) -> None:
    first = Store(tmp_path, limit=16 * BLOCK)
    second = Store(tmp_path, limit=16 * BLOCK)
    for number in range(40):
        for name, store in (("a", first), ("b", second)):
            assert store.put(f"{name}{number}", {"N": words(64)}, {})
    assert first.size() <= 16 * BLOCK


def test_removal_by_others_during_a_look_is_no_matter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(tmp_path, limit=4 * BLOCK)
    for number in range(4):
        assert store.put(f"k{number}", {"N": words(64)}, {})
    real = os.unlink

    def twice(path: str) -> None:
        real(path)
        real(path)  # FileNotFoundError, as if another process had been first

    monkeypatch.setattr(store_module.os, "unlink", twice)
    assert store.put("new", {"N": words(64)}, {})
    monkeypatch.undo()
    assert "new" in store
    assert store.size() <= 4 * BLOCK


def test_left_over_parts_are_swept_after_an_hour(tmp_path: Path) -> None:
    old = tmp_path / f"{'a' * 32}.123-{'b' * 16}.part"
    young = tmp_path / f"{'a' * 32}.124-{'b' * 16}.part"
    foreign = tmp_path / "letter.part"
    now = time.time()
    for path, age in ((old, 3700), (young, 3500), (foreign, 90_000)):
        path.write_bytes(b"half")
        os.utime(path, (now - age, now - age))
    assert Store(tmp_path).put("k", {}, {})
    assert not old.exists()
    assert young.exists()
    assert foreign.exists()


# --- where nothing can be written --------------------------------------------------------------


@needs_fork
def test_a_read_only_folder_can_be_read_but_not_written(tmp_path: Path) -> None:
    folder = tmp_path / "fixed"
    assert Store(folder).put("k", {"N": words(64)}, {})
    before = only_file(folder).read_bytes()
    folder.chmod(0o555)
    try:
        # Root may write anywhere, so the child gives that right up; it stands in the folder
        # because the way to it may be closed to others.
        answer = run_child(
            """
            os.chdir(sys.argv[2])
            if os.geteuid() == 0:
                os.setuid(65534)
            kept = store.Store(store.Path("."))
            print(kept.put("new", {}, {}), kept.put("k", {}, {}), "k" in kept,
                  int(kept.get("k").arrays["N"].sum()), kept.clear())
            """,
            folder,
        )
    finally:
        folder.chmod(0o755)
    assert answer == f"False False True {words(64).sum()} 0"
    assert only_file(folder).read_bytes() == before


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    store = Store(tmp_path / "file" / "solver")
    assert store.put("k", {"N": words(3)}, {}) is False
    assert store.get("k") is None
    assert (store.keys(), store.size(), store.clear()) == ([], 0, 0)


@pytest.mark.parametrize("fails_at", ["open", "first write", "fourth write", "close", "replace"])
def test_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: str) -> None:
    store = Store(tmp_path)
    assert store.put("k", {"N": words(9)}, {"turn": 1})
    full = OSError(errno.ENOSPC, "No space left on device")

    class Full:
        """A file of which only so many pieces fit."""

        def __init__(self, path: str, mode: str) -> None:
            if fails_at == "open":
                raise full
            self.handle = builtins.open(path, mode)  # noqa: SIM115
            self.pieces = {"first write": 0, "fourth write": 3}.get(fails_at, 99)

        def __enter__(self) -> Full:
            return self

        def __exit__(self, *_: object) -> None:
            self.handle.close()
            if fails_at == "close":
                raise full

        def write(self, data: Any) -> int:
            if self.pieces == 0:
                self.handle.write(data[: len(data) // 2])
                raise full
            self.pieces -= 1
            return self.handle.write(data)

    def no_replace(*_: str) -> None:
        raise full

    monkeypatch.setattr(folders, "open", Full, raising=False)
    if fails_at == "replace":
        monkeypatch.setattr(store_module.os, "replace", no_replace)
    assert store.put("k", {"N": words(50)}, {"turn": 2}) is False
    assert store.put("new", {"N": words(50)}, {}) is False
    monkeypatch.undo()
    assert len(files(tmp_path)) == 1
    assert_same(store.get("k"), {"N": words(9)}, {"turn": 1})


@needs_fork
def test_a_real_limit_of_the_system_on_file_lengths(tmp_path: Path) -> None:
    answer = run_child(
        """
        import resource, signal
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
        kept = store.Store(store.Path(sys.argv[2]), compress=False)
        print(kept.put("small", {"N": np.zeros(9000, np.uint64)}, {}),
              kept.put("large", {"N": np.zeros(90000, np.uint64)}, {}), kept.keys())
        """,
        tmp_path,
    )
    assert answer == "True False ['small']"
    assert len(files(tmp_path)) == 1


def test_an_interrupted_write_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(store_module.os, "replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        Store(tmp_path).put("k", {"N": words(3)}, {})
    assert files(tmp_path) == []


# --- several processes, and their sudden death -------------------------------------------------


def test_processes_that_write_and_read_the_same_keys_at_once(tmp_path: Path) -> None:
    script = """
    import io, random, time

    class Slow(io.BufferedWriter):
        # So that others look while a file is half written.
        def write(self, data):
            count = super().write(data)
            self.flush()
            time.sleep(0.001)
            return count

    store.open = lambda path, mode: (
        open(path, mode) if mode == "rb" else Slow(io.FileIO(path, mode))
    )
    chosen = random.Random(int(sys.argv[3]))
    # Few and large, so that they meet; the limit holds two or three of them uncompressed.
    entries = [(key, turn, arrays_of(key, turn)) for key in (5, 6, 7) for turn in (1, 2)]
    folder, compress = store.Path(sys.argv[2]), sys.argv[3] == "0"
    kept = store.Store(folder, limit=3_000_000, compress=compress)
    print("ready", flush=True)
    sys.stdin.readline()
    until = time.monotonic() + 0.8
    hits = wrong = lost = torn = 0
    read = store._read

    def counted(*arguments):
        global torn
        try:
            return read(*arguments)
        except store._DamagedError:
            torn += 1
            raise

    store._read = counted
    while time.monotonic() < until:
        key, turn, arrays = chosen.choice(entries)
        if chosen.random() < 0.5:
            lost += not kept.put(f"k{key}", arrays, {"turn": turn, "key": key})
        else:
            entry = kept.get(f"k{key}")
            if entry is not None:
                hits += 1
                wrong += not right(entry, key)
    print(hits, wrong, lost, torn, flush=True)
    """
    children = [child(script, tmp_path, number) for number in range(3)]
    for process in children:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in children:
        print("go", file=process.stdin, flush=True)
    counts = [process.communicate(timeout=60)[0].split() for process in children]
    for hits, wrong, lost, torn in counts:
        assert int(hits) > 0
        assert (wrong, lost, torn) == ("0", "0", "0")
    assert not list(tmp_path.glob("*.part"))
    readable = sorted(Store(tmp_path).keys())
    assert len(readable) == len(files(tmp_path)) > 0


# Writers are forked off a process that has everything imported, so that a death costs no start.
NURSERY = """
import random
folder, seed = store.Path(sys.argv[2]), int(sys.argv[3])
store.Store(folder).put("warm", arrays_of(7, 0), {"turn": 0, "key": 7})  # imports zstd
print("ready", flush=True)
for line in sys.stdin:
    pid = os.fork()
    if pid == 0:
        chosen = random.Random(f"{seed} {line}")
        kept = store.Store(folder, limit=2_500_000, compress=chosen.random() < 0.5)
        while True:
            key, turn = chosen.randrange(12), chosen.randrange(500)
            kept.put(f"k{key}", arrays_of(key, turn), {"turn": turn, "key": key})
    print(pid, flush=True)
    print(os.WTERMSIG(os.waitpid(pid, 0)[1]), flush=True)
"""


@contextmanager
def nursery(folder: Path, seed: int) -> Iterator[subprocess.Popen[str]]:
    process = child(NURSERY, folder, seed)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield process
    finally:
        process.communicate(timeout=60)  # closes its input, and so ends it


def kill_writers(folder: Path, kills: int, seed: int) -> tuple[int, int]:
    """Kill so many writers at random moments.

    After each kill every file in the place of an entry must be read, and be right.

    Returns:
        how many entries were looked at, and how many writers died in the middle of a file.
    """
    names: dict[str, Any] = {}
    exec(PRELUDE.split("import numpy as np", 1)[1], {"np": np}, names)
    arrays_of, chosen = names["arrays_of"], random.Random(seed)
    looked = halves = 0
    with nursery(folder, seed) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for number in range(kills):
            print(number, file=process.stdin, flush=True)
            writer = int(process.stdout.readline())
            time.sleep(chosen.uniform(0.0, 0.04))
            os.kill(writer, signal.SIGKILL)
            assert int(process.stdout.readline()) == signal.SIGKILL
            halves += len(list(folder.glob("*.part")))
            for part in folder.glob("*.part"):
                part.unlink()
            store = Store(folder)
            present = {path.name for path in files(folder)}
            for key in range(12):
                name = Path(store._path(f"k{key}")).name
                entry = store.get(f"k{key}")
                if entry is None:
                    assert name not in present  # no torn file, not even one that is noticed
                    continue
                present.remove(name)
                looked += 1
                wanted = arrays_of(key, entry.meta["turn"])
                assert_same(entry, wanted, {"turn": entry.meta["turn"], "key": key})
            assert present <= {Path(store._path("warm")).name}
    return looked, halves


@needs_fork
def test_sudden_death_of_writers(tmp_path: Path) -> None:
    looked, _ = kill_writers(tmp_path, kills=15, seed=11)
    assert looked > 15


@needs_fork
@pytest.mark.slow
def test_sudden_death_of_two_hundred_writers(tmp_path: Path) -> None:
    looked, halves = kill_writers(tmp_path, kills=200, seed=12)
    assert looked > 200
    assert halves > 0  # some died in the middle of a file: what this is about
