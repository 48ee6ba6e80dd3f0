"""Table files with single bits turned over: what finds them, and what they change."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import chess
import chess.syzygy

from tablebases import TableFile, find_tables
from tablebases.files import fault
from tablebases.probing import try_file
from tablebases.seal import seal_problem

MANY = 3000
"""Values compared where any of a file may have changed."""


@dataclass(frozen=True)
class Flip:
    """A copy of a bundled file with one bit turned over.

    Attributes:
        original: the bundled file.
        path: the copy.
        byte: offset of the byte.
    """

    original: TableFile
    path: Path
    byte: int

    @property
    def table(self) -> TableFile:
        """The copy as a file of the user's."""
        return TableFile(
            self.original.material, self.original.metric, self.path, self.original.bytes, "user"
        )


def flips(folder: Path, count: int, seed: str) -> list[Callable[[], Flip]]:
    """Seeded flips: a file drawn from all that hold more than one value, then any of its bits.

    Each is written to the folder only when called, over the one before of the same name.
    """
    rng = random.Random(seed)
    files = [table for table in find_tables() if table.bytes > 100]
    made = []
    for _ in range(count):
        table = rng.choice(files)
        made.append(_flip(folder, table, rng.randrange(8 * table.bytes)))
    return made


def _flip(folder: Path, table: TableFile, bit: int) -> Callable[[], Flip]:
    def make() -> Flip:
        data = bytearray(table.path.read_bytes())
        data[bit // 8] ^= 1 << bit % 8
        path = folder / table.path.name
        path.write_bytes(data)
        return Flip(table, path, bit // 8)

    return make


def found_by_sum(flip: Flip) -> bool:
    """Is it found from outside or by the sum at the end of the file?"""
    return fault(flip.path) is not None or seal_problem(flip.path) is not None


def found_by_content(flip: Flip, positions: int) -> bool:
    """Is it found with the sum left aside, as if the class were not built in?"""
    if fault(flip.path) is not None:
        return True
    number = positions if flip.original.metric == "wdl" else -(-positions // 4)
    return try_file(flip.table, number).fault is not None


def changes_values(flip: Flip) -> bool:
    """Does any stored value of the table change, placements that are illegal included?

    Complete for a flip inside a block of values; elsewhere (lists, codes, index) ``MANY`` values
    are looked at. A file that can no longer be read has changed.
    """
    try:
        with _opened(flip.original.path) as good, _opened(flip.path) as bad:
            return _differ(good, bad, flip.byte)
    except (IndexError, ValueError, LookupError, ArithmeticError, OSError, RecursionError):
        return True
    except chess.syzygy.struct.error:
        return True


def _opened(path: Path) -> chess.syzygy.Table:
    kind = chess.syzygy.WdlTable if path.suffix == ".rtbw" else chess.syzygy.DtzTable
    table = kind(str(path))
    table.init_table_wdl() if path.suffix == ".rtbw" else table.init_table_dtz()
    return table


def _parts(table: chess.syzygy.Table) -> list[tuple[chess.syzygy.PairsData, int, int]]:
    """Each part with the number of its values and of its blocks."""
    step, parts = (2, []) if isinstance(table, chess.syzygy.WdlTable) else (1, [])
    holders = table.files if table.has_pawns else [table]
    for number, holder in enumerate(holders):
        precomp = holder.precomp
        sides = precomp.items() if isinstance(precomp, dict) else [(0, precomp)]
        for side, part in sides:
            at = step * number + side
            blocks = table.size[3 * at + 2] >> part.blocksize if part.idxbits else 0
            parts.append((part, table.tb_size[at], blocks))
    return parts


def _differ(good: chess.syzygy.Table, bad: chess.syzygy.Table, byte: int) -> bool:
    rng = random.Random(byte)
    old, new = _parts(good), _parts(bad)
    if [part[1:] for part in old] != [part[1:] for part in new]:
        return True
    inside = False
    for (part, values, blocks), (other, _, _) in zip(old, new, strict=True):
        if not part.idxbits:
            if part.min_len != other.min_len:
                return True
            continue
        block = (byte - part.data) >> part.blocksize
        if 0 <= block < blocks:
            sizes = [good.read_uint16(part.sizetable + 2 * k) + 1 for k in range(block + 1)]
            wanted = range(sum(sizes[:-1]), sum(sizes))
            inside = True
        elif not inside:
            wanted = [rng.randrange(values) for _ in range(MANY)]
        else:
            continue
        # From the end, where what follows a broken code shows first.
        if any(
            good.decompress_pairs(part, k) != bad.decompress_pairs(other, k)
            for k in reversed(wanted)
        ):
            return True
        if inside:
            return False
    if inside or byte >= good.data.size() - 16:
        return False
    # What the values mean may have changed: the map of distances, the flags, the order of men.
    return (
        good.data[4:64] != bad.data[4:64]
        or any(
            getattr(good, name, None) != getattr(bad, name, None) for name in ("p_map", "map_idx")
        )
        or (isinstance(good, chess.syzygy.DtzTable) and good.p_map <= byte < old[0][0].indextable)
    )
