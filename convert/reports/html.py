"""The illustrated report: one self-contained page a game, and an index for a folder of pages.

A page needs no network, no font and no script: the script only adds stepping.  Tags and
comments are escaped wherever they are printed, and a content security policy in the page
allows its own style and script by their hashes and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import PurePath

from convert.model import Review
from convert.reports import Beside
from convert.reports.board_svg import piece_defs
from convert.reports.html_lines import Desk
from convert.reports.html_strip import PATTERNS, legend, strip
from convert.reports.html_text import (
    embedded_json,
    environment,
    frame,
    known,
    linked,
    result_words,
)
from convert.reports.html_view import Article, View
from convert.reports.sections import ESTIMATED, once
from convert.wording.finish import deciding_words, finished_words
from convert.wording.practice import practice_words
from convert.wording.rules import figures_legend, lesson_source
from convert.wording.small import date_words
from convert.wording.verdicts import (
    how_words,
    only_moves_words,
    phases_left,
    shown_phases,
    span,
    suspicion_words,
    technique_words,
    turning_words,
)


def _runs(articles: list[Article]) -> list[list[Article]]:
    """The articles in order, small ones that follow each other together."""
    return [list(run) for _, run in groupby(articles, key=lambda article: article.weight)]


def _rest(articles: list[Article]) -> str:
    """What small articles are about, one after another, for the line that folds them."""
    return "; ".join(f"{article.title}: {article.side_note}" for article in articles)


def text(review: Review, beside: Beside) -> str:  # noqa: ARG001 - every output is given both
    """The page of one game, without an index beside it."""
    return page(review)


def page(review: Review, *, index: str | None = None) -> str:
    """The page of one game; ``index`` is the name of the index page beside it, if there is one.

    The same Review always gives the same text.
    """
    view = View(review, Desk())
    decided = view.deciding()
    slips, trades, declined = view.slips(), view.trades(), view.declined()
    board = view.score_board()
    score_line = view.score_line
    score = view.score(board)
    rules = view.rules()
    phases = shown_phases(review)
    deciding = [linked(review, text) for text in once(deciding_words(review))]
    return (
        environment()
        .get_template("page.html.j2")
        .render(
            **frame("page.css", "page.js"),
            runs=_runs,
            rest=_rest,
            defs=piece_defs() + PATTERNS,
            review=review,
            white=known(review, "White") or "White",
            black=known(review, "Black") or "Black",
            where=where(review),
            result=result_words(review.result),
            finished=" ".join(finished_words(review)),
            decided=decided,
            deciding=deciding,
            estimated=ESTIMATED,
            story=[linked(review, text) for text in once(review.story)],
            strip=strip(review),
            legend=legend(review),
            turning=linked(review, turning_words(review)),
            phases=[(span(review, p.first, p.last), p.name) for p in phases],
            phases_left=phases_left(review),
            practice=practice_words(review.practice) if review.practice else "",
            trades=sorted(trades, key=lambda article: not article.weight),
            declined=declined,
            slips=slips,
            rules=rules,
            suspicion=suspicion_words(review),
            rules_legend=figures_legend(row.rule.figure for row in rules),
            only_moves=[linked(review, text) for text in only_moves_words(review)],
            technique=[linked(review, text) for text in technique_words(review)],
            lessons=[
                (lesson, linked(review, lesson.shown), lesson_source(lesson))
                for lesson in review.teach
            ],
            board=board,
            score=score,
            score_line=score_line,
            how=linked(review, how_words(review)),
            index=index,
            file=PurePath(review.file).name,
            data=embedded_json(view.desk.data()),
        )
    )


def where(review: Review) -> str:
    """Event, site, round and date, as far as they are known."""
    number = known(review, "Round")
    parts = [
        known(review, "Event"),
        known(review, "Site"),
        f"round {number}" if number else "",
        date_words(known(review, "Date")),
    ]
    texts: list[str] = []
    for part in parts:
        if part and part not in texts:
            texts.append(part)
    return ", ".join(texts)


# --- the index ----------------------------------------------------------------------------


@dataclass(frozen=True)
class IndexRow:
    """One game in the index."""

    number: int
    href: str
    white: str
    black: str
    result: str
    event: str
    date: str
    date_key: str
    moves: int
    side: str
    certain: int
    suspected: int
    trades: int


def page_name(number: int, review: Review) -> str:
    """File name of a game's page: number and players in plain letters, digits and hyphens."""
    names = f"{known(review, 'White')} {known(review, 'Black')}".lower()
    plain = re.sub(r"[^a-z0-9]+", "-", names).strip("-")[:48].strip("-")
    return f"{number:04d}-{plain}.html" if plain else f"{number:04d}.html"


def index_row(number: int, href: str, review: Review) -> IndexRow:
    """What the index tells of a game."""
    date = known(review, "Date")
    return IndexRow(
        number=number,
        href=href,
        white=known(review, "White") or "unknown",
        black=known(review, "Black") or "unknown",
        result=result_words(review.result),
        event=known(review, "Event"),
        date=date_words(date),
        date_key=date,
        moves=(len(review.plies) + 1) // 2,
        side=review.side.name_,
        certain=sum(slip.certain for slip in review.slips),
        suspected=sum(not slip.certain for slip in review.slips),
        trades=len(review.trades),
    )


def index(rows: Iterable[IndexRow], title: str, up: str = "") -> Iterator[str]:
    """The index page in pieces, so that a long table never lies in memory as a whole.

    ``up`` is the address of the page that the games belong to, as seen from the index; empty
    where there is none.
    """
    return (
        environment()
        .get_template("index.html.j2")
        .generate(**frame("page.css", "index.js"), rows=rows, title=title, up=up)
    )
