"""One Review from what the stages before have told of a game; its sentences come after."""

from __future__ import annotations

from convert import __version__
from convert.model import SCHEMA, Counts, PlyRecord, Review, Side
from convert.model.deciding import Deciding, Finished
from convert.review.course import Course
from convert.review.findings import Findings
from convert.review.judged import Judged
from convert.review.scoresheet import Scoresheet


def assembled(
    sheet: Scoresheet,
    judged: Judged,
    course: Course,
    findings: Findings,
    deciding: Deciding | None,
    finished: Finished,
    counts: Counts,
) -> Review:
    """The Review without its story and lessons."""
    return Review(
        schema=SCHEMA,
        program=f"fullpoint {__version__}",
        file=sheet.file,
        number=sheet.number,
        line=sheet.line,
        tags=sheet.tags,
        start_fen=sheet.start.fen(),
        result=sheet.result,
        side=course.side,
        side_chosen=course.side_chosen,
        complete=sheet.complete,
        problems=sheet.problems,
        start_verdict=judged.verdicts[0],
        plies=tuple(_record(sheet, judged, step.ply) for step in judged.walked.steps),
        phases=judged.walked.phases,
        trades=findings.trades,
        declined=findings.declined,
        slips=findings.slips,
        only_moves=findings.only_moves,
        technique=findings.technique,
        ending_ply=course.ending,
        ending_rules=findings.ending_rules,
        simplification=course.simplification,
        turning=course.turning,
        story=(),
        teach=(),
        counts=counts,
        comment=sheet.author.before,
        practice=findings.practice,
        suspicion=findings.suspicion,
        deciding=deciding,
        finished=finished,
    )


def _record(sheet: Scoresheet, judged: Judged, ply: int) -> PlyRecord:
    step = judged.walked.steps[ply - 1]
    noted = sheet.author.at(ply)
    return PlyRecord(
        ply=ply,
        number=step.number,
        side=Side.of(step.color),
        san=judged.walked.san(ply),
        uci=step.move.uci(),
        clock=judged.walked.boards[ply].halfmove_clock,
        verdict=judged.verdicts[ply],
        capture=step.captured is not None,
        comment=noted.comment,
        nags=noted.nags,
        sidelines=noted.sidelines,
    )
