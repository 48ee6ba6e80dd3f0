"""The way of one game: record, scoresheet, walk, verdicts, course, findings, deciding moment and
end, Review, sentences.

Each stage is a function in a module of its own, from frozen values to the next one; no stage asks
one before it, and nothing but this module knows their order.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from convert.judging.judges import Bench
from convert.model import Counts, Evidence, Review, Side
from convert.reading.records import GameRead
from convert.review.assembled import assembled
from convert.review.course import course
from convert.review.deciding import deciding_moment, went_on_to_win, with_moment
from convert.review.findings import findings
from convert.review.finished import finished
from convert.review.judged import judge_walk
from convert.review.longer import look_again
from convert.review.scoresheet import Refused, scoresheet
from convert.review.story import told
from convert.review.walker import walk

__all__ = ["Refused", "review_game"]


def review_game(
    read: GameRead,
    bench: Bench,
    side: Side | None = None,
    progress: Callable[[int, int], None] | None = None,
    *,
    first_better: bool = False,
) -> Review:
    """Review one game.

    ``side`` is the side under review; None takes the winner's if he was ever
    winning or clearly better, else the side that was so first.  ``progress`` is told how many
    positions of the game are judged, and of how many.  ``first_better``: the side that was better
    first is taken whoever won (:func:`convert.review.course.choose_side`).

    Raises:
        Refused: the game has no usable moves.
    """
    sheet = scoresheet(read)
    spent = bench_counts(bench)
    walked = walk(sheet.start, sheet.moves)
    first = judge_walk(walked, bench, progress)
    end = finished(first, sheet.result, sheet.tags, sheet.complete)
    longer = look_again(first, went_on_to_win(end))
    judged = longer.judged
    end = replace(end, final=judged.verdicts[-1])
    line = course(judged, sheet.result, side, first_better=first_better)
    all_found = findings(judged, line, sheet.tags)
    moment = deciding_moment(longer, all_found.slips, end)
    all_found = replace(all_found, slips=with_moment(judged, all_found.slips, moment))
    counts = since(spent, bench_counts(bench), len(walked.boards))
    return told(assembled(sheet, judged, line, all_found, moment, end, counts), line)


def bench_counts(bench: Bench) -> Counts:
    """What the bench has done so far, over all the games it judged."""
    by = bench.counts()
    probes = getattr(bench.prober, "counts", None)
    return Counts(
        positions=0,
        judged=sum(by.values()),
        by_evidence={e.value: by[e] for e in Evidence if by[e]},
        wdl_probes=getattr(probes, "wdl", 0),
        dtz_probes=getattr(probes, "dtz", 0),
        look_ahead_nodes=bench.look_ahead_nodes,
    )


def since(before: Counts, after: Counts, positions: int) -> Counts:
    """What one review of ``positions`` positions added to the counts."""
    by = {
        name: number - before.by_evidence.get(name, 0)
        for name, number in after.by_evidence.items()
        if number > before.by_evidence.get(name, 0)
    }
    return Counts(
        positions=positions,
        judged=after.judged - before.judged,
        by_evidence=by,
        wdl_probes=after.wdl_probes - before.wdl_probes,
        dtz_probes=after.dtz_probes - before.dtz_probes,
        look_ahead_nodes=after.look_ahead_nodes - before.look_ahead_nodes,
    )
