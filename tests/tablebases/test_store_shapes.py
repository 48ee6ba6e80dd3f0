"""What a store holds is looked at before compiled code sees it: an entry of another shape than its
key says counts as absent, and is replaced, however right its digest."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import chess
import numpy as np
import pytest

from convert.cli import main
from convert.judging.bench import made_classes
from tablebases import Outcome
from tablebases.solver import Budget, Store, solve
from tablebases.solver import store as store_module
from tablebases.solver.entries import read_slice, store_key
from tablebases.solver.prober import SolverProber
from tablebases.solver.sets import locate

ROOK_KNIGHT = chess.Board("8/8/4k3/4n3/8/4K3/8/R7 w - - 0 1")
PAWN = chess.Board("8/8/8/4k3/8/4K3/4P3/8 w - - 0 1")
BUDGET = Budget(seconds=60.0)

Arrays = dict[str, Any]
Change = Callable[[Arrays, dict[str, Any]], None]


def fewer_blocks(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["candidates"] = arrays["candidates"][:3]
    arrays["open"] = arrays["open"][:3]


def more_blocks(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["open"] = np.vstack([arrays["open"]] * 2)


def no_blocks(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["candidates"] = np.zeros((0, 64), np.uint64)
    arrays["open"] = np.zeros((0, 64), np.uint64)


def narrow(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["candidates"] = np.ascontiguousarray(arrays["candidates"][:, :1])


def flat(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["open"] = arrays["open"].reshape(-1)


def turned(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["open"] = np.ascontiguousarray(arrays["open"].T)


def signed(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["open"] = arrays["open"].astype(np.int64)


def small(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["candidates"] = arrays["candidates"].astype(np.uint32)


def floats(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["candidates"] = arrays["candidates"].astype(np.float64)


def one_missing(arrays: Arrays, _: dict[str, Any]) -> None:
    del arrays["open"]


def half_late(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["late_open"] = arrays["open"]


def late_of_other_size(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["late_open"] = arrays["open"][:1]
    arrays["late_candidates"] = arrays["candidates"]


def another(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["more"] = arrays["open"]


def codes_of_another(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["codes"] = arrays["codes"][::-1].copy()


def codes_out_of_range(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["codes"] = np.full(4, 1 << 40, np.int64)


def codes_negative(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["codes"] = np.full(4, -77, np.int64)


def few_codes(arrays: Arrays, _: dict[str, Any]) -> None:
    arrays["codes"] = arrays["codes"][:1]


def fact(name: str, value: Any) -> Change:
    def change(_: Arrays, meta: dict[str, Any]) -> None:
        if value is None:
            del meta[name]
        else:
            meta[name] = value

    change.__name__ = f"{name} {value!r}"
    return change


CHANGES = [
    fewer_blocks,
    more_blocks,
    no_blocks,
    narrow,
    flat,
    turned,
    signed,
    small,
    floats,
    one_missing,
    half_late,
    late_of_other_size,
    another,
    codes_of_another,
    codes_out_of_range,
    codes_negative,
    few_codes,
    *(fact("pieces", value) for value in (0, 1, 3, 4, -1, 10**9, "2", 2.0, True, [2], {}, None)),
    *(fact("symmetric", value) for value in (False, 1, "yes", [], None)),
    *(fact("solved", value) for value in (True, 0, "no", None)),
    *(fact("complete", value) for value in (1, "yes", [], None)),
    *(fact("whole", value) for value in (False, 1, None)),
    *(fact("slow_unknown", value) for value in (True, 0, None)),
    fact("surplus", 1),
]


def keys_in(store: Store) -> list[str]:
    """Those of slices; what is noted about the steps of a question is no slice."""
    return sorted(key for key in store.keys() if "| notes |" not in key)  # noqa: SIM118


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_an_entry_of_another_shape_is_absent_and_replaced(tmp_path: Path, change: Change) -> None:
    store = Store(tmp_path)
    right = solve(ROOK_KNIGHT, BUDGET, store=store).interval(ROOK_KNIGHT)
    assert right == (Outcome.DRAW, Outcome.DRAW)
    keys = keys_in(store)
    assert store_key(None, locate(ROOK_KNIGHT)[0]) in keys
    entries = {key: store.get(key) for key in keys}
    for key, entry in entries.items():
        assert entry is not None
        arrays, meta = dict(entry.arrays), dict(entry.meta)
        change(arrays, meta)
        if arrays.keys() == entry.arrays.keys() and repr(meta) == repr(entry.meta):
            assert any(
                not np.array_equal(arrays[n], entry.arrays[n])
                or arrays[n].dtype != entry.arrays[n].dtype
                for n in arrays
            )
        assert store.put(key, arrays, meta)
    again = solve(ROOK_KNIGHT, BUDGET, store=store)
    assert again.interval(ROOK_KNIGHT) == right
    assert again.cost.from_store == 0
    # What was spoilt is there again as it was.
    for key in keys:
        entry, fresh = entries[key], store.get(key)
        assert entry is not None
        assert fresh is not None
        assert fresh.meta == entry.meta
        assert fresh.arrays.keys() == entry.arrays.keys()
        for name, array in entry.arrays.items():
            assert np.array_equal(fresh.arrays[name], array)
    assert solve(ROOK_KNIGHT, BUDGET, store=store).cost.from_store > 0


def test_an_entry_under_another_key_is_absent(tmp_path: Path) -> None:
    """Sound in itself, but of other pieces: rook and knight under the key of rook and bishop."""
    store = Store(tmp_path)
    solve(ROOK_KNIGHT, BUDGET, store=store)
    board = chess.Board("8/8/4k3/4b3/8/4K3/8/R7 w - - 0 1")
    entry = store.get(store_key(None, locate(ROOK_KNIGHT)[0]))
    assert entry is not None
    key = locate(board)[0]
    assert store.put(store_key(None, key), entry.arrays, entry.meta)
    assert read_slice(store, None, key) is None
    assert store_key(None, key) not in store


def test_the_prober_does_without_a_spoilt_entry(tmp_path: Path) -> None:
    store = Store(tmp_path)
    solve(ROOK_KNIGHT, BUDGET, store=store)
    assert SolverProber(store).outcome(ROOK_KNIGHT).low is Outcome.DRAW
    name = store_key(None, locate(ROOK_KNIGHT)[0])
    entry = store.get(name)
    assert entry is not None
    store.put(name, {**entry.arrays, "open": entry.arrays["open"][:2]}, entry.meta)
    prober = SolverProber(store)
    assert prober.outcome_or_none(ROOK_KNIGHT) is None
    assert not prober.covers(ROOK_KNIGHT)


# --- headers with right digests ------------------------------------------------------------------


def forge(store: Store, key: str, header: bytes, body: bytes) -> None:
    whole = store_module._FRONT.size + store_module._DIGEST + len(header) + len(body)
    front = store_module._FRONT.pack(store_module._MAGIC, store_module.FORMAT, len(header), whole)
    store.folder.mkdir(exist_ok=True)
    Path(store._path(key)).write_bytes(front + store_module._digest(front, header) + header + body)


def header_of(arrays: Any, **changes: Any) -> bytes:
    facts = {"key": "k", "meta": {}, "body": store_module._digest(BODY).hex(), "arrays": arrays}
    return json.dumps({**facts, **changes}).encode()


BODY = bytes(64)


@pytest.mark.parametrize(
    ("arrays", "changes"),
    [
        ([["a", "<u8", [1] * 100, "raw", 8]], {}),
        ([["a", ["<u8"], [8], "raw", 64]], {}),
        ([["a", {}, [8], "raw", 64]], {}),
        ([[["a"], "<u8", [8], "raw", 64]], {}),
        ([[1, "<u8", [8], "raw", 64]], {}),
        ([["a", "<u8", [8], [], 64]], {}),
        ([["a", "<u8", [8], "raw", "64"]], {}),
        ([["a", "<u8", [8.0], "raw", 64]], {}),
        ([["a", "<u8", [True], "raw", 64]], {}),
        ([["a", "<u8", [-8], "raw", 64]], {}),
        ([["a", "<u8", [10**30], "zstd", 64]], {}),
        ([["a", "<u8", [2**61], "zstd", 64]], {}),
        ([["a", "<u8", [2**40, 2**40], "zstd", 64]], {}),
        ([["a", "<u8", "88", "raw", 64]], {}),
        ([["a", "<u8", [4], "raw", 32], ["a", "<u8", [4], "raw", 32]], {}),
        ([["a", "|O8", [8], "raw", 64]], {}),
        ({"a": 1}, {}),
        (None, {}),
        ([], {"meta": []}),
        ([["a", "<u8", [8], "raw", 64]], {"meta": [1]}),
        ([["a", "<u8", [8], "raw", 64]], {"meta": "x"}),
        ([["a", "<u8", [8], "raw", 64]], {"body": 1}),
        ([["a", "<u8", [8], "raw", 64]], {"key": ["k"]}),
    ],
)
def test_odd_headers_are_absent(tmp_path: Path, arrays: Any, changes: dict[str, Any]) -> None:
    store = Store(tmp_path)
    forge(store, "k", header_of(arrays, **changes), BODY)
    assert store.get("k") is None
    assert store.put("k", {"a": np.arange(3)}, {})
    assert store.get("k") is not None


def test_a_header_nested_without_end_is_absent(tmp_path: Path) -> None:
    store = Store(tmp_path)
    forge(store, "k", b"[" * 200_000, b"")
    assert store.get("k") is None
    assert store.keys() == []


def test_the_forger_can_make_a_sound_entry(tmp_path: Path) -> None:
    """Else the tests above would show nothing."""
    store = Store(tmp_path)
    forge(store, "k", header_of([["a", "<u8", [8], "raw", 64]]), BODY)
    entry = store.get("k")
    assert entry is not None
    assert entry.arrays["a"].tolist() == [0] * 8


# --- facts about classes -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        '{"name": "KRvK", "positions": NaN, "plies": 31, "seconds": 1, "bytes": 1}',
        '{"name": "KRvK", "positions": 1, "plies": 31, "seconds": 1, "bytes": NaN}',
        '{"name": "KRvK", "positions": 1, "plies": 31, "seconds": Infinity, "bytes": 1}',
        '{"name": "KRvK", "positions": 1, "plies": 31, "seconds": 1, "bytes": -1}',
        '{"name": "KRvK", "positions": 1, "plies": 31, "seconds": 1, "bytes": 1e999}',
        '{"name": "KRvK", "positions": 1, "plies": 31, "seconds": 1, "bytes": 1' + "0" * 400 + "}",
        '{"name": "KRvK", "positions": 1, "plies": 31, "seconds": 1, "bytes": [1]}',
        '{"name": "KRvK", "positions": 1, "plies": 31, "seconds": 1}',
        '{"name": ["KRvK"], "positions": 1, "plies": 31, "seconds": 1, "bytes": 1}',
        "[" * 100_000,
        "null",
        "\x00",
        "",
    ],
)
def test_spoilt_facts_count_as_absent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *_, **__: tmp_path)
    (tmp_path / "classes").mkdir()
    (tmp_path / "classes" / "KRvK.json").write_text(text, encoding="utf-8")
    assert made_classes() == {}
    with pytest.raises(SystemExit) as left:
        main(["tables"])
    assert not left.value.code
    assert "made by the solver" not in capsys.readouterr().out


def test_facts_of_no_class_count_as_absent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *_, **__: tmp_path)
    (tmp_path / "classes").mkdir()
    facts = '{"name": "%s", "positions": 1, "plies": 31, "seconds": 1, "bytes": 1}'
    for name in ("KXvKY", "KRvK", "KRvK\u202e"):
        path = tmp_path / "classes" / f"{name}.json"
        path.write_text(facts % name, encoding="utf-8")
    assert list(made_classes()) == ["KRvK"]
