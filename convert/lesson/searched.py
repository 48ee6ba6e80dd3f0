"""Exercises past proof: decisions of a game on which a large search and the game agree.

Where tables and solver do not reach, an ending of a game may still pose a clear question: one move
(or two) is far better than all others by a search of a million positions, and the game went as the
search says: who found the move got the result it promises, who missed it did not.  Such an
exercise is told as what it is; it proves nothing.  All limits are counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import chess

from convert.board.activity import static_exchange
from convert.board.balance import census
from convert.board.kinds import is_ending
from convert.board.moves import line_san
from convert.judging.judges import Bench
from convert.judging.keeping import seen
from convert.judging.looking import told
from convert.lesson.choose import promise
from convert.lesson.difficulty import difficulty
from convert.lesson.finding import title
from convert.lesson.judging import Candidate, Draft, best_task, plain
from convert.lesson.lines import to_the_point
from convert.lesson.plausible import PAWN, Option, hopeless, weigh
from convert.lesson.pose import exercise_of, pose_of
from convert.lesson.words import label, line_text, misleads, sentence
from convert.model import Evidence, Line, Side, Verdict, move_label
from convert.model.lesson import Exercise, Task, Tried
from convert.reading.records import GameRead
from convert.review.trades import starts_trade
from convert.review.walker import Walk, walk
from convert.wording.verdicts import tenths
from tablebases.values import Outcome

#: Positions looked at for a first glance at all moves of a position, and to be sure.
GLANCE, LARGE = 30_000, 1_000_000
#: Glances in one game, and in all games of a sheet.
MOST_GLANCES, MOST_IN_ALL = 16, 640
#: Nothing is asked before this ply.
FIRST_PLY = 24
#: A move keeps what can be had if it expects no less than the best by so much, in points of a game;
#: another fails if it expects so much less.  What lies between makes a question unclear.
KEEPS, FAILS = 0.08, 0.2
#: Least chance of the best move to win, or greatest to lose, for there to be something to play for.
WINS, LOSES = 0.6, 0.4


@dataclass(frozen=True)
class Glimpse:
    """A position that a glance promises something of, and what became of the game.

    ``score``: points of the side to move, 1, 0 or -1; ``worth`` orders them: what the question
    promises, then by how much the other moves are worse.
    """

    candidate: Candidate
    score: int
    worth: tuple[float, ...]


def glimpses(read: GameRead, bench: Bench, most: int = MOST_GLANCES) -> Iterator[Glimpse | None]:
    """Positions of a game's main line that may hold a question past proof.

    One value for each position looked at, None where it holds none; trades are looked at first.
    """
    if read.game is None or not read.moves:
        return
    tags = read.game.headers
    result = {"1-0": 1, "0-1": -1, "1/2-1/2": 0}.get(tags.get("Result", "*"))
    if result is None or "time" in tags.get("Termination", "").lower():
        return
    walked = walk(read.game.board(), read.moves)
    places = places_past_proof(read, walked, bench)
    for candidate in places[: min(most, MOST_GLANCES)]:
        made = judged(bench, candidate, GLANCE)
        score = result if candidate.board.turn else -result
        if made is None or not _agrees(made, score):
            yield None
        else:
            yield Glimpse(candidate, score, (promise(made), round(_gap(made), 2)))


def confirmed(bench: Bench, glimpse: Glimpse) -> Draft | None:
    """The exercise, if a large search still says so and the game agrees with it."""
    made = judged(bench, glimpse.candidate, LARGE)
    return made if made is not None and _agrees(made, glimpse.score) else None


def places_past_proof(read: GameRead, walked: Walk, bench: Bench) -> list[Candidate]:
    """Places of a game to look at: those with a trade to decide on, then others of endings."""
    places = sorted(_places(read, walked, bench), key=lambda place: not place[0])
    return [candidate for _, candidate in places]


def _places(read: GameRead, walked: Walk, bench: Bench) -> Iterator[tuple[bool, Candidate]]:
    """Such places in the order of play, and whether there is a trade to decide on."""
    assert read.game is not None
    tags = dict(read.game.headers)
    where = title(tags, f"{read.source.rsplit('/', 1)[-1]}, game {read.number}")
    for ply, step in enumerate(walked.steps):
        if ply < FIRST_PLY:
            continue
        bare = plain(walked.boards[ply])
        if bare is None or bare.is_check() or bare.legal_moves.count() < 3:
            continue
        if bench.covered(bare) or hopeless(bare):
            continue
        last = walked.steps[ply - 1]
        taken = last.move.to_square if last.captured else None
        captures = list(bare.generate_legal_captures())
        back = {m.from_square for m in captures if m.to_square == taken}
        trade = any(starts_trade(bare, m) and m.to_square != taken for m in captures)
        about_trade = trade or len(back) > 1
        if not about_trade and not is_ending(census(bare)):
            continue
        after = f"after {move_label(last.number, Side.of(last.color), walked.san(ply))}"
        place = Candidate(
            bare,
            source=f"{where}, {after}",
            group=f"{read.source}#{read.number}",
            ply=ply,
            taken=taken,
            played=step.move,
            tags=tags,
        )
        yield about_trade, place


def judged(bench: Bench, candidate: Candidate, positions: int) -> Draft | None:
    """The question that the position holds by a search of so many positions; None without one."""
    board = candidate.board
    side = Side.of(board.turn)
    each = bench.look.search.moves(board, positions)
    known = []
    for move, result in each.found.items():
        chances = told(board, result.score, each.depth)
        known.append((move, _estimate(side, chances.won, chances.lost)))
    best = max(verdict.expected for _, verdict in known)
    top = next(verdict for _, verdict in known if verdict.expected == best)
    aim = 1 if top.win_probability >= WINS else 0 if top.loss_probability <= LOSES else None
    if aim is None:
        return None
    options = weigh(board, known)
    keep = [o for o in options if o.verdict.expected >= best - KEEPS]
    fail = [o for o in options if o.verdict.expected < best - KEEPS]
    made = _refusal(candidate, top, keep, fail) or _to_trade(candidate, top, keep, fail)
    if made is None and not any(o.verdict.expected > best - FAILS and o.plausible for o in fail):
        made = best_task(candidate, top, keep, fail)
    if made is None:
        return None
    lines = {move: result.line for move, result in each.found.items()}
    return replace(made, aim=aim, searched=positions, lines=lines)


def _refusal(
    candidate: Candidate, top: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    """A trade that looks natural and costs much, where no trade is among what keeps.

    How many other moves keep does not matter: the answer is no.
    """
    board = candidate.board
    if any(o.trade or o.offer for o in keep) or not any(o.plausible for o in keep):
        return None
    bad = [
        o
        for o in fail
        if o.trade
        and o.plausible
        and o.move.to_square != candidate.taken
        and o.verdict.expected <= top.expected - FAILS
        and static_exchange(board, o.move) >= 0
    ]
    if not bad:
        return None
    bad.sort(key=lambda o: (o.move != candidate.played, *seen(board, o.move)))
    keep = sorted(keep, key=lambda o: (not o.plausible, -o.verdict.expected))
    return Draft(candidate, Task.REFUSE, top, tuple(keep), tuple(fail), keep[0].move, bad[0].move)


def _to_trade(
    candidate: Candidate, top: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    """A trade, or the offer of one, where every plausible move that does not trade costs much."""
    board = candidate.board
    good = [
        o
        for o in keep
        if (o.trade or o.offer) and o.plausible and o.move.to_square != candidate.taken
    ]
    if not good or len(good) < len(keep) or static_exchange(board, good[0].move) >= PAWN:
        return None
    others = [o for o in fail if o.plausible and not o.trade and not o.offer]
    if not others or max(o.verdict.expected for o in others) > top.expected - FAILS:
        return None
    good.sort(key=lambda o: (not o.trade, -o.verdict.expected))
    return Draft(candidate, Task.TRADE, top, tuple(good), tuple(fail), good[0].move, good[0].move)


def _estimate(side: Side, won: float, lost: float) -> Verdict:
    return Verdict(
        side, Outcome.LOSS, Outcome.WIN, Evidence.ESTIMATE, win=won, loss=lost, measured=True
    )


def _gap(draft: Draft) -> float:
    """By how much the best of the plausible moves that fail is worse, in points of a game."""
    rest = [o.verdict.expected for o in draft.fail if o.plausible]
    return draft.verdict.expected - max(rest, default=0.0)


def _agrees(draft: Draft, score: int) -> bool:
    """The player who found the move got what it promises; who missed it by far did not."""
    played = draft.candidate.played
    if any(o.move == played for o in draft.keep):
        return score >= draft.points
    least = draft.verdict.expected - FAILS
    missed = any(o.move == played and o.verdict.expected <= least for o in draft.fail)
    return missed and score < draft.points


# --- written out --------------------------------------------------------------------------------


def write(bench: Bench, draft: Draft, used: tuple[str, ...] = ()) -> Exercise:
    """Write the exercise out; ``used``: hints that other exercises of the sheet have."""
    board = draft.board
    pose = pose_of(bench, draft, None, used)
    lines = {move: _line(board, line) for move, line in draft.lines.items()}
    keep = tuple(_tried(board, o.move, o.verdict, lines) for o in draft.keep)
    wrong = tuple(_tried(board, o.move, o.verdict, lines) for o in draft.tempting[:2])
    asked = None
    if draft.asked is not None:
        verdict = next(o.verdict for o in (*draft.keep, *draft.fail) if o.move == draft.asked)
        asked = _tried(board, draft.asked, verdict, lines)
    answer = _answer(draft, keep, wrong, asked)
    if pose.rules.against is not None:
        answer = (*answer, misleads(pose.rules.against))
    return exercise_of(
        pose,
        asked=asked,
        keep=keep,
        ways=len(keep),
        wrong=wrong,
        answer=answer,
        remarks=answer,
        difficulty=difficulty(draft, keep[0].line, pose.rules.against),
    )


def _line(board: chess.Board, moves: tuple[chess.Move, ...]) -> Line:
    return to_the_point(Line(board.fen(), line_san(board, moves), "point"))


def _tried(
    board: chess.Board, move: chess.Move, verdict: Verdict, lines: dict[chess.Move, Line]
) -> Tried:
    return Tried(board.san(move), move.uci(), verdict, lines[move])


def _chance(draft: Draft, verdict: Verdict) -> str:
    """``wins in about 8 of 10``, ``holds in more than 9 of 10``: by the estimate."""
    if draft.points > 0:
        return f"wins in {tenths(verdict.win_probability)} (estimate)"
    return f"holds in {tenths(1 - verdict.loss_probability)} (estimate)"


def _answer(
    draft: Draft, keep: tuple[Tried, ...], wrong: tuple[Tried, ...], asked: Tried | None
) -> tuple[str, ...]:
    board = draft.board
    shown = keep[0]
    assert shown.line is not None
    out = []
    if draft.task is Task.REFUSE and asked is not None:
        out.append(f"No. {_told(draft, asked)}")
    lead = "Yes. " if draft.task is Task.TRADE else ""
    out.append(f"{lead}{sentence(line_text(shown.line))}")
    also = f"; so does {label(board, keep[1].san)}" if len(keep) == 2 else ""
    if len(keep) > 2:
        also = f"; {len(keep) - 1} other moves are about as good"
    out.append(f"{label(board, shown.san)} {_chance(draft, shown.verdict)}{also}.")
    out += [_told(draft, t) for t in wrong if asked is None or t.uci != asked.uci][:2]
    out.append(_how(draft))
    return tuple(out)


def _told(draft: Draft, tried: Tried) -> str:
    text = f"{label(draft.board, tried.san, '?')} {_chance(draft, tried.verdict)}"
    if tried.line is not None and len(tried.line.moves) > 1:
        text += f": {line_text(tried.line)}"
    return sentence(text)


def _how(draft: Draft) -> str:
    """What stands behind the answer."""
    hit = any(o.move == draft.candidate.played for o in draft.keep)
    mover = Side.of(draft.board.turn).name_
    aim = ("won", "did not win") if draft.points > 0 else ("did not lose", "lost")
    game = f"in the game {mover} {'found it and ' + aim[0] if hit else 'missed it and ' + aim[1]}"
    return f"Not proved: a search of {draft.searched:,} positions says so, and {game}."
