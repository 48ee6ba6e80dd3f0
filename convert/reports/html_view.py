"""What stands on a page: the articles on trades and slips, the rules, the score."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from markupsafe import Markup

from convert.model import (
    Alternative,
    Decision,
    Grade,
    Part,
    PlyRecord,
    Review,
    Side,
    Sideline,
    Slip,
    Speaking,
    Trade,
    move_label,
)
from convert.reports.board_svg import Mark
from convert.reports.combinations import events
from convert.reports.html_lines import (
    Desk,
    Figure,
    LineView,
    gone,
    move_mark,
    place,
    positions,
)
from convert.reports.html_text import comment_text, linked, nag_text, suffixes
from convert.reports.sections import bare, by_look_ahead, deciding_board, deciding_ply
from convert.wording.rules import holds_words, rule_words, worth_saying
from convert.wording.slips import best_against, mark_words, played_after, price_words
from convert.wording.small import capital
from convert.wording.verdicts import (
    after_rules,
    before_after_words,
    decision_words,
    declined_words,
    lead_words,
    mentioned,
    other_words,
    pieces_words,
    rules_of,
    slip_words,
    verdict_words,
    weighty,
    who_words,
)


@dataclass(frozen=True)
class Para:
    """A paragraph of an article, with the lines that follow it."""

    text: Markup
    lines: tuple[LineView, ...] = ()
    item: bool = False


@dataclass(frozen=True)
class Article:
    """A trade, a trade declined or a slip: diagram before, the moves, what is to be said.

    ``weight``: False for one that is told in a few words beside a small diagram.
    ``more`` may stand on the next page of paper, away from the diagram.
    """

    ident: str
    title: str
    side_note: str
    figure: Figure
    moves: LineView
    paras: tuple[Para, ...]
    weight: bool
    more: tuple[Para, ...] = ()


@dataclass(frozen=True)
class RuleRow:
    """A rule of thumb that spoke, with where it did."""

    rule: Speaking
    where: tuple[Markup, ...]
    holds: str


@dataclass(frozen=True)
class Token:
    """A piece of the score: ``kind`` is move, comment or sideline.

    ``refs`` lead from a move to its articles; ``comments`` and ``glyphs`` stand behind the moves
    of a sideline.
    """

    kind: str
    text: str = ""
    ply: int = 0
    suffix: str = ""
    refs: tuple[tuple[str, str], ...] = ()
    line: LineView | None = None
    comments: tuple[str, ...] = ()
    glyphs: tuple[str, ...] = ()
    depth: int = 0


@dataclass
class View:
    """Puts the parts of a page together from one Review."""

    review: Review
    desk: Desk = field(default_factory=Desk)

    def __post_init__(self) -> None:
        self.boards = positions(self.review)

    # --- trades ---------------------------------------------------------------------------

    def trades(self) -> list[Article]:
        """An article a trade, in the order of the game; of a combination with its net result."""
        nets = {event.trade.first: event.net for event in events(self.review) if event.net}
        made = []
        for number, trade in enumerate(self.review.trades, 1):
            article = self._trade(number, trade)
            if trade.first in nets:
                article = replace(article, side_note=f"{trade.name}; {nets[trade.first]}")
            made.append(article)
        return made

    def _trade(self, number: int, trade: Trade) -> Article:
        review = self.review
        first = review.plies[trade.first - 1]
        board = self.boards[trade.first - 1]
        rings = tuple(
            Mark("given", name)
            for name in gone(self.boards, review.plies, trade.first, trade.last)
            if name != first.uci[2:4]
        )
        caption = f"Before {review.label_at(trade.first)}"
        figure = self.desk.figure(trade.fen, caption, (*rings, move_mark(board, first.uci)))
        moves = self.desk.line(figure, trade.fen, trade.moves)
        heavy = weighty(review, trade)
        paras = self._weighty(figure, trade) if heavy else self._light(trade)
        more = self._more(trade) if heavy else []
        return Article(
            ident=f"trade-{number}",
            title=f"Trade {number}",
            side_note=trade.name,
            figure=figure,
            moves=moves,
            paras=tuple(paras),
            weight=heavy,
            more=tuple(more),
        )

    def _light(self, trade: Trade) -> list[Para]:
        decisions = [d for d in trade.decisions if mentioned(d)]
        if not decisions:
            return [self._para(before_after_words(trade))]
        return [self._para(f"{decision_words(d)}.") for d in decisions]

    def _weighty(self, figure: Figure, trade: Trade) -> list[Para]:
        review = self.review
        proof: tuple[LineView, ...] = ()
        if trade.before.via:
            proof = (self.desk.line(figure, trade.fen, trade.before.via, "Proof:"),)
        paras = [
            self._para(who_words(review, trade)),
            replace(self._para(before_after_words(trade)), lines=proof),
        ]
        if trade.balance_before != trade.balance_after:
            paras.append(self._para(f"Material after it: {trade.balance_after}."))
        for decision in trade.decisions:
            if mentioned(decision) or (decision.part is Part.START and decision.best is not None):
                paras.append(self._decision(figure, decision))
        return paras

    def _more(self, trade: Trade) -> list[Para]:
        """Rules of thumb on a trade, what its pieces had been doing, what it left behind."""
        review, paras = self.review, []
        for lead, rule in rules_of(review, trade):
            paras.append(self._para(f"{lead}: {rule_words(rule)}"))
        paras += [self._para(text) for text in pieces_words(trade)]
        if trade.aftermath:
            paras.append(self._para(f"After it: {trade.aftermath}."))
        return paras

    def _decision(self, figure: Figure, decision: Decision) -> Para:
        text = decision_words(decision)
        lines: tuple[LineView, ...] = ()
        if decision.best is not None:
            other = other_words(self.review, decision.ply, decision.best, lead_words(decision))
            text = f"{text}. {other}"
            lines = self._alternative(figure, decision.best)
        return replace(self._para(text.rstrip(".") + "."), lines=lines, item=True)

    def _alternative(self, figure: Figure, other: Alternative) -> tuple[LineView, ...]:
        if other.line is None or len(other.line.moves) < 2:
            return ()
        line = other.line
        return (self.desk.line(figure, line.fen, line.moves, ends=line.ends),)

    def _para(self, text: str) -> Para:
        return Para(linked(self.review, bare(text)))

    def declined(self) -> list[Article]:
        """An article a trade declined or missed."""
        review, out = self.review, []
        for number, decision in enumerate(review.declined, 1):
            record = review.plies[decision.ply - 1]
            board = self.boards[decision.ply - 1]
            best = decision.best
            shown = best.uci if best is not None else record.uci
            label = move_label(record.number, record.side, best.san) if best else ""
            caption = f"Before {review.label_at(decision.ply)}"
            caption += f"; marked: {label}" if label else ""
            figure = self.desk.figure(board.fen(), caption, (move_mark(board, shown),))
            moves = self.desk.line(figure, board.fen(), (record.san,))
            lines = self._alternative(figure, best) if best is not None else ()
            out.append(
                Article(
                    ident=f"declined-{number}",
                    title=review.label_at(decision.ply),
                    side_note=f"{decision.side.name_} declines",
                    figure=figure,
                    moves=moves,
                    paras=(replace(self._para(declined_words(review, decision)), lines=lines),),
                    weight=decision.grade is Grade.MISSED,
                )
            )
        return out

    # --- the first screen -----------------------------------------------------------------

    def deciding(self) -> Figure | None:
        """The diagram of the first screen (:func:`convert.reports.sections.deciding_board`)."""
        board = deciding_board(self.review)
        ply = deciding_ply(self.review)
        if board is None:
            return None
        if ply is None:
            return self.desk.figure(board.fen, board.caption)
        mark = move_mark(self.boards[ply - 1], self.review.plies[ply - 1].uci)
        return self.desk.figure(board.fen, board.caption, (mark,))

    # --- slips ----------------------------------------------------------------------------

    def slips(self) -> list[Article]:
        """An article a slip, in the order of the game."""
        return [self._slip(number, slip) for number, slip in enumerate(self.review.slips, 1)]

    def _slip(self, number: int, slip: Slip) -> Article:
        review = self.review
        record = review.plies[slip.ply - 1]
        board = self.boards[slip.ply - 1]
        mark = move_mark(board, record.uci)
        figure = self.desk.figure(slip.fen, f"Before {review.label_at(slip.ply)}", (mark,))
        lines: list[LineView] = []
        if slip.shown is not None and len(slip.shown.moves) > 1:
            shown = slip.shown
            lines.append(self.desk.line(figure, shown.fen, shown.moves, "Line:", shown.ends))
        after = played_after(review, slip)
        moves = self.desk.line(figure, slip.fen, (record.san, *after), "As played:")
        words = slip_words(review, slip)
        paras = [self._para(" ".join(words))]
        if lines:
            paras[-1] = Para(paras[-1].text, tuple(lines))
        paras.append(Para(Markup(), (moves,)))
        if (refuted := best_against(review, slip)) is not None:
            best = (record.san, *refuted.moves)
            best_line = self.desk.line(figure, slip.fen, best, "Best against it:", refuted.ends)
            paras.append(Para(Markup(), (best_line,)))
        if (price := price_words(review, slip)) is not None:
            paras.append(self._para(price))
        return Article(
            ident=f"slip-{number}",
            title=review.label_at(slip.ply, "?"),
            side_note=mark_words(slip),
            figure=figure,
            moves=moves,
            paras=tuple(paras),
            weight=slip.certain,
        )

    # --- rules of thumb -------------------------------------------------------------------

    def rules(self) -> list[RuleRow]:
        """Every rule of thumb that the page quotes, once, with where it speaks."""
        review = self.review
        table: dict[str, tuple[Speaking, list[Markup]]] = {}

        def add(rule: Speaking, href: str, label: str) -> None:
            _, places = table.setdefault(rule.rule, (rule, []))
            place = Markup('<a href="#{}">{}</a>').format(href, label)
            if place not in places:
                places.append(place)

        for number, trade in enumerate(review.trades, 1):
            for _, rule in rules_of(review, trade) if weighty(review, trade) else []:
                add(rule, f"trade-{number}", f"trade {number}")
        for number, slip in enumerate(review.slips, 1):
            if (after := after_rules(slip)) and slip.rules_after_ply is not None:
                label = review.label_at(slip.ply, "?")
                add(after[0], f"slip-{number}", label)
        if review.ending_ply:
            label = f"after {review.label_at(review.ending_ply)}"
            for rule in filter(worth_saying, review.ending_rules):
                add(rule, f"p{review.ending_ply}", label)
        return [
            RuleRow(rule, tuple(where), capital(holds_words(rule)))
            for rule, where in table.values()
        ]

    # --- the score ------------------------------------------------------------------------

    def score_board(self) -> Figure:
        """The board beside the score; it shows the position that the review is about."""
        review = self.review
        ply = review.ending_ply or 0
        if ply:
            caption = f"After {review.label_at(ply)}: {self.outcome(ply)}"
            last: str | None = review.plies[ply - 1].uci
        else:
            caption, last = f"At the start: {self.outcome(0)}", None
        figure = self.desk.figure(self.boards[ply].fen(), caption, last=last)
        start = (place(self.boards[0]), "", "At the start", self.outcome(0))
        steps = [start]
        for record in review.plies:
            label = f"After {move_label(record.number, record.side, record.san)}"
            board = self.boards[record.ply]
            steps.append((place(board), record.uci, label, self.outcome(record.ply)))
        self.desk.lines.append((figure.ident, steps, ply))
        return figure

    @property
    def score_line(self) -> int:
        """Number of the score among the lines, once :meth:`score_board` is called."""
        return len(self.desk.lines) - 1

    def outcome(self, ply: int) -> str:
        """The verdict after ``ply`` in words, evidence included."""
        record = self.review.plies[ply - 1] if ply else None
        verdict = record.verdict if record else self.review.start_verdict
        return by_look_ahead(verdict_words(verdict.for_side(self.review.side)))

    def score(self, figure: Figure) -> list[Token]:
        """The whole score with the author's comments and variations."""
        review = self.review
        refs: dict[int, list[tuple[str, str]]] = {}
        for number, trade in enumerate(review.trades, 1):
            refs.setdefault(trade.first, []).append((f"trade-{number}", f"trade {number}"))
        for number, slip in enumerate(review.slips, 1):
            word = "slip" if slip.certain else "suspected slip"
            refs.setdefault(slip.ply, []).append((f"slip-{number}", word))
        tokens = []
        if text := comment_text(review.comment):
            tokens.append(Token("comment", text))
        fresh = True
        for record in review.plies:
            tokens.append(self._played(record, tuple(refs.get(record.ply, ())), fresh))
            fresh = False
            notes = [comment_text(record.comment), nag_text(record.nags)]
            for text in filter(None, notes):
                tokens.append(Token("comment", text))
                fresh = True
            for sideline in record.sidelines:
                tokens.append(self._sideline(figure, sideline))
                fresh = True
        return tokens

    def _played(self, record: PlyRecord, refs: tuple[tuple[str, str], ...], fresh: bool) -> Token:
        numbered = record.side is Side.WHITE or fresh
        label = move_label(record.number, record.side, record.san)
        text = label if numbered else record.san
        return Token("move", text, record.ply, suffixes(record.nags), refs)

    def _sideline(self, figure: Figure, sideline: Sideline) -> Token:
        line = self.desk.line(figure, sideline.fen, sideline.moves, most=None)
        behind = []
        for comment, nags in zip(sideline.comments[1:], sideline.nags, strict=True):
            behind.append(" ".join(filter(None, (comment_text(comment), nag_text(nags)))))
        # A move behind a comment shows its number again.
        moves = tuple(
            replace(move, text=move.label) if i and behind[i - 1] else move
            for i, move in enumerate(line.moves)
        )
        return Token(
            "sideline",
            comment_text(sideline.comments[0]),
            line=replace(line, moves=moves),
            comments=tuple(behind),
            glyphs=tuple(suffixes(nags) for nags in sideline.nags),
            depth=sideline.depth,
        )
