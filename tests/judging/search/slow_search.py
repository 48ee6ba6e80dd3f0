"""The evaluation and the search once more, slowly, over python-chess; shares no code with them.

A side is looked at as White, on the board turned round if it is Black, by squares and counts; the
numbers are read from the file by their names.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import chess
from chess import KING

import convert.judging.search

NUMBERS = json.loads(
    (Path(convert.judging.search.__file__).parent / "terms.json").read_text(encoding="utf-8")
)
NAMES = {1: "pawn", 2: "knight", 3: "bishop", 4: "rook", 5: "queen", 6: "king"}
WORTH = {1: 0, 2: 300, 3: 300, 4: 500, 5: 900, 6: 0}
STEPS = ("none", "one", "two", "three", "more")


def file_of(square: int) -> int:
    return square % 8


def rank_of(square: int) -> int:
    """1 to 8."""
    return square // 8 + 1


def neighbours(square: int) -> list[int]:
    return [f for f in (file_of(square) - 1, file_of(square) + 1) if 0 <= f < 8]


def pawn_features(board: chess.Board, found: Counter[str]) -> list[int]:
    """White's pawns among all pawns; returns the passed ones."""
    own = list(board.pieces(chess.PAWN, chess.WHITE))
    other = list(board.pieces(chess.PAWN, chess.BLACK))
    occupied_files = sorted({file_of(s) for s in own})
    found["structure/island"] += sum(f - 1 not in occupied_files for f in occupied_files)
    passed = []
    for s in own:
        rank, beside = rank_of(s), [p for p in own if file_of(p) in neighbours(s)]
        stoppers = [
            p for p in other
            if abs(file_of(p) - file_of(s)) <= 1 and rank_of(p) > rank
        ]  # fmt: skip
        way_open = not any(file_of(p) == file_of(s) for p in stoppers)
        behind_own = any(file_of(p) == file_of(s) and rank_of(p) > rank for p in own)
        if not beside:
            found["structure/isolated"] += 1
            found["structure/isolated_open"] += way_open
        elif all(rank_of(p) > rank for p in beside):
            ahead = s + 8
            attacked = any(
                rank_of(p) == rank_of(ahead) + 1 and file_of(p) in neighbours(s) for p in other
            )
            if ahead in other or attacked:
                found["structure/backward"] += 1
                found["structure/backward_open"] += way_open
        found["structure/doubled"] += behind_own
        found[f"phalanx/rank{rank}"] += any(rank_of(p) == rank for p in beside)
        found[f"guarded/rank{rank}"] += any(rank_of(p) == rank - 1 for p in beside)
        if way_open and not behind_own and stoppers:
            helpers = [p for p in beside if rank_of(p) <= rank]
            found[f"candidate/rank{rank}"] += len(helpers) >= len(stoppers)
        if not stoppers and not behind_own:
            found[f"passed/rank{rank}"] += 1
            passed.append(s)
    return passed


def passed_features(
    board: chess.Board, passed: list[int], whites_turn: bool, found: Counter[str]
) -> None:
    king, other_king = board.king(chess.WHITE), board.king(chess.BLACK)
    pawns = set(board.pieces(chess.PAWN, chess.WHITE) | board.pieces(chess.PAWN, chess.BLACK))
    rooks = {c: set(board.pieces(chess.ROOK, c)) for c in chess.COLORS}
    runs = False
    for s in passed:
        rank, path = rank_of(s), list(range(s + 8, 64, 8))
        found[f"passed_blocked/rank{rank}"] += board.color_at(s + 8) == chess.BLACK
        free = all(board.piece_at(t) is None for t in path)
        found[f"passed_free/rank{rank}"] += free and not any(
            board.attackers(chess.BLACK, t) for t in path
        )
        if rank >= 4:
            found[f"passed_own_king/rank{rank}"] += chess.square_distance(king, s + 8)
            found[f"passed_other_king/rank{rank}"] += chess.square_distance(other_king, s + 8)
        found["passed_more/guarded"] += any(
            board.piece_type_at(a) == chess.PAWN for a in board.attackers(chess.WHITE, s)
        )
        found["passed_more/beside"] += any(
            file_of(p) in neighbours(s) and abs(rank_of(p) - rank) <= 1 for p in passed
        )
        behind = set(range(s - 8, -1, -8))
        found["passed_more/own_rook_behind"] += bool(behind & rooks[chess.WHITE])
        found["passed_more/other_rook_behind"] += bool(behind & rooks[chess.BLACK])
        others = pawns - {s}
        found["passed_more/outside"] += bool(others) and all(
            abs(file_of(p) - file_of(s)) >= 2 for p in others
        )
        goal, steps = 56 + file_of(s), 8 - rank - (rank == 2)
        away = chess.square_distance(other_king, goal) - (not whites_turn)
        runs = runs or (free and away > steps)
    alone = all(
        piece.piece_type in (chess.PAWN, KING)
        for piece in board.piece_map().values() if not piece.color
    )  # fmt: skip
    found["passed_more/unstoppable"] += alone and runs


def attacked_by(board: chess.Board, colour: bool, *kinds: int) -> set[int]:
    return {
        t for s, piece in board.piece_map().items()
        if piece.color == colour and (not kinds or piece.piece_type in kinds)
        for t in board.attacks(s)
    }  # fmt: skip


def piece_features(board: chess.Board, found: Counter[str]) -> None:
    own = {s: p.piece_type for s, p in board.piece_map().items() if p.color}
    other = {s: p.piece_type for s, p in board.piece_map().items() if not p.color}
    pawns = [s for s in own if own[s] == chess.PAWN]
    other_pawns = [s for s in other if other[s] == chess.PAWN]
    other_king = board.king(chess.BLACK)
    ring = {other_king, *board.attacks(other_king)}
    barred = set(own) | attacked_by(board, chess.BLACK, chess.PAWN)
    units = 0
    for s, kind in own.items():
        if kind in (chess.PAWN, KING):
            continue
        reach = set(board.attacks(s))
        mobile = len(reach - barred)
        found[f"mobility/{NAMES[kind]}/{mobile // 2 if kind == chess.QUEEN else mobile}"] += 1
        units += {2: 2, 3: 2, 4: 3, 5: 5}[kind] * len(reach & ring)
        if kind == chess.ROOK:
            if not any(file_of(p) == file_of(s) for p in pawns):
                closed = any(file_of(p) == file_of(s) for p in other_pawns)
                found["rook/half_open_file" if closed else "rook/open_file"] += 1
            target = rank_of(other_king) == 8 or any(rank_of(p) == 7 for p in other_pawns)
            found["rook/seventh_rank"] += rank_of(s) == 7 and target
        if kind in (chess.KNIGHT, chess.BISHOP):
            guarded = any(own.get(a) == chess.PAWN for a in board.attackers(chess.WHITE, s))
            chased = any(
                file_of(p) in neighbours(s) and rank_of(p) > rank_of(s) for p in other_pawns
            )
            if guarded and not chased and 4 <= rank_of(s) <= 6:
                found[f"minor/{NAMES[kind]}_outpost"] += 1
            ahead = s + 8
            found["minor/behind_pawn"] += ahead in pawns or ahead in other_pawns
        if kind == chess.BISHOP:
            same = [p for p in pawns if (p % 8 + p // 8) % 2 == (s % 8 + s // 8) % 2]
            found["minor/bad_bishop"] += len(same)
            found["minor/bad_bishop_blocked"] += sum(
                board.piece_at(p + 8) is not None for p in same
            )
    if chess.QUEEN in own.values():
        found[f"pressure_with_queen/{min(units // 3, 15)}"] += 1
    else:
        found[f"pressure/{min(units // 3, 7)}"] += 1


def threat_features(board: chess.Board, found: Counter[str]) -> None:
    other = {s: p.piece_type for s, p in board.piece_map().items() if not p.color}
    pieces = {s for s, kind in other.items() if kind not in (chess.PAWN, KING)}

    def of(kind: int) -> set[int]:
        return {s for s in other if other[s] == kind}

    minors = attacked_by(board, chess.WHITE, chess.KNIGHT, chess.BISHOP)
    loose = attacked_by(board, chess.WHITE) - attacked_by(board, chess.BLACK)
    found["threat/pawn_on_piece"] += len(attacked_by(board, chess.WHITE, chess.PAWN) & pieces)
    found["threat/minor_on_rook"] += len(minors & of(chess.ROOK))
    found["threat/minor_on_queen"] += len(minors & of(chess.QUEEN))
    by_rook = attacked_by(board, chess.WHITE, chess.ROOK)
    found["threat/rook_on_queen"] += len(by_rook & of(chess.QUEEN))
    found["threat/hanging_piece"] += len(loose & pieces)
    found["threat/hanging_pawn"] += len(loose & of(chess.PAWN))
    found["threat/pinned"] += sum(
        board.is_pinned(chess.BLACK, s) for s in other if other[s] != KING
    )


def king_features(board: chess.Board, found: Counter[str]) -> None:
    king = board.king(chess.WHITE)
    pawns = {c: list(board.pieces(chess.PAWN, c)) for c in chess.COLORS}
    safe = (
        set(chess.SQUARES)
        - attacked_by(board, chess.WHITE)
        - {s for s, p in board.piece_map().items() if not p.color}
    )
    for kind in (chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN):
        probe = board.copy(stack=False)
        probe.set_piece_at(king, chess.Piece(kind, chess.WHITE))
        way = set(probe.attacks(king))
        found[f"safe_check/{NAMES[kind]}"] += bool(
            way & safe & attacked_by(board, chess.BLACK, kind)
        )
    guarded = attacked_by(board, chess.WHITE, *range(1, 6))
    found["king/weak_ring"] += len(
        set(board.attacks(king)) & attacked_by(board, chess.BLACK) - guarded
    )
    for file in (*neighbours(king), file_of(king)):
        for name, colour in (("shelter", chess.WHITE), ("storm", chess.BLACK)):
            ahead = [
                rank_of(p) - rank_of(king) for p in pawns[colour]
                if file_of(p) == file and rank_of(p) > rank_of(king)
            ]  # fmt: skip
            found[f"{name}/{STEPS[min(min(ahead, default=0), 4)]}"] += 1
        found["king/open_file"] += not any(
            file_of(p) == file for colour in chess.COLORS for p in pawns[colour]
        )
    found["king/castling"] += board.has_castling_rights(chess.WHITE)
    near = set(board.attacks(king))
    found["king/beside_own_pawn"] += len(near & set(pawns[chess.WHITE]))
    found["king/beside_other_pawn"] += len(near & set(pawns[chess.BLACK]))


def counts(board: chess.Board, colour: bool) -> Counter[int]:
    return Counter(p.piece_type for p in board.piece_map().values() if p.color == colour)


def wings(board: chess.Board) -> bool:
    """All pawns on one wing?"""
    files = [file_of(s) for s, p in board.piece_map().items() if p.piece_type == chess.PAWN]
    return not files or max(files) - min(files) <= 3


def material_features(board: chess.Board, found: Counter[str]) -> None:
    own, other = counts(board, chess.WHITE), counts(board, chess.BLACK)
    for square, piece in board.piece_map().items():
        if not piece.color:
            continue
        name = NAMES[piece.piece_type]
        if name != "king":
            found[f"material/{name}"] += 1
        pair = ("ah", "bg", "cf", "de", "de", "cf", "bg", "ah")[file_of(square)]
        found[f"file/{name}/{pair}"] += 1
        found[f"rank/{name}/{rank_of(square)}"] += 1
    colours = {(s % 8 + s // 8) % 2 for s in board.pieces(chess.BISHOP, chess.WHITE)}
    found["pieces/pair_of_bishops"] += len(colours) == 2
    found["pieces/second_rook"] += own[chess.ROOK] >= 2
    found["pieces/knight_by_pawns"] += own[chess.KNIGHT] * (own[chess.PAWN] - 5)
    found["pieces/rook_by_pawns"] += own[chess.ROOK] * (own[chess.PAWN] - 5)
    minors = [side[chess.KNIGHT] + side[chess.BISHOP] for side in (own, other)]
    if (
        own[chess.ROOK] - other[chess.ROOK] == 1 and minors[1] - minors[0] == 1
        and own[chess.QUEEN] == other[chess.QUEEN]
    ):  # fmt: skip
        more = own[chess.PAWN] - other[chess.PAWN]
        name = {-2: "two_pawns_less", -1: "one_pawn_less", 0: "pawns_even"}.get(more)
        name = name or ("pawns_more" if more > 0 else "three_pawns_less")
        found[f"exchange_up/{name}"] += 1
        found["exchange_up/each_pawn"] += own[chess.PAWN] + other[chess.PAWN]
        found["exchange_up/one_wing"] += wings(board)
        found["exchange_up/no_rook_against"] += other[chess.ROOK] == 0
        found["exchange_up/queens"] += own[chess.QUEEN] > 0


def one_side(board: chess.Board, whites_turn: bool) -> Counter[str]:
    """How often each named number counts for White."""
    found: Counter[str] = Counter()
    material_features(board, found)
    passed_features(board, pawn_features(board, found), whites_turn, found)
    piece_features(board, found)
    threat_features(board, found)
    king_features(board, found)
    found["to_move/move"] += whites_turn
    return found


def features(board: chess.Board) -> Counter[str]:
    """White's less Black's."""
    found = one_side(board, board.turn)
    turned = board.mirror()  # colours and turn change places
    found.subtract(one_side(turned, turned.turn))
    return found


def scale(board: chess.Board) -> str:
    """What of White's advantage counts, by name."""
    own, other = counts(board, chess.WHITE), counts(board, chess.BLACK)
    mine, theirs = (sum(WORTH[k] * n for k, n in side.items()) for side in (own, other))
    pawns, less = own[chess.PAWN], other[chess.PAWN]
    files = {file_of(s) for s in board.pieces(chess.PAWN, chess.WHITE)}
    heavy = own[chess.KNIGHT] + own[chess.ROOK] + own[chess.QUEEN]
    if files in ({0}, {7}) and not heavy:
        corner = 56 + min(files)
        colour = (corner % 8 + corner // 8) % 2
        helps = any((s % 8 + s // 8) % 2 == colour for s in board.pieces(chess.BISHOP, True))
        if not helps and chess.square_distance(board.king(chess.BLACK), corner) <= 1:
            return "wrong_bishop"
    if pawns == 0:
        if mine == 600 and own[chess.KNIGHT] == 2 and less == 0:
            return "two_knights"
        if mine - theirs < 400:
            return "no_pawns_minor" if mine < 500 else "no_pawns"
    elif pawns == 1 and mine <= theirs and theirs > 0:
        minors = other[chess.KNIGHT] + other[chess.BISHOP]
        return "last_pawn_minor" if minors and mine <= 300 else "last_pawn"
    bishops = [list(board.pieces(chess.BISHOP, c)) for c in (True, False)]
    if len(bishops[0]) == len(bishops[1]) == 1:
        colours = {(s % 8 + s // 8) % 2 for side in bishops for s in side}
        if len(colours) == 2:
            if mine == theirs == 300:
                return "opposite_bishops_even" if pawns - less <= 1 else "opposite_bishops"
            return "opposite_bishops_and_pieces"
    if mine == theirs and mine in (500, 900, 1000) and pawns - less <= 1:
        return "heavy_pieces_one_wing" if wings(board) else "heavy_pieces"
    return "usual"


def evaluation(board: chess.Board) -> int:
    """Hundredths of a pawn for the side to move."""
    kinds = [p.piece_type for p in board.piece_map().values()]
    if len(kinds) <= 3 and not {chess.PAWN, chess.ROOK, chess.QUEEN} & set(kinds):
        return 0
    phase = min(24, sum({2: 1, 3: 1, 4: 2, 5: 4}.get(kind, 0) for kind in kinds))
    value = 0
    for name, n in features(board).items():
        middle, end = NUMBERS["numbers"][name]
        value += n * (middle * phase + end * (24 - phase))
    ahead = board if value > 0 else board.mirror()
    value *= NUMBERS["scales"][scale(ahead)]
    value = int(abs(value) // (24 * 64 * 10)) * (1 if value > 0 else -1)
    value = max(-20_000, min(20_000, value))
    return value if board.turn else -value


def legal_key(board: chess.Board) -> tuple[object, ...]:
    return board._transposition_key()


def quiet(board: chess.Board, ply: int, alpha: int, beta: int) -> int:
    """All captures and promotions to a queen; all answers to check."""
    if board.halfmove_clock >= 100:
        return -31_000 + ply if board.is_checkmate() else 0
    if board.is_check():
        best, moves = -31_000 + ply, list(board.legal_moves)
    else:
        best = evaluation(board)
        if best >= beta:
            return best
        moves = [
            m for m in board.legal_moves
            if (board.is_capture(m) and m.promotion in (None, chess.QUEEN, chess.KNIGHT))
            or m.promotion == chess.QUEEN
        ]  # fmt: skip
    for move in moves:
        board.push(move)
        value = -quiet(board, ply + 1, -beta, -max(alpha, best))
        board.pop()
        best = max(best, value)
        if best >= beta:
            break
    return best


def search(
    board: chess.Board, depth: int, ply: int = 0, alpha: int = -40_000, beta: int = 40_000,
    line: tuple[object, ...] = (),
) -> int:  # fmt: skip
    """Alpha-beta and nothing else."""
    if depth <= 0:
        return quiet(board, ply, alpha, beta)
    if ply:
        if board.halfmove_clock >= 100:
            return -31_000 + ply if board.is_checkmate() else 0
        kinds = [p.piece_type for p in board.piece_map().values()]
        if len(kinds) <= 3 and not {chess.PAWN, chess.ROOK, chess.QUEEN} & set(kinds):
            return 0
        if legal_key(board) in line:
            return 0
    moves = list(board.legal_moves)
    if not moves:
        return -31_000 + ply if board.is_check() else 0
    moves.sort(key=lambda m: not board.is_capture(m))
    best = -40_000
    for move in moves:
        key = legal_key(board)
        board.push(move)
        value = -search(board, depth - 1, ply + 1, -beta, -max(alpha, best), (*line, key))
        board.pop()
        best = max(best, value)
        if best >= beta:
            break
    return best
