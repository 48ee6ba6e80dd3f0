"""Finding and checking table files; the files shipped with the package."""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import chess
import chess.syzygy
import pytest

from tablebases import (
    DamagedTable,
    ForeignFile,
    NoSuchFolder,
    all_names,
    bundled_folder,
    check_folder,
    find_tables,
    missing_for,
)
from tablebases.files import fault, needed_files

MakeFolder = Callable[..., Path]


def problem_of(folder: Path, name: str) -> str | None:
    return next(result.problem for result in check_folder(folder) if result.path.name == name)


def test_bundled_tables_are_all_material_with_three_and_four_men() -> None:
    tables = find_tables()
    assert len(tables) == 70
    for metric in ("wdl", "dtz"):
        assert {table.material for table in tables if table.metric == metric} == set(all_names(4))
    assert {table.origin for table in tables} == {"bundled"}
    # 4,346,656 bytes: as in the source archive that SOURCES.md names.
    assert sum(table.bytes for table in tables) == 4_346_656


def test_bundled_tables_are_sound() -> None:
    results = check_folder(bundled_folder())
    assert len(results) == 70
    assert [result for result in results if not result.ok] == []


def test_bundled_sums_are_in_the_format_of_sha256sum() -> None:
    lines = (bundled_folder() / "SHA256SUMS").read_text(encoding="ascii").splitlines()
    assert len(lines) == 70
    for line in lines:
        match = re.fullmatch(r"([0-9a-f]{64})  (K\w+vK\w*\.rtb[wz])", line)
        assert match
        data = (bundled_folder() / match[2]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == match[1]


def test_bundled_sources_name_archive_origin_and_size() -> None:
    text = (bundled_folder() / "SOURCES.md").read_text(encoding="utf-8")
    total = sum(table.bytes for table in find_tables())
    for fact in ("1.11.2", "data/syzygy/regular", "Ronald de Man", f"{total:,} bytes", "35 win"):
        assert fact in text
    assert "HTTP: http://tablebase.sesse.net/syzygy/" in text  # the archive's SOURCE.txt
    others = {path.name for path in bundled_folder().iterdir() if ".rtb" not in path.name}
    assert others == {"SOURCES.md", "SHA256SUMS"}


def test_magic_numbers_are_those_of_python_chess(folder_with: MakeFolder) -> None:
    for name, magic in (
        ("KQvK.rtbw", chess.Board.tbw_magic),
        ("KQvK.rtbz", chess.Board.tbz_magic),
    ):
        path = folder_with(name) / name
        assert path.read_bytes()[:4] == magic
        assert fault(path) is None


def test_bundled_tables_come_first_folders_once(folder_with: MakeFolder, tmp_path: Path) -> None:
    mine = folder_with("KRvK.rtbw", "KQvK.rtbw", called="mine")
    other = folder_with("KQvK.rtbw", called="other")
    (mine / "readme.txt").write_text("not a table")
    (mine / "KvKQ.rtbw").write_bytes(b"not looked for under this name")
    (mine / "KBvK.rtbw").mkdir()
    found = find_tables([mine, str(other), mine / "..", mine, bundled_folder()])
    assert [table.origin for table in found[:70]] == ["bundled"] * 70
    places = [(table.material, table.path.parent, table.origin) for table in found[70:]]
    assert places == [("KQvK", mine, "user"), ("KRvK", mine, "user"), ("KQvK", other, "user")]
    assert len(find_tables([mine], bundled=False)) == 2
    assert find_tables([tmp_path], bundled=False) == []


def test_no_such_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere", Path(__file__)):
        for function in (lambda p: find_tables([p]), check_folder):
            with pytest.raises(NoSuchFolder) as info:
                function(path)
            assert info.value.path == path
            assert str(info.value) == f"no such folder: {path}"


@pytest.mark.parametrize(
    ("name", "change", "kind", "problem"),
    [
        (
            "KQvK.rtbw",
            lambda data: data[:200],
            DamagedTable,
            "cut short or changed: 200 bytes are not 16 more than a multiple of 64",
        ),
        ("KQvK.rtbw", lambda data: data[:3], ForeignFile, "not a Syzygy table"),
        ("KQvK.rtbw", lambda data: data[:16][:4] + b"", DamagedTable, "4 bytes are not 16"),
        ("KQvK.rtbw", lambda data: b"", DamagedTable, "empty file"),
        ("KQvK.rtbz", lambda data: b"PK\3\4" + data[4:], ForeignFile, "wrong magic number"),
        (
            "KQvK.rtbw",
            lambda data: (bundled_folder() / "KQvK.rtbz").read_bytes(),
            ForeignFile,
            "holds a DTZ table, not a WDL table",
        ),
        (
            "KQvK.rtbz",
            lambda data: (bundled_folder() / "KRvK.rtbz").read_bytes(),
            ForeignFile,
            "holds KRvK, not KQvK",
        ),
        (
            "KQvKP.rtbw",
            lambda data: (bundled_folder() / "KRvKP.rtbw").read_bytes(),
            ForeignFile,
            "holds KRvKP, not KQvKP",
        ),
        (
            "KPvKP.rtbw",
            lambda data: data[:7] + bytes(9) + data[16:],
            DamagedTable,
            "the list of men in the file is broken",
        ),
        (  # the men for the other side to move: python-chess would search without end
            "KQvK.rtbw",
            lambda data: data[:7] + bytes([data[7] ^ 0x10]) + data[8:],
            DamagedTable,
            "the lists of men in the file differ",
        ),
        (  # the men for the d-file
            "KPvKP.rtbz",
            lambda data: data[:25] + bytes([data[25] ^ 0x02]) + data[26:],
            DamagedTable,
            "the lists of men in the file differ",
        ),
    ],
)
def test_faults_seen_from_outside(
    folder_with: MakeFolder,
    name: str,
    change: Callable[[bytes], bytes],
    kind: type[DamagedTable | ForeignFile],
    problem: str,
) -> None:
    path = folder_with(name) / name
    path.write_bytes(change(path.read_bytes()))
    error = fault(path)
    assert type(error) is kind
    assert error is not None
    assert problem in error.reason
    assert str(error) == f"{path}: {error.reason}"
    assert problem_of(path.parent, name) == error.reason


def test_every_bundled_file_lists_the_men_of_its_name() -> None:
    assert [error for table in find_tables() if (error := fault(table.path))] == []


def test_unreadable_file(tmp_path: Path) -> None:
    path = tmp_path / "KQvK.rtbw"
    error = fault(path)
    assert isinstance(error, DamagedTable)
    assert "cannot be read (No such file" in error.reason


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("KQK.rtbw", "KQK is not the name of a table"),
        ("KvK.rtbw", "KvK is not the name of a table"),
        ("KvKQ.rtbz", "KvKQ is looked for under the name KQvK"),
        ("KQQQQvKQQ.rtbw", "KQQQQvKQQ has 8 men; tables go up to 7"),
    ],
)
def test_names(folder_with: MakeFolder, name: str, problem: str) -> None:
    folder = folder_with("KQvK.rtbw")
    shutil.copy(folder / "KQvK.rtbw", folder / name)
    assert problem_of(folder, name) == problem
    assert problem_of(folder, "KQvK.rtbw") is None


def test_checksums(folder_with: MakeFolder) -> None:
    folder = folder_with("KQvK.rtbw", "KRvK.rtbw", "KRvK.rtbz", "SHA256SUMS")
    lines = (folder / "SHA256SUMS").read_text().splitlines(keepends=True)
    kept = [line for line in lines if re.search(r"  (KQvK\.|KRvK\.rtbw|KBvK\.rtbw)", line)]
    (folder / "SHA256SUMS").write_text("".join(kept).replace("  KQvK.rtbw", " *KQvK.rtbw"))
    data = bytearray((folder / "KRvK.rtbw").read_bytes())
    data[150] ^= 1  # inside the compressed part: only the checksum can tell
    (folder / "KRvK.rtbw").write_bytes(data)
    assert {result.path.name: result.problem for result in check_folder(folder)} == {
        "KBvK.rtbw": "listed in SHA256SUMS but missing",
        "KQvK.rtbw": None,
        "KQvK.rtbz": "listed in SHA256SUMS but missing",
        "KRvK.rtbw": "checksum differs from the one in SHA256SUMS",
        "KRvK.rtbz": None,
    }
    results = {result.path.name: result for result in check_folder(folder)}
    assert all(result.ok == (result.problem is None) for result in results.values())
    assert results["KQvK.rtbw"].verified == ("sum in SHA256SUMS",)
    # Not on the list, so by what it says itself.
    assert results["KRvK.rtbz"].verified == ("sum at its end", "equal to the built-in table")


@pytest.mark.parametrize("algorithm", ["md5", "sha1", "sha512"])
def test_other_lists_of_sums(folder_with: MakeFolder, algorithm: str) -> None:
    folder = folder_with("KQvK.rtbw", "KRvK.rtbw")
    name = f"{algorithm.upper()}SUMS"
    lines = [
        f"{hashlib.new(algorithm, path.read_bytes()).hexdigest()}  {path.name}\n"
        for path in sorted(folder.iterdir())
    ]
    (folder / name).write_text("".join(lines))
    assert {result.verified for result in check_folder(folder)} == {(f"sum in {name}",)}
    data = bytearray((folder / "KRvK.rtbw").read_bytes())
    data[150] ^= 1
    (folder / "KRvK.rtbw").write_bytes(data)
    assert problem_of(folder, "KRvK.rtbw") == f"checksum differs from the one in {name}"
    assert problem_of(folder, "KQvK.rtbw") is None


def test_list_of_sums_in_another_encoding(folder_with: MakeFolder) -> None:
    folder = folder_with("KQvK.rtbw")
    (folder / "SHA256SUMS").write_bytes(b"0" * 64 + "  Türme.rtbw\n".encode("latin-1"))
    assert [result.problem for result in check_folder(folder)] == [
        None,
        "listed in SHA256SUMS but missing",
    ]


@pytest.mark.parametrize("line", ["not a list", "abc  KQvK.rtbw", "0" * 64 + "  ../KQvK.rtbw"])
def test_broken_list_of_checksums(folder_with: MakeFolder, line: str) -> None:
    folder = folder_with("KQvK.rtbw")
    (folder / "SHA256SUMS").write_text(f"{line}\n")
    with pytest.raises(ForeignFile, match="line 1 is not in the format of sha256sum"):
        check_folder(folder)


def test_files_needed_for_rook_and_pawn_against_knight() -> None:
    needed = needed_files("KRPvKN")
    assert needed[:2] == (("KRPvKN", "wdl"), ("KRPvKN", "dtz"))
    names = {name for name, metric in needed[2:]}
    assert {metric for _, metric in needed[2:]} == {"wdl"}
    # Captures; promotions; and the captures after either.
    assert names == {
        *("KRPvK", "KRvKN", "KNvKP", "KRvK", "KPvK", "KNvK"),
        *("KQRvKN", "KRRvKN", "KRBvKN", "KRNvKN"),
        *("KQRvK", "KRRvK", "KRBvK", "KRNvK", "KQvKN", "KBvKN", "KNvKN", "KQvK", "KBvK"),
    }
    assert needed_files("KvK") == ()
    assert needed_files("KNvKRP") == needed


def test_missing_for_a_five_man_position() -> None:
    board = chess.Board("8/2n5/8/8/8/k7/P7/R3K3 w - - 0 1")
    bundled = find_tables()
    five = ("KRPvKN", "KQRvKN", "KRRvKN", "KRBvKN", "KRNvKN")
    assert missing_for(board, bundled) == five
    assert missing_for(board.mirror(), bundled) == five
    without = [table for table in bundled if table.material != "KRvKN"]
    assert set(missing_for(board, without)) == {*five, "KRvKN"}


def test_missing_for_bundled_material() -> None:
    bundled = find_tables()
    board = chess.Board("8/8/8/4k3/8/8/3KP3/8 w - - 0 1")
    assert missing_for(board, bundled) == ()
    outcomes_only = [table for table in bundled if table.metric == "wdl"]
    assert missing_for(board, outcomes_only) == ("KPvK",)
    assert missing_for(chess.Board("8/8/8/4k3/8/8/3K4/8 w - - 0 1"), []) == ()
