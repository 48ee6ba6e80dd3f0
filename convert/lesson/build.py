"""From a draft to a finished exercise: lines, hint, twin, difficulty, words."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import chess

from convert.board.balance import census, pieces
from convert.judging.judges import Bench, after_move
from convert.lesson.difficulty import difficulty
from convert.lesson.judging import Draft
from convert.lesson.lines import show, to_the_point
from convert.lesson.pose import exercise_of, pose_of
from convert.lesson.scene import PlayedTrade, agrees, play_out
from convert.lesson.twins import FoundTwin, find_twin
from convert.lesson.words import (
    answer,
    change_words,
    label,
    line_text,
    misleads,
    moved_squares,
    remarks,
    result_words,
    sentence,
)
from convert.model import Line, Side, Speaking, Verdict
from convert.model.lesson import Exercise, Task, Tried, Twin
from convert.review.decisions import position_speaking
from convert.rules import rule_by_id
from convert.wording.small import join
from convert.wording.verdicts import evidence_word

#: At most so many moves that keep the result are written down, and so many that fail.
MOST_KEEP, MOST_WRONG = 6, 3


def build(
    bench: Bench,
    draft: Draft,
    *,
    ident: str = "",
    theme: str = "",
    idea: str = "",
    difference: str = "",
    twin: FoundTwin | None = None,
    search: bool = True,
    deepen: bool = False,
    used: Collection[str] = (),
    no_turned: bool = False,
) -> Exercise:
    """Write the exercise out.

    With ``deepen`` the solver first looks at the positions after the moves that are shown, so that
    their lines do not end where it has not been yet.
    ``idea`` and ``difference`` are an author's sentences, put in front of what is found here;
    ``twin`` one that is given, otherwise (with ``search``) the nearest is looked for, without the
    other side to move if ``no_turned``.  ``used``: hints that other exercises of the sheet have.
    """
    board = draft.board
    if deepen:
        _deepen(bench, draft)
    lost = _losing_line(bench, board) if draft.points < 0 else None
    pose = pose_of(bench, draft, lost, used)
    against = pose.rules.against
    keep = tuple(
        _tried(bench, board, o.move, o.verdict, line=i == 0)
        for i, o in enumerate(draft.keep[:MOST_KEEP])
    )
    tempting = draft.tempting
    if draft.task is Task.RECAPTURE and draft.key is not None:
        square = draft.key.to_square  # the question is how, not whether, to take back
        tempting = tuple(o for o in tempting if o.move.to_square == square)
    wrong = tuple(_tried(bench, board, o.move, o.verdict, line=True) for o in tempting[:MOST_WRONG])
    asked = _asked(bench, draft)
    told_answer = answer(draft, keep, wrong, asked, lost)
    told_remarks = (*remarks(draft, keep, asked, against), *sentences(idea))
    told_answer = (*told_answer, *sentences(idea))
    if against is not None:
        told_answer = (*told_answer, misleads(against))
    found_twin = twin
    if twin is None and search:
        found_twin = find_twin(bench, draft, no_turned=no_turned)
    shown = show(bench, board, draft.key) if keep and draft.key is not None else None
    return exercise_of(
        pose,
        asked=asked,
        keep=keep if draft.points >= 0 else (),
        ways=len(draft.keep) if draft.points >= 0 else 0,
        wrong=wrong,
        answer=told_answer,
        remarks=told_remarks,
        difficulty=difficulty(draft, shown, against),
        ident=ident,
        theme=theme,
        twin=_twin(bench, draft, pose.played, found_twin, difference)
        if found_twin is not None
        else None,
    )


def _deepen(bench: Bench, draft: Draft) -> None:
    """Let the solver look at the positions after the moves that are shown."""
    shown = [m for m in (draft.asked, draft.key) if m is not None]
    shown += [option.move for option in draft.tempting[:2]]
    children = [after_move(draft.board, m) for m in dict.fromkeys(shown)]
    bench.prepare([child for child in children if not bench.covered(child)])
    bench.forget()  # what was not known before may be known now


def _asked(bench: Bench, draft: Draft) -> Tried | None:
    """The move that is asked about, if one is, with what it leads to."""
    if draft.asked is None:
        return None
    verdicts = {o.move: o.verdict for o in (*draft.keep, *draft.fail)}
    return _tried(bench, draft.board, draft.asked, verdicts[draft.asked], line=True)


def sentences(text: str) -> tuple[str, ...]:
    """An author's text as it is, in one piece; nothing if there is none."""
    text = text.strip()
    return (text,) if text else ()


def _tried(
    bench: Bench, board: chess.Board, move: chess.Move, verdict: Verdict, *, line: bool
) -> Tried:
    shown = to_the_point(show(bench, board, move)) if line else None
    return Tried(board.san(move), move.uci(), verdict, shown)


# --- the twin ---------------------------------------------------------------------------


def _twin(
    bench: Bench, draft: Draft, played: PlayedTrade | None, found_twin: FoundTwin, difference: str
) -> Twin:
    board, side = found_twin.board, Side.of(draft.board.turn)
    keep: list[tuple[chess.Move, Verdict]] = []
    mine = found_twin.verdict.for_side(Side.of(board.turn))
    if (mine.points or 0) >= 0:
        keep = [
            (m, v) for m, v in bench.kept(board).moves if v is not None and v.points == mine.points
        ]
        keep.sort(key=lambda item: item[0] != found_twin.same)
    shown_moves = tuple(
        _tried(bench, board, m, v.for_side(side), line=i == 0)
        for i, (m, v) in enumerate(keep[:MOST_KEEP])
    )
    same = None
    if found_twin.same is not None and found_twin.after_same is not None:
        same = _tried(bench, board, found_twin.same, found_twin.after_same, line=True)
    line: Line | None = shown_moves[0].line if shown_moves else None
    if line is None:
        line = _losing_line(bench, board)
    change = change_words(draft.board, board, found_twin.kind)
    text = [_change_sentence(found_twin, change, same, shown_moves, len(keep))]
    if difference:
        text += sentences(difference)
    else:
        text += _rule_sentences(bench, draft, played, found_twin)
    return Twin(
        fen=board.fen(),
        kind=found_twin.kind,
        change=change,
        moved=moved_squares(draft.board, board, found_twin.kind),
        verdict=found_twin.verdict,
        same=same,
        keep=shown_moves,
        kept=len(keep),
        line=line,
        difference=tuple(text),
    )


def _losing_line(bench: Bench, board: chess.Board) -> Line | None:
    """Play from a lost position, with the longest defence."""
    moves = [m for m, v in bench.kept(board).moves if v is not None]
    return to_the_point(show(bench, board, moves[0])) if moves else None


def _change_sentence(
    found_twin: FoundTwin,
    change: str,
    same: Tried | None,
    keep: Sequence[Tried],
    how_many: int,
) -> str:
    """What the same idea gives in the twin, and what is right there."""
    board = found_twin.board
    lead_in = f"with {change}"
    lead_in = lead_in.replace("with without", "without").replace("with with", "with")
    how = evidence_word(found_twin.verdict)
    if same is None:
        text = f"{lead_in}, {result_words(found_twin.verdict)} ({how})"
        return sentence(text)
    text = f"{lead_in}, {label(board, same.san)} {_gives(same.verdict)}"
    text += f" ({evidence_word(same.verdict)})"
    best = found_twin.verdict.points
    if same.verdict.points == best:
        others = how_many - 1
        if best is not None and best >= 0 and others == 0:
            text += " and is the only move to do so"
        return sentence(text)
    named = [label(board, tried.san) for tried in keep]
    verb = ("wins", "win") if best == 1 else ("holds the draw", "hold the draw")
    if how_many == 1:
        text += f"; there only {named[0]} {verb[0]} ({how})"
    elif how_many <= 3:
        text += f"; there {join(named)} {verb[1]} ({how})"
    else:
        text += f"; there {', '.join(named[:2])} and {how_many - 2} other moves {verb[1]} ({how})"
    return sentence(text)


def _gives(verdict: Verdict) -> str:
    points = verdict.points
    return "wins" if points == 1 else "loses" if points == -1 else "draws"


def _rule_sentences(
    bench: Bench, draft: Draft, played: PlayedTrade | None, found_twin: FoundTwin
) -> list[str]:
    """A rule that points to the result in one position and is silent in the other.

    It is looked for where the idea has been carried out in both.
    """
    side = Side.of(draft.board.turn)
    mine = _carried_out(draft.board, draft.asked or draft.key, played)
    theirs = _carried_out(
        found_twin.board,
        found_twin.same,
        play_out(bench, found_twin.board, found_twin.same)
        if played is not None and found_twin.same is not None
        else None,
    )
    if found_twin.same is None:
        mine, theirs = (draft.board, ""), (found_twin.board, "")
    out = []
    for here, there, where, after in (
        (mine[0], theirs[0], "in the exercise", mine[1]),
        (theirs[0], mine[0], "in the twin", theirs[1]),
    ):
        rule = _speaks_here_only(bench, here, there, side)
        if rule is not None:
            moves = f" after {after}" if after else ""
            other = "twin" if where == "in the exercise" else "exercise"
            out.append(
                f"The rule \u201c{rule.name}\u201d applies {where}{moves} ({rule.detail}), "
                f"but not in the {other}."
            )
            break
    if not out:
        out += _pawn_facts(bench, mine[0], theirs[0], carried=found_twin.same is not None)
    return out


def _carried_out(
    board: chess.Board, move: chess.Move | None, played: PlayedTrade | None
) -> tuple[chess.Board, str]:
    if played is not None:
        sans, work = [], board.copy(stack=False)
        for step in played.moves:
            sans.append(work.san_and_push(step))
        line = Line(board.fen(), tuple(sans))
        return played.after, line_text(line)
    if move is None:
        return board, ""
    return after_move(board, move), label(board, board.san(move))


#: Rules of these themes name a cause; the others speak of activity and method in general.
_TELLING = ("pawn endings", "bishops", "knights", "rook against minor", "queen endings")


def _speaks_here_only(
    bench: Bench, here: chess.Board, there: chess.Board, side: Side
) -> Speaking | None:
    settled = bench.settle(here)
    if settled is None or not settled.exact:
        return None
    points = settled.for_side(side).points or 0
    silent = {(r.rule, r.side) for r in position_speaking(bench, there)}
    spoken = [
        r
        for r in position_speaking(bench, here)
        if agrees(r, side, points)
        and (r.rule, r.side) not in silent
        and (rule_by_id(r.rule).exact or rule_by_id(r.rule).theme in _TELLING)
    ]
    spoken.sort(key=lambda r: (not rule_by_id(r.rule).exact, -r.strength, r.rule))
    return spoken[0] if spoken else None


def _pawn_facts(bench: Bench, here: chess.Board, there: chess.Board, *, carried: bool) -> list[str]:
    """With one pawn left: a step more or less of the defending king, or a rook's pawn.

    Told only where it points the way the results do: the defender does better where his king is
    nearer, or where the pawn is a rook's pawn.
    """
    if any(pieces(census(board), color) for board in (here, there) for color in chess.COLORS):
        return []
    if here.pawns.bit_count() != 1 or there.pawns.bit_count() != 1:
        return []
    color = bool(here.pawns & here.occupied_co[chess.WHITE])
    if color is not bool(there.pawns & there.occupied_co[chess.WHITE]):
        return []
    first, second = bench.settle(here), bench.settle(there)
    if first is None or second is None or not (first.exact and second.exact):
        return []
    attacker = Side.of(color)
    better = (first.for_side(attacker).points or 0) - (second.for_side(attacker).points or 0)
    pawn, other = chess.lsb(here.pawns), chess.lsb(there.pawns)
    rook = [chess.square_file(s) in (0, 7) for s in (pawn, other)]
    if better > 0 and rook == [False, True]:
        return ["The pawn is a rook's pawn in the twin."]
    if better < 0 and rook == [True, False]:
        return ["The pawn is a rook's pawn in the exercise, and none in the twin."]
    a, b = here.king(not color), there.king(not color)
    if pawn != other or a is None or b is None:
        return []
    goal = chess.square(chess.square_file(pawn), 7 if color else 0)
    far, near = chess.square_distance(a, goal), chess.square_distance(b, goal)
    if (far - near) * better <= 0:
        return []
    once = "Once the idea is carried out, " if carried else ""
    king = f"{attacker.other.name_}'s king stands {far} step{'' if far == 1 else 's'}"
    return [f"{once}{king} from the queening square in the exercise, and {near} in the twin."]
