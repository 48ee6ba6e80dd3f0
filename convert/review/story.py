"""The story of the game in a few sentences, moves told in the order in which they were played.

Works on a finished Review alone.  Every sentence is built from facts the
Review carries, with the evidence named where an outcome is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby

from convert.board.balance import edge_verb
from convert.model import Review, Side, Slip
from convert.review.course import CLEARLY, Course, better_stretches
from convert.review.teaching import teach
from convert.wording.finish import thrown_words
from convert.wording.small import capital, counted, join
from convert.wording.verdicts import estimate_word, evidence_word, held_words

#: So many certain slips are told in a story, the last always among them.
MOST_SLIPS = 3


@dataclass(frozen=True)
class _Event:
    """What is told of one ply: ``of_side`` a predicate of the side under review, else a clause."""

    ply: int
    text: str
    of_side: bool = False


def told(review: Review, course: Course) -> Review:
    """The Review with its story and what to teach from it."""
    return replace(review, story=tell(review, course), teach=teach(review))


def tell(review: Review, course: Course) -> tuple[str, ...]:
    """The story, a sentence an item, in the order of play; how it ended is told elsewhere."""
    won_at = _won_at(review)
    events = [*_rise(review, won_at, course.better), *_slips(review, won_at)]
    events += _known(review, won_at)
    events.sort(key=lambda event: event.ply)
    sentences = []
    if won_at is None and course.better is None:
        side = review.side.name_
        sentences.append(f"Neither side was clearly better for long; the review follows {side}.")
    for of_side, group in groupby(events, key=lambda event: event.of_side):
        texts = [event.text for event in group]
        text = f"{review.side.name_} {join(texts)}" if of_side else capital("; then ".join(texts))
        sentences.append(f"{text}.")
    return (*sentences, *_suspected(review))


def _won_at(review: Review) -> int | None:
    """The first ply (0: the start) after which the side under review had a win for certain."""
    plies = range(len(review.plies) + 1)
    return next((ply for ply in plies if review.verdict_at(ply, review.side).points == 1), None)


def _rise(review: Review, won_at: int | None, better_at: int | None) -> list[_Event]:
    """How the side under review came to its advantage: by material, by the estimate."""
    events = []
    at = won_at if won_at is not None else better_at
    if at is not None and (ahead := _ahead_since(review, at)) is not None:
        start, edge = ahead
        if won_at is None or start < won_at - 2:
            text = f"{edge_verb(edge, past=True)} {edge} {_since(review, start)}"
            events.append(_Event(start, text, of_side=True))
    if better_at is not None and (won_at is None or better_at < won_at - 3):
        verdict = review.verdict_at(better_at, review.side)
        how = evidence_word(verdict) if verdict.exact else estimate_word(verdict)
        first, *others = _better(review, better_at, won_at)
        same = bool(events) and events[0].ply == better_at and first[1] is None
        since = "" if same else f" {_stretch(review, *first)}"
        events.append(_Event(better_at, f"was clearly better{since} ({how})", of_side=True))
        if others and (won_at is None or others[-1][0] < won_at - 3):
            again = _stretch(review, *others[-1])
            text = f"was clearly better again {again} ({how})"
            events.append(_Event(others[-1][0], text, of_side=True))
    return events


def _better(review: Review, better_at: int, won_at: int | None) -> list[tuple[int, int | None]]:
    """When the side under review was clearly better: first and last ply; None: to the end.

    That is, to the end of the game, its first certain slip or the first certain win: what became
    of the advantage there is told apart.
    """
    side, last = review.side, len(review.plies)
    slips = (slip.ply - 1 for slip in review.slips if slip.certain and slip.side is side)
    stop = min([last, *([] if won_at is None else [won_at]), *(s for s in slips if s > better_at)])
    verdicts = [review.verdict_at(ply, side) for ply in range(better_at, stop + 1)]
    stretches = better_stretches(verdicts, side, CLEARLY) or [(0, None)]
    return [
        (better_at + first, None if end is None else better_at + end) for first, end in stretches
    ]


def _stretch(review: Review, first: int, end: int | None) -> str:
    if end is None:
        return _since(review, first)
    start = "from the start" if first == 0 else f"from {review.label_at(first)}"
    return f"{start} to {review.label_at(end)}"


def _since(review: Review, ply: int) -> str:
    return "from the start" if ply == 0 else f"from {review.label_at(ply)} on"


def _ahead_since(review: Review, ply: int) -> tuple[int, str] | None:
    """Since which ply the side under review has been ahead without a break, and by what."""
    index = review.phases.index(review.phase_at(ply))
    phase = review.phases[index]
    if phase.ahead is not review.side:
        return None
    start = phase.since
    while (
        index > 0
        and review.phases[index - 1].ahead is review.side
        and (review.phases[index - 1].edge == phase.edge)
    ):
        index -= 1
        start = review.phases[index].since
    return start, phase.edge


def _known(review: Review, won_at: int | None) -> list[_Event]:
    """From where on the outcome is known: a remark about knowledge, never a cause."""
    side = review.side
    if won_at is not None:
        how = evidence_word(review.verdict_at(won_at, side))
        if won_at == 0:
            return [_Event(0, f"the starting position is won for {side.name_} ({how})")]
        label = review.label_at(won_at)
        if any(slip.certain and slip.ply == won_at for slip in review.slips):
            return []
        return [_Event(won_at, f"after {label} {side.name_}'s win is proved ({how})")]
    reached = review.simplification
    if reached is None or any(slip.certain and slip.ply == reached for slip in review.slips):
        return []
    verdict = review.verdict_at(reached, side)
    how = evidence_word(verdict)
    result = {0: "drawn", -1: f"lost for {side.name_}", 1: f"won for {side.name_}"}
    what = result[verdict.points or 0]
    if reached == 0:
        return [_Event(0, f"the starting position is {what} ({how})")]
    if reached == len(review.plies) and how == "rules":
        return []
    return [_Event(reached, f"from {review.label_at(reached)} on it is proved: {what} ({how})")]


def _slips(review: Review, won_at: int | None) -> list[_Event]:
    """The certain slips of both sides; of many the first ones and the last."""
    certain = [slip for slip in review.slips if slip.certain]
    if len(certain) > MOST_SLIPS:
        left = len(certain) - MOST_SLIPS
        between = certain[MOST_SLIPS - 1]
        more = _Event(between.ply, f"{counted(left, 'more slip')} followed")
        shown = [*certain[: MOST_SLIPS - 1], certain[-1]]
        return sorted(
            [*(_slip(review, slip, won_at) for slip in shown), more], key=lambda event: event.ply
        )
    return [_slip(review, slip, won_at) for slip in certain]


def _slip(review: Review, slip: Slip, won_at: int | None) -> _Event:
    label = review.label_at(slip.ply, "?")
    text = f"{label} {_threw(review, slip, won_at)}"
    record = review.plies[slip.ply - 1]
    dots = "." if slip.side is Side.WHITE else "..."
    names = [f"{record.number}{dots}{alt.san}" for alt in slip.held[:1]]
    if names:
        keep = "won" if slip.before.low.points > 0 else "held"
        alone = len(slip.held) == 1
        text += f" ({held_words(slip, names) if alone else f'{names[0]} {keep}'})"
    return _Event(slip.ply, text)


def _threw(review: Review, slip: Slip, won_at: int | None) -> str:
    if any(other.handed_back == slip.ply for other in review.slips):
        return "gave the draw back" if slip.before.low.points > 0 else "handed the win back"
    if slip.ply == won_at and slip.side is not review.side:
        how = evidence_word(review.verdict_at(won_at, review.side))
        return f"handed {review.side.name_} the win, {how}"
    return thrown_words(slip.before, slip.after)


def _suspected(review: Review) -> list[str]:
    """Where no slip is certain: the one that the estimate suspects most."""
    suspected = [s for s in review.slips if not s.certain and s.side is review.side and s.held]
    if not suspected or any(slip.certain for slip in review.slips):
        return []
    worst = max(suspected, key=lambda slip: slip.before.expected - slip.after.expected)
    label = review.label_at(worst.ply, "?")
    return [
        f"No slip is certain; of {review.side.name_}'s moves the estimate suspects {label} most "
        f"({worst.held[0].san} looked better)."
    ]
