"""Files cut into parts: all games of all parts are the games of the file."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from odd_pgn import odd_files

from convert.collection import parts
from convert.collection.parts import Begin, FilePart, cut, cut_from, games_in, unpack
from convert.reading import containers, split
from convert.reading.fen import SourceError
from convert.reading.games import read_games
from convert.reading.records import GameRead, LineRead

DATA = Path(__file__).parent / "data"
DEMO = sorted((Path(__file__).parent.parent / "demo_games").glob("*.pgn"))
TWO = b'[White "A"]\n\n1. e4 e5 1-0\n\n[White "B"]\n\n1. d4 d5 0-1\n\n'


def facts(read: GameRead | LineRead) -> object:
    """All that a record says but its comments and variations."""
    if isinstance(read, LineRead):
        headers = read.headers
    else:
        headers = None if read.game is None else dict(read.game.headers)
    return (
        read.source,
        read.number,
        read.line,
        headers,
        read.moves,
        read.problems,
        read.complete,
    )


def whole(path: Path) -> tuple[list[object], str | None]:
    """Records of a whole file, and the error that ends it."""
    found: list[object] = []
    try:
        for read in read_games(path):
            found.append(facts(read))
    except SourceError as err:
        return found, err.reason
    return found, None


def in_parts(
    path: Path, size: int, *, light: bool = False
) -> tuple[list[object], str | None, list[FilePart]]:
    made = list(cut(path, size))
    found: list[object] = []
    reason = None
    for part in made:
        if part.trouble:
            assert made == [part]
            return [], part.trouble, made
        try:
            for read, offset in games_in(part, light=light):
                assert part.start <= offset < part.end
                found.append(facts(read))
        except SourceError as err:
            assert part.last
            reason = err.reason
    return found, reason, made


def check(path: Path, size: int, *, light: bool = False) -> list[FilePart]:
    expected, error = whole(path)
    found, reason, made = in_parts(path, size, light=light)
    assert found == expected
    assert reason == error
    if not any(part.trouble for part in made):
        assert [part.start for part in made] == [0, *(part.end for part in made[:-1])]
        assert made[-1].end == path.stat().st_size
        assert sum(part.games for part in made) == len(expected)
        assert [part.games_before for part in made] == [
            sum(other.games for other in made[:i]) for i in range(len(made))
        ]
        assert [part.last for part in made] == [False] * (len(made) - 1) + [True]
        assert len({part.id for part in made}) == len(made)
    return made


@given(raw=odd_files(), size=st.sampled_from([1, 1, 40, 200, 10_000]), light=st.booleans())
@example(raw=TWO, size=1, light=False)
@example(raw=TWO + b"words that are no game", size=1, light=False)
@example(raw=b"words\n\n" + TWO, size=1, light=False)
@example(raw=TWO + b"8/8/4k3/8/4P3/4K3/8/8 w - - 0 1\n" + TWO, size=1, light=False)
@example(raw=b"1-0\n" * 5, size=1, light=False)
@example(raw=b"1. e4 1-0 1. d4 0-1 *\n1. c4 *", size=1, light=False)
@example(raw=TWO.replace(b"\n", b"\r\n"), size=1, light=True)
@example(raw=TWO + b"\n \n;x\n", size=1, light=False)
def test_the_games_of_the_parts_are_those_of_the_file(
    raw: bytes, size: int, light: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("odd") / "odd.pgn"
    path.write_bytes(raw)
    check(path, size, light=light)


@given(raw=odd_files(), limit=st.integers(30, 400))
def test_games_that_are_too_long_are_refused_alike(
    raw: bytes, limit: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("long") / "odd.pgn"
    path.write_bytes(raw)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(containers, "MAX_GAME_BYTES", limit)
        patch.setattr(split, "MAX_GAME_BYTES", limit)
        patch.setattr(parts, "MAX_GAME_BYTES", limit)
        patch.setattr(parts, "_MARGIN", limit // 2)
        check(path, 1)


@given(raw=odd_files(), window=st.integers(50, 300))
def test_a_small_window_sees_the_same(
    raw: bytes, window: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("window") / "odd.pgn"
    path.write_bytes(raw)
    expected = list(cut(path, 1))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parts, "_WINDOW", window)
        patch.setattr(parts, "_MARGIN", window // 2)
        assert list(cut(path, 1)) == expected


@pytest.mark.parametrize(
    "path", [*DEMO, *sorted((DATA / "pgn").glob("*.pgn"))], ids=lambda path: path.name
)
def test_files_that_stand_here(path: Path) -> None:
    for size in (1, 3000):
        check(path, size)


def test_a_part_ends_with_a_game_and_is_not_much_larger_than_asked(tmp_path: Path) -> None:
    path = tmp_path / "many.pgn"
    path.write_bytes(TWO * 1000)
    made = check(path, 1000)
    assert len(made) == pytest.approx(len(TWO) * 1000 / 1000, rel=0.1)
    assert all(1000 <= part.end - part.start <= 1000 + len(TWO) for part in made[:-1])


@pytest.mark.parametrize("most", [1, 2000, 1 << 20])
def test_a_file_may_be_cut_in_stretches(most: int, tmp_path: Path) -> None:
    path = tmp_path / "long.pgn"
    path.write_bytes(
        b"\xef\xbb\xbf"
        + (DATA / "four_men_games.pgn").read_bytes()[:60_000]
        + b'\n[Event "open"]\n\n1. e4 {no end'
    )
    parts: list[FilePart] = []
    begin: Begin | None = Begin()
    stretches = 0
    while begin is not None:
        some, begin = cut_from(begin, path, 1000, name="long.pgn", most=most)
        parts += some
        stretches += 1
    assert parts == list(cut(path, 1000, name="long.pgn"))
    assert (stretches > 3) == (most < 1 << 20)


def test_ids_do_not_change_where_a_file_grows_behind(tmp_path: Path) -> None:
    path = tmp_path / "club.pgn"
    path.write_bytes(TWO * 50)
    before = [part.id for part in cut(path, 300)]
    path.write_bytes(TWO * 50 + TWO.replace(b"e5", b"c5"))
    after = [part.id for part in cut(path, 300)]
    assert after[: len(before) - 1] == before[:-1]
    assert not set(after[len(before) - 1 :]) & set(before)
    changed = TWO * 25 + TWO.replace(b"e5", b"c5") + TWO * 24
    path.write_bytes(changed)
    assert sum(a != b for a, b in zip([p.id for p in cut(path, 300)], before, strict=True)) == 1


def test_compressed_text_that_breaks_off(tmp_path: Path) -> None:
    packed = tmp_path / "broken.pgn.gz"
    packed.write_bytes(gzip.compress(TWO * 40)[:-12])
    text = tmp_path / "text.pgn"
    damage = unpack(str(packed), text)
    assert damage is not None
    assert "gzip" in damage
    found: list[object] = []
    reason = ""
    for part in cut(text, 200, name=str(packed), damage=damage):
        try:
            for read, _ in games_in(part):
                found.append(facts(read))
        except SourceError as err:
            reason = err.reason
    assert (found, reason) == whole(packed)


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (b"", "empty file"),
        (b"PK\x03\x04 and so on", "a zip archive, not a text file of games or positions"),
        (b"8/8/4k3/8/4P3/4K3/8/8 w - -\n", "positions (EPD or FEN lines), not games in PGN"),
        (b"Dear diary\n", "no game found: not a PGN file"),
        ("[Event".encode("utf-16"), "UTF-16 text: save it as UTF-8"),
    ],
)
def test_files_without_games(raw: bytes, reason: str, tmp_path: Path) -> None:
    path = tmp_path / "x.pgn"
    path.write_bytes(raw)
    (part,) = cut(path, 1)
    assert part.trouble == reason
    assert whole(path) == ([], reason)


def test_standard_input_is_written_down(tmp_path: Path) -> None:
    text = tmp_path / "text.pgn"
    assert unpack("-", text, io.BytesIO(gzip.compress(TWO))) is None
    assert text.read_bytes() == TWO
    with pytest.raises(SourceError, match="empty"):
        unpack("-", text, io.BytesIO(b""))
