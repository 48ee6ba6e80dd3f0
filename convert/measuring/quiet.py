"""Writes quiet positions of games with the games' results, to fit an evaluation to.

    python -m convert.measuring.quiet GAMES.pgn.gz... -o POSITIONS.npz [--rating 1800] [--every 4]

Taken are positions in which nobody is about to win material by force that a look at one square
shows: the side to move is not in check, the move before and the move after neither capture nor
promote, and no capture of the side to move wins material by a static exchange
(:func:`exchange_gain`).  Of the plies of a game every so many are taken, drawn by a hash of the
game and the ply, so that the same games give the same positions on every machine.

The file is a compressed archive of numpy arrays, one entry a position (``fields`` in it says the
same):

====================  ======  =====================================================================
boards                uint64  (n, 8): pawns, knights, bishops, rooks, queens, kings, White's men,
                              Black's men; bit 0 is a1, bit 7 h1, bit 63 h8
turn                  bool    White is to move
castling              uint64  squares of the rooks that may still castle
passant               int8    square behind a pawn that has just moved two, where it can be taken
                              legally; -1 elsewhere
clock                 int16   plies since the last capture or pawn move
ply                   int16   plies played before the position
left                  int16   plies played after it
men                   int8    men on the board, kings included
result                int8    of the game, for White: 1 won, 0 drawn, -1 lost
game                  uint64  hash of the game's moves
held_out              bool    the game is in the part that nothing may be fitted to
white, black          int16   ratings
====================  ======  =====================================================================
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import chess
import numpy as np
from chess import KING
from numpy.typing import NDArray

from convert.measuring.draw import rank_of
from convert.measuring.practice import progress
from convert.measuring.rated_games import SEED, Filter, RatedGame, each_part, in_text
from convert.reading.fen import SourceError
from convert.rim.outputs import Output, OutputError, check
from convert.rim.safe_text import safe_line
from tablebases.material import placement

#: Worth of a man in pawns, as every primer gives it (common practice); a king beyond all else.
WORTH = (0, 1, 3, 3, 5, 9, 100)
#: Plies at the beginning of a game that are passed over: the same openings come again and again.
FIRST = 12

FIELDS: dict[str, Any] = {
    "boards": np.uint64,
    "turn": np.bool_,
    "castling": np.uint64,
    "passant": np.int8,
    "clock": np.int16,
    "ply": np.int16,
    "left": np.int16,
    "men": np.int8,
    "result": np.int8,
    "game": np.uint64,
    "held_out": np.bool_,
    "white": np.int16,
    "black": np.int16,
}
Columns = dict[str, NDArray[Any]]


# --- quiet ----------------------------------------------------------------------------------


def exchange_gain(board: chess.Board, move: chess.Move) -> int:
    """What a capture gains in pawns if both sides go on taking on its square, and may stop.

    The least worthy man takes first; men behind others come into play as those move.  Pins and
    checks are not looked at, and promotions only of the move itself.
    """
    square = move.to_square
    taker = board.piece_type_at(move.from_square) or chess.PAWN
    passant = board.is_en_passant(move)
    gain = WORTH[chess.PAWN if passant else board.piece_type_at(square) or 0]
    stands = WORTH[taker]
    if move.promotion:
        gain += WORTH[move.promotion] - WORTH[chess.PAWN]
        stands = WORTH[move.promotion]
    occupied = board.occupied & ~chess.BB_SQUARES[move.from_square]
    if passant:
        occupied &= ~chess.BB_SQUARES[square + (-8 if board.turn else 8)]
    gains = [gain]
    side = not board.turn
    while True:
        pair = _least_attacker(board, side, square, occupied)
        if pair is None:
            break
        kind, at = pair
        occupied &= ~chess.BB_SQUARES[at]
        if kind == KING and _least_attacker(board, not side, square, occupied) is not None:
            break
        gains.append(stands - gains[-1])
        stands = WORTH[kind]
        side = not side
    for place in range(len(gains) - 2, -1, -1):
        gains[place] = -max(-gains[place], gains[place + 1])
    return gains[0]


def _least_attacker(
    board: chess.Board, side: chess.Color, square: chess.Square, occupied: int
) -> tuple[chess.PieceType, chess.Square] | None:
    """Kind and square of the least worthy man that may take on ``square`` among ``occupied``."""
    rank, file, diagonal = (
        chess.BB_RANK_ATTACKS[square][chess.BB_RANK_MASKS[square] & occupied],
        chess.BB_FILE_ATTACKS[square][chess.BB_FILE_MASKS[square] & occupied],
        chess.BB_DIAG_ATTACKS[square][chess.BB_DIAG_MASKS[square] & occupied],
    )
    straight = rank | file
    reach = (
        (board.pawns, chess.BB_PAWN_ATTACKS[not side][square]),
        (board.knights, chess.BB_KNIGHT_ATTACKS[square]),
        (board.bishops, diagonal),
        (board.rooks, straight),
        (board.queens, straight | diagonal),
        (board.kings, chess.BB_KING_ATTACKS[square]),
    )
    own = board.occupied_co[side] & occupied
    for kind, (men, squares) in enumerate(reach, chess.PAWN):
        if number := men & squares & own:
            return kind, chess.lsb(number)
    return None


def wins_by_capture(board: chess.Board) -> bool:
    """Does some legal capture, or promotion, of the side to move win material?"""
    for move in board.generate_legal_captures():
        if exchange_gain(board, move) > 0:
            return True
    pushers = board.pawns & board.occupied_co[board.turn]
    pushers &= chess.BB_RANK_7 if board.turn else chess.BB_RANK_2
    return bool(pushers) and any(
        exchange_gain(board, move) > 0
        for move in board.generate_legal_moves(pushers, ~board.occupied)
    )


def noisy(board: chess.Board, move: chess.Move) -> bool:
    """Does the move capture or promote?"""
    return move.promotion is not None or board.is_capture(move)


# --- of one game ----------------------------------------------------------------------------


def plies_of(game: RatedGame, every: int) -> frozenset[int]:
    """Plies after which the position is looked at: one of ``every`` on the average."""
    return frozenset(
        ply
        for ply in range(FIRST, len(game.moves))
        if rank_of(SEED, "quiet", game.name, ply) % every == 0
    )


def quiet_boards(game: RatedGame, every: int) -> Iterator[tuple[int, chess.Board]]:
    """Plies and positions of a game that are quiet; the board changes as the game goes on."""
    wanted = plies_of(game, every)
    last = max(wanted, default=-1)
    before = False
    for ply, board in game.positions():
        if ply > last:
            return
        now = noisy(board, game.moves[ply]) if ply in wanted or ply + 1 in wanted else True
        if (
            ply in wanted
            and not before
            and not now
            and not board.is_check()
            and not wins_by_capture(board)
        ):
            yield ply, board
        before = now


def row_of(game: RatedGame, ply: int, board: chess.Board) -> tuple[Any, ...]:
    """The entries of a position, in the order of :data:`FIELDS`."""
    words = (*placement(board), board.occupied_co[chess.BLACK])
    square = board.ep_square if board.has_legal_en_passant() else None
    return (
        words,
        board.turn,
        board.clean_castling_rights(),
        -1 if square is None else square,
        min(board.halfmove_clock, 32767),
        ply,
        len(game.moves) - ply,
        board.occupied.bit_count(),
        game.result,
        int(game.name, 16),
        game.held_out,
        game.white,
        game.black,
    )


def columns_of(rows: Iterable[tuple[Any, ...]]) -> Columns:
    """Rows as arrays by name."""
    listed = list(zip(*rows, strict=True)) or [()] * len(FIELDS)
    out = {
        name: np.array(column, dtype=kind)
        for (name, kind), column in zip(FIELDS.items(), listed, strict=True)
    }
    out["boards"] = out["boards"].reshape(-1, 8)
    return out


def of_text(text: bytes, which: Filter, every: int) -> tuple[int, Columns]:
    """Accepted games in a piece of PGN text, and their quiet positions."""
    games, rows = 0, []
    for game in in_text(text, which):
        games += 1
        rows += [row_of(game, ply, board) for ply, board in quiet_boards(game, every)]
    return games, columns_of(rows)


def board_of(columns: Columns, index: int) -> chess.Board:
    """A position of the file as a board."""
    words = [int(word) for word in columns["boards"][index]]
    board = chess.Board(None)
    board.pawns, board.knights, board.bishops, board.rooks, board.queens, board.kings = words[:6]
    board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK] = words[6:]
    board.occupied = words[6] | words[7]
    board.turn = bool(columns["turn"][index])
    board.castling_rights = int(columns["castling"][index])
    square = int(columns["passant"][index])
    board.ep_square = None if square < 0 else square
    board.halfmove_clock = int(columns["clock"][index])
    board.fullmove_number = 1 + int(columns["ply"][index]) // 2
    return board


def collected(
    paths: Iterable[str],
    which: Filter,
    every: int,
    jobs: int = 1,
    tell: Callable[[int, int], None] | None = None,
) -> Columns:
    """The quiet positions of PGN files, each game once, in the order of the files.

    Args:
        tell: told the number of games accepted and of positions found.

    Raises:
        SourceError: a file cannot be read.
    """
    games, number, tables = 0, 0, []
    for more, part in each_part(paths, partial(of_text, which=which, every=every), jobs):
        games += more
        number += len(part["turn"])
        tables.append(part)
        if tell is not None:
            tell(games, number)
    if not tables:
        return columns_of(())
    whole = {name: np.concatenate([part[name] for part in tables]) for name in FIELDS}
    # A game that stands in the files twice counts once.
    pair = np.stack([whole["game"], whole["ply"].astype(np.uint64)], axis=1)
    first = np.sort(np.unique(pair, axis=0, return_index=True)[1])
    return {name: column[first] for name, column in whole.items()}


def main(arguments: list[str] | None = None) -> int:
    """Read the games and write the file; returns the exit code."""
    parser = argparse.ArgumentParser(
        "python -m convert.measuring.quiet",
        description="Writes quiet positions of games with the games' results.",
    )
    parser.add_argument("games", nargs="+", help="PGN files (.gz, .zst)")
    parser.add_argument("-o", "--out", type=Path, required=True, help="the file to write (.npz)")
    parser.add_argument("--rating", type=int, default=1800, help="both players have at least this")
    parser.add_argument("--lost-on-time", action="store_true", help="keep games decided on time")
    parser.add_argument("--every", type=int, default=4, help="look at one ply in so many")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    result = parser.parse_args(arguments)
    if result.every < 1:
        parser.error("--every: at least 1")
    try:
        check([Output("--out", str(result.out))], result.games)
        columns = collected(
            result.games,
            Filter(result.rating, result.lost_on_time),
            result.every,
            result.jobs,
            lambda games, number: progress(f"{games:,} games, {number:,} positions"),
        )
    except (SourceError, OutputError) as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    arrays: dict[str, Any] = {"fields": np.array([(__doc__ or "").split("same):", 1)[-1]])}
    with result.out.open("wb") as file:
        np.savez_compressed(file, **(arrays | columns))
    games = len(np.unique(columns["game"]))
    sys.stdout.write(
        f"{len(columns['turn']):,} positions of {games:,} games, "
        f"{int(columns['held_out'].sum()):,} of them held out: {result.out}\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
