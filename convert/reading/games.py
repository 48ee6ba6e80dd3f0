"""Games in: PGN, record by record, troubles kept with their place.

PGN is read as the *Portable Game Notation Specification and Implementation Guide* (1994) asks of
an import (section 3: be lax in what is read).  Nothing here prints or logs.  A file is streamed:
what is held in memory is a game or two, whatever the size of the file.

How files are opened is told in `convert.reading.containers`, where a game ends in
`convert.reading.split`.  A file of positions and text without any game are refused with a
`SourceError`.  If a compressed file breaks off, the games before the break are given, the game at
the break is given with ``complete=False``, and then a `SourceError` says that the file is damaged.

What is reported (a `Problem` each) and what it does
    ======================================  ====================================================
    illegal or ambiguous move, null move    main line: ends before it, ``complete=False``;
    where one cannot be, or a token that    variation: the whole variation is dropped, the main
    must have been meant as a move          line is untouched
    null move (``--``, ``Z0``, ``0000``)    main line: ends before it, ``complete=False``;
                                            variation: allowed unless the side is in check
    any other unknown token                 left out, reading goes on
    ``)`` without ``(``, stray ``}``        left out, reading goes on
    ``(`` without ``)``, unclosed comment   closed at the end of the game, ``complete=False``
    variation before the first move of      dropped
    its line, or nested deeper than
    `MAX_DEPTH`
    variation without moves                 its comments go to the move before it
    NAG without a move, or above 255        left out
    wrong move number                       noted once a game
    malformed, repeated tag pair            noted; the last of repeated ones counts
    no result, or Result tag and            noted; the tag counts unless it is missing or ``*``
    termination token differ
    no moves                                noted
    FEN without halfmove clock              noted: the clock is assumed to be 0
    SetUp "0" beside another start          noted, the FEN is used
    broken FEN, illegal start position,     ``game=None``, fatal
    SetUp "1" without FEN, malformed FEN,
    SetUp or Variant tag, any variant
    Chess960 castling rights, a
    game that is too long
    text without tags and moves             noted with the next game; at the end: ``game=None``
    ======================================  ====================================================
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, TypeVar

import chess
import chess.pgn

from convert.reading import containers
from convert.reading.containers import BOM, Unpacked, encoding_of, open_source, refuse_foreign
from convert.reading.fen import SourceError
from convert.reading.records import MAX_PROBLEMS, GameRead, LineRead, Problem, limited
from convert.reading.scan import Scan, add_comment, scan_movetext, scan_simple
from convert.reading.split import BLANK, ONLY_COMMENTS, Block, split_games
from convert.reading.tags import TAG, read_tags, settle_result, start_of

__all__ = ["game_stops", "games_of", "read_games", "refuse_other_text"]

MAX_RETRIES = 200
"""Most variations of one game that are dropped one by one; then all the others are."""

_RETRY_WORK = 20_000_000  # bytes: a long game is not read anew as often as a short one
_COMMENT = re.compile(r"\{[^}]*\}")


class _BadMoveError(Exception):
    """A move that cannot be played; stops python-chess at once."""

    def __init__(self, index: int, ply: int, at: str, reason: str) -> None:
        super().__init__(reason)
        self.index = index
        self.ply = ply
        self.at = at
        self.reason = reason


class _Builder(chess.pgn.GameBuilder[chess.pgn.Game]):
    """python-chess's builder with our tags, stopping at the first bad move instead of logging.

    python-chess goes on after a bad move in a variation, but with the variation's board for the
    rest of the main line, so it must not get that far.
    """

    def __init__(self, tags: dict[str, str]) -> None:
        super().__init__(Game=chess.pgn.Game)
        self.tags = tags
        self.index = -1

    def begin_headers(self) -> chess.pgn.Headers:
        self.game.headers.update(self.tags)
        return self.game.headers

    def parse_san(self, board: chess.Board, san: str) -> chess.Move:
        self.index += 1
        try:
            move = board.parse_san(san)
        except ValueError as error:
            raise self._bad(board, san, _why(board, san, error)) from error
        if san == "--" and board.is_check():
            raise self._bad(board, san, "null move in check")
        return move

    def handle_error(self, error: Exception) -> None:
        raise error

    def _bad(self, board: chess.Board, san: str, reason: str) -> _BadMoveError:
        ply = 1
        node: chess.pgn.GameNode | None = self.variation_stack[-1]
        while node is not None and node.parent is not None:
            node = node.parent
            ply += 1
        dots = "." if board.turn == chess.WHITE else "..."
        return _BadMoveError(self.index, ply, f"{board.fullmove_number}{dots}{san}", reason)


def _why(board: chess.Board, san: str, error: ValueError) -> str:
    """In words, why a move cannot be played."""
    match = chess.SAN_REGEX.match(san)
    if match is None:
        return f"illegal move {san}"
    piece = chess.PIECE_SYMBOLS.index((match[1] or "p").lower())
    to_square = chess.parse_square(match[4])
    there = [
        move
        for move in board.legal_moves
        if move.to_square == to_square and board.piece_type_at(move.from_square) == piece
    ]
    if isinstance(error, chess.AmbiguousMoveError):
        return f"ambiguous move {san}: " + " or ".join(sorted(board.san(move) for move in there))
    if not match[5] and any(move.promotion for move in there):
        return f"move {san} without a promotion piece"
    return f"illegal move {san}"


def read_block(block: Block, source: str, number: int) -> tuple[GameRead, bool]:
    """The game in a block, and whether it is a game at all."""

    def refused(line: int, reason: str, others: list[Problem]) -> tuple[GameRead, bool]:
        results = (*others, Problem(source, number, line, None, reason, fatal=True))
        return GameRead(source, number, block.line, None, (), limited(results), False), True

    if block.too_long:
        limit = f"{containers.MAX_GAME_BYTES / (1 << 20):g} MB"
        return refused(block.too_long, f"text of one game longer than {limit}: skipped", [])
    raw = b"\n".join(block.body)
    encoding = encoding_of(b"\n".join([text for _, text in block.head] + [block.preface, raw]))
    text = raw.decode(encoding)
    tags = read_tags(block.head, encoding)
    problems = [Problem(source, number, line, None, reason) for line, reason in tags.notes]
    if tags.fatal:
        return refused(*tags.fatal, problems)
    try:
        board, remarks = start_of(tags)
    except SourceError as error:
        reason = f"FEN tag: {error.reason}" if error.source == "FEN" else error.reason
        return refused(tags.lines.get(error.source, block.line), reason, problems)
    problems += [Problem(source, number, line, None, reason) for line, reason in remarks]

    def line_of(offset: int) -> int:
        return block.body_line + text.count("\n", 0, offset)

    preface = [comment[0] for comment in _COMMENT.finditer(block.preface.decode(encoding))]
    played = _played(text, board, tags.values, preface)
    scan, game, cut = played.scan, played.game, played.cut
    problems += [  # beyond the limit they are only counted: no time is spent on their lines
        Problem(source, number, line_of(offset) if near else None, ply, reason, False, at)
        for near, (offset, ply, at, reason) in played.notes
    ]
    moves = _main_line(game)
    if not cut and len(moves) != scan.main:
        reason = f"{len(moves)} of {scan.main} main-line moves could be read"
        problems.append(Problem(source, number, line_of(0), None, reason))
        cut = True
    last = line_of(len(text.rstrip())) if block.body else block.line
    doubts = settle_result(game.headers, tags, scan.result)
    problems += [Problem(source, number, last, None, reason) for reason in doubts]
    if not moves and not cut:
        problems.append(Problem(source, number, block.line, None, "no moves"))
    problems.sort(key=lambda results: (results.line is None, results.line or 0))
    is_game = bool(tags.values) or (
        bool(scan.main or scan.result) and scan.unknown < max(1, len(scan.moves_at))
    )
    complete = not cut and not scan.open_end
    return GameRead(source, number, block.line, game, moves, limited(problems), complete), is_game


@dataclass(frozen=True)
class _Played:
    """Movetext as python-chess played it.

    Attributes:
        scan: the strict look at it, without the variations that were dropped.
        game: what came of it.
        cut: the main line had to be ended.
        bad: of moves that cannot be played: offset, ply or None, move or None, reason.
    """

    scan: Scan
    game: chess.pgn.Game
    cut: bool
    bad: list[tuple[int, int | None, str | None, str]]

    @property
    def notes(self) -> Iterator[tuple[bool, tuple[int, int | None, str | None, str]]]:
        """All notes, and of each whether it is near enough to the first to get its line told."""
        yield from ((True, note) for note in self.bad)
        yield from ((at < MAX_PROBLEMS, note) for at, note in enumerate(self.scan.notes))


def _played(
    text: str, board: chess.Board | None, tags: dict[str, str], preface: list[str]
) -> _Played:
    """Play the moves in a text; what cannot be played is dropped with its variation.

    Args:
        text: movetext.
        board: where it starts, None for the usual start.
        tags: of the game.
        preface: comments before its tags.
    """
    first_number = board.fullmove_number if board else 1
    black_first = board is not None and board.turn == chess.BLACK
    opening: list[str] = []
    for comment in preface:
        add_comment(opening, comment[1:-1])
    dropped: frozenset[int] = frozenset()
    bad: list[tuple[int, int | None, str | None, str]] = []
    while True:
        scan = (None if board else scan_simple(text)) or scan_movetext(
            text, first_number, black_first, dropped
        )
        builder = _Builder(tags)
        movetext = " ".join([*opening, scan.text])
        try:
            chess.pgn.read_game(io.StringIO(movetext), Visitor=lambda: builder)  # noqa: B023
        except _BadMoveError as error:
            if not scan.moves_at:
                scan = scan_movetext(text, first_number, black_first, dropped)
            inside = [s for s in scan.spans if s[0] <= error.index < s[1]]
            offset = scan.moves_at[error.index]
            if inside and len(dropped) < min(MAX_RETRIES, _RETRY_WORK // (len(text) + 1)):
                dropped |= {max(inside)[2]}
                reason = f"{error.reason}: the variation is dropped"
                bad.append((offset, error.ply, error.at, reason))
                continue
            if inside:
                dropped |= {span[2] for span in scan.spans}
                reason = "too many bad variations: all others are dropped"
                bad.append((offset, None, None, reason))
                continue
            bad.append(
                (offset, error.ply, error.at, f"{error.reason}: the main line ends before it")
            )
            scan.notes = [pair for pair in scan.notes if pair[0] < offset]
            return _Played(scan, builder.game, True, bad)
        return _Played(scan, builder.game, scan.cut, bad)


def _main_line(game: chess.pgn.Game) -> tuple[chess.Move, ...]:
    moves = []
    variations = game.variations
    while variations:
        moves.append(variations[0].move)
        variations = variations[0].variations
    return tuple(moves)


_FEN_LINE = re.compile(rb"\s*(?:[pnbrqkPNBRQK1-8]{1,8}/){7}[pnbrqkPNBRQK1-8]{1,8}\s+[wb](?:\s|$)")


def read_games(path: str | Path, *, stdin: BinaryIO | None = None) -> Iterator[GameRead]:
    """Games of a PGN file, one by one, in the order of the file.

    Args:
        path: a plain, gzip or zstd file, or "-" for standard input.
        stdin: binary stream to read for "-"; the process's standard input if None.

    Yields:
        One record a game; what is wrong with a game is in its ``problems``.

    Raises:
        SourceError: at the first step if the file cannot be opened or is empty, binary, UTF-16, EPD
            or no PGN at all; after the last game if the file breaks off or its compression is
            damaged.
    """
    yield from file_records(path, stdin, read_block, _nothing_read)


def games_of(
    source: str,
    lines: Iterator[bytes],
    *,
    games_before: int = 0,
    lines_before: int = 0,
    damage: Callable[[], str | None] = lambda: None,
) -> Iterator[GameRead]:
    """Games of a source, or of a part of it, from its lines.

    A part gives the games that the whole source gives if it begins at the beginning of the source
    or on a line where `game_stops` says that the next game may be looked for, and ends likewise.

    Args:
        source: name of the source.
        lines: lines without their ends.
        games_before: games of the source before the part.
        lines_before: lines of the source before the part.
        damage: asked when the lines have ended: how the source breaks off there, if it does.

    Raises:
        SourceError: after the last game if there is none or if the source breaks off.
    """
    yield from records_of(
        source, lines, read_block, _nothing_read, games_before, lines_before, damage
    )


_Record = TypeVar("_Record", GameRead, LineRead)


def _nothing_read(source: str, number: int, line: int, problems: tuple[Problem, ...]) -> GameRead:
    return GameRead(source, number, line, None, (), problems, False)


def file_records(
    path: str | Path,
    stdin: BinaryIO | None,
    read_block: Callable[[Block, str, int], tuple[_Record, bool]],
    nothing_read: Callable[[str, int, int, tuple[Problem, ...]], _Record],
) -> Iterator[_Record]:
    """What `read_games` says, with the reading of one game's text as a parameter."""
    source, stream, ours = open_source(path, stdin)
    data = Unpacked(source, stream)
    lines = _not_epd(source, data.lines())
    try:
        yield from records_of(source, lines, read_block, nothing_read, damage=lambda: data.damage)
    finally:
        if ours:
            stream.close()


def records_of(
    source: str,
    lines: Iterator[bytes],
    read_block: Callable[[Block, str, int], tuple[_Record, bool]],
    nothing_read: Callable[[str, int, int, tuple[Problem, ...]], _Record],
    games_before: int = 0,
    lines_before: int = 0,
    damage: Callable[[], str | None] = lambda: None,
) -> Iterator[_Record]:
    """What `games_of` says, with the reading of one game's text as a parameter."""
    number = games_before
    stray: tuple[Problem, ...] = ()  # of text that is no game, for the next game
    last: _Record | None = None  # read but not yet given: it may be the one at the break
    ended = True
    for block in split_games(lines, lines_before):
        read, is_game = read_block(block, source, number + 1)
        if not is_game:
            if ONLY_COMMENTS.fullmatch(b"\n".join(block.body)):
                continue
            line = block.line
            stray += (Problem(source, number + 1, line, None, "text that is no game: left out"),)
            continue
        number += 1
        if last is not None:
            yield last
        last = replace(read, problems=limited(stray + read.problems)) if stray else read
        stray = ()
        ended = block.ended
    broken_off = damage()
    if last is not None:
        if broken_off and not ended:
            broken = Problem(source, number, None, None, f"the file ends here: {broken_off}")
            last = _broken_off(last, broken)
        yield last
    if broken_off:
        raise SourceError(source, f"damaged after {number} games: {broken_off}")
    if last is None:
        raise SourceError(source, "no game found: not a PGN file")
    if stray:
        reason = "text after the last game that is no game"
        data = Problem(source, number + 1, stray[0].line, None, reason, True)
        yield nothing_read(source, number + 1, stray[0].line or 0, (data,))


def _broken_off(read: _Record, problem: Problem) -> _Record:
    return replace(read, problems=(*read.problems, problem), complete=False)


def game_stops(source: str, lines: Iterator[bytes], lines_before: int = 0) -> Iterator[int]:
    """Where the games of a source end: a number for each game, without reading its moves.

    Args:
        source: name of the source.
        lines: lines without their ends, from a place where a game may be looked for.
        lines_before: lines of the source before them.

    Yields:
        For each record of `games_of` the number of the last line that belongs to it, from 1, if
        the next game may be looked for from the line after it as if the source began there;
        otherwise 0, and -1 for the record of text after the last game that is no game.
    """
    after_game = lines_before > 0
    stray = False
    for block in split_games(lines, lines_before):
        # Text without a tag may be no game: that takes a closer look.
        if (
            any(TAG.match(raw.decode("iso-8859-1")) for _, raw in block.head[:1])
            or read_block(block, source, 1)[1]
        ):
            after_game, stray = True, False
            yield block.stop
        elif not ONLY_COMMENTS.fullmatch(b"\n".join(block.body)):
            stray = after_game
    if stray:
        yield -1


def refuse_other_text(source: str, head: bytes) -> None:
    """Look at the first bytes of an unpacked text (some kB) for what is no file of games.

    Raises:
        SourceError: empty, binary, UTF-16, an archive, or positions.
    """
    if not head:
        raise SourceError(source, "empty file")
    refuse_foreign(source, head)
    for _ in _not_epd(source, iter(head.removeprefix(BOM).splitlines()[:1000])):
        pass


def _not_epd(source: str, lines: Iterator[bytes]) -> Iterator[bytes]:
    for line in lines:
        if _FEN_LINE.match(line):
            raise SourceError(source, "positions (EPD or FEN lines), not games in PGN")
        yield line
        if line.strip(BLANK) and line[:1] not in b"%;#":
            break
    yield from lines
