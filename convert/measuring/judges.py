"""Judges whose chances are measured: baselines, the estimate as told, and any score.

A *method* has a name and is fitted to positions with outcomes; what comes of it is a *judge*, which
tells chances for White of boards.  A score of a search becomes a method by :class:`Scored`: the
score is mapped to chances by an ordered logistic model fitted on other games
(:mod:`convert.measuring.chances_fit`).
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Protocol

import chess
import numpy as np

from convert.board.kinds import kind_of
from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.judging.search.chances import chances_of
from convert.measuring import chances_fit, softmax
from convert.measuring.chances_fit import ChancesFit, People, Seen, kinds_as_numbers
from convert.measuring.forecasts import Floats, Ints, columns
from convert.measuring.plain_view import View
from tablebases.probing import open_tables

Boards = Sequence[chess.Board]
#: Scores of boards in hundredths of a pawn, positive where the side to move stands better.
Score = Callable[[Boards], Any]


class ForecastError(Exception):
    """A judge that cannot be had; the text is one line."""


class Forecaster(Protocol):
    """Tells chances."""

    def chances(self, boards: Boards) -> Floats:
        """Won, drawn, lost for White, one row a board, each adding up to 1."""
        ...


@dataclass(frozen=True)
class FitSample:
    """Positions with outcomes for White (1, 0, -1), who played, and what each counts.

    ``people.exact`` is 1 where the outcome is exact.
    """

    boards: Boards
    outcomes: Ints
    weights: Floats
    people: People


class Method(Protocol):
    """Makes a judge of positions whose outcomes are known."""

    @property
    def name(self) -> str:
        """What the table calls it."""
        ...

    def fit(self, sample: FitSample) -> Forecaster:
        """The judge that these positions make."""
        ...


# --- a constant -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Same:
    """The same chances for every position."""

    told: tuple[float, float, float]

    def chances(self, boards: Boards) -> Floats:
        """Won, drawn, lost for White."""
        return np.tile(np.array(self.told), (len(boards), 1))


@dataclass(frozen=True)
class Constant:
    """The shares of won, drawn and lost among the positions that are fitted."""

    name: str = "a constant"

    def fit(self, sample: FitSample) -> Same:
        """Their weighted shares."""
        share = np.eye(3)[columns(sample.outcomes)].T @ sample.weights / sample.weights.sum()
        return Same((float(share[0]), float(share[1]), float(share[2])))


# --- features without look-ahead ------------------------------------------------------------


@dataclass(frozen=True)
class SeenJudge:
    """Multinomial logistic regression on features of the position."""

    view: View
    model: softmax.Softmax

    def chances(self, boards: Boards) -> Floats:
        """Won, drawn, lost for White."""
        return self.model.chances(*self.view(boards))


@dataclass(frozen=True)
class Viewed:
    """A view that multinomial logistic regression is fitted to."""

    name: str
    view: View

    def fit(self, sample: FitSample) -> SeenJudge:
        """Fit it."""
        odd, even = self.view(sample.boards)
        return SeenJudge(self.view, softmax.fit(odd, even, sample.outcomes, sample.weights))


# --- the estimate as told -------------------------------------------------------------------

_BENCH: dict[EffortName, Bench] = {}
#: Positions that a bench keeps before it forgets.
_REMEMBERED = 50_000


def _told(fen: str, effort: EffortName) -> tuple[float, float, float]:
    """Chances for White by tables, forced lines and the estimate, without the solver."""
    if effort not in _BENCH:
        _BENCH[effort] = Bench(open_tables(), effort=EFFORTS[effort])
    bench = _BENCH[effort]
    if bench.remembered > _REMEMBERED:
        bench.forget()
    board = chess.Board(fen)
    verdict = bench.verdict(board)
    win, loss = verdict.win_probability, verdict.loss_probability
    draw = max(0.0, 1.0 - win - loss)
    return (win, draw, loss) if board.turn else (loss, draw, win)


@dataclass
class AsTold:
    """The present verdict of a position as a review tells it, without the solver.

    Args:
        effort: how much work a position gets.
        jobs: processes.
        tell: told how many positions are done, and of how many.
    """

    effort: EffortName = EffortName.NORMAL
    jobs: int = 1
    tell: Callable[[int, int], None] | None = None
    name: str = "the estimate as told"
    _known: dict[str, tuple[float, float, float]] = field(default_factory=dict)

    def fit(self, sample: FitSample) -> AsTold:
        """Nothing is fitted: it is taken as it stands."""
        del sample
        return self

    def chances(self, boards: Boards) -> Floats:
        """Won, drawn, lost for White."""
        fens = [board.fen() for board in boards]
        asked = list(dict.fromkeys(fen for fen in fens if fen not in self._known))
        work = partial(_told, effort=self.effort)
        if self.jobs <= 1 or len(asked) < 2 * self.jobs:
            self._take(asked, map(work, asked))
        else:
            with ProcessPoolExecutor(self.jobs) as executor:
                self._take(asked, executor.map(work, asked, chunksize=20))
        return np.array([self._known[fen] for fen in fens], dtype=np.float64).reshape(-1, 3)

    def _take(self, asked: Sequence[str], entry: Any) -> None:
        for number, (fen, data) in enumerate(zip(asked, entry, strict=True), 1):
            self._known[fen] = data
            if self.tell is not None and number % 50 == 0:
                self.tell(number, len(asked))


#: Added to every chance before its logarithm is taken.
_SOFT = 0.01


@dataclass(frozen=True)
class Recalibrated:
    """Another judge's chances, put right by multinomial logistic regression on their logarithms.

    With the number of men, and each slope a function of it.
    """

    judge: AsTold
    name: str = "the estimate, recalibrated"

    def view(self, boards: Boards) -> tuple[Floats, Floats]:
        """The other judge's lean to a side, and to a draw, each also by the number of men."""
        values = np.log(self.judge.chances(boards) + _SOFT)
        few = np.array([(16 - board.occupied.bit_count()) / 16 for board in boards])
        lean = values[:, 0] - values[:, 2]
        level = values[:, 1] - (values[:, 0] + values[:, 2]) / 2
        odd = np.stack([lean, lean * few, lean * few**2], axis=1)
        even = np.stack([np.ones_like(few), few, few**2, level, level * few, np.abs(lean)], axis=1)
        return odd, even

    def fit(self, sample: FitSample) -> SeenJudge:
        """Fit it."""
        return Viewed(self.name, self.view).fit(sample)


# --- scores ---------------------------------------------------------------------------------


#: A score beyond this, in pawns, is no estimate: a mate, or a position known to be won.
SURE = 100.0


@dataclass(frozen=True)
class ScoreJudge:
    """Chances from a score.

    ``surely``: for the side that a score beyond :data:`SURE` says is winning, its share of won,
    drawn and lost among the positions that were fitted.
    """

    score: Score
    model: ChancesFit
    surely: tuple[float, float, float]

    def chances(self, boards: Boards) -> Floats:
        """Won, drawn, lost for White with good play."""
        seen = seen_by(self.score, boards)
        values = self.model.chances(seen)
        values[seen.score > SURE] = self.surely
        values[seen.score < -SURE] = self.surely[::-1]
        return values


@dataclass(frozen=True)
class Scored:
    """A function from boards to scores, mapped to chances on the positions that are fitted.

    Args:
        name: what the table calls it.
        score: hundredths of a pawn for the side to move, one number a board.
    """

    name: str
    score: Score

    def fit(self, sample: FitSample) -> ScoreJudge:
        """Fit the mapping."""
        seen = seen_by(self.score, sample.boards)
        sure = np.abs(seen.score) > SURE
        model = chances_fit.fit(
            seen.only(~sure),
            sample.outcomes[~sure],
            sample.people.only(~sure),
            sample.weights[~sure],
            {"score": self.name},
        )
        ahead = (sample.outcomes * np.sign(seen.score))[sure]
        # One trial more of each kind (Laplace's rule), so that no share is 0 or 1.
        won, drawn, lost = (
            (float((ahead == outcome).sum()) + 1) / (len(ahead) + 3) for outcome in (1, 0, -1)
        )
        return ScoreJudge(self.score, model, (won, drawn, lost))


def seen_by(score: Score, boards: Boards) -> Seen:
    """Scores for White in pawns, with men, kinds and the side to move.

    Raises:
        JudgeError: not one finite number a board.
    """
    values = np.asarray(score(boards), dtype=np.float64)
    if values.shape != (len(boards),) or not np.isfinite(values).all():
        raise ForecastError(f"{len(boards)} boards, but the scores are not one finite number each")
    turn = np.array([1 if board.turn else -1 for board in boards], dtype=np.int64)
    return Seen(
        values * turn / 100,
        np.array([board.occupied.bit_count() for board in boards], dtype=np.int64),
        kinds_as_numbers([kind_of(board) for board in boards]),
        turn,
    )


def search_scores(boards: Boards, count: int) -> list[int]:
    """Scores of the compiled search, ``count`` positions looked at for each; 0: evaluation alone.

    Raises:
        JudgeError: the search is not there.
    """
    return _scores(boards, count, None)


def search_scores_by_hand(boards: Boards, count: int) -> list[int]:
    """As ``search_scores``, with the numbers that were set by hand before any were fitted.

    Raises:
        ForecastError: the search is not there.
    """
    numbers = importlib.import_module("convert.measuring.evaluation").by_hand()
    return _scores(boards, count, numbers)


def _scores(boards: Boards, count: int, numbers: Any) -> list[int]:
    try:
        front = importlib.import_module("convert.judging.search.front")
    except ImportError as error:
        raise ForecastError(f"the search is not there: {error}") from error
    search = front.Search(numbers)
    if not count:
        return [int(search.evaluation(board)) for board in boards]
    return [int(data.score) for data in search.many(list(boards), count, mates=False)]


@dataclass(frozen=True)
class ShippedChances:
    """The compiled search with its scores told by the numbers that ship.

    Args:
        count: positions looked at; 0: the evaluation alone.
    """

    count: int

    @property
    def name(self) -> str:
        """What the table calls it."""
        return f"the search as told, {self.count:,} positions"

    def fit(self, sample: FitSample) -> ShippedChances:
        """Nothing is fitted: it is taken as it stands."""
        del sample
        return self

    def chances(self, boards: Boards) -> Floats:
        """Won, drawn, lost for White."""
        looked = importlib.import_module("convert.measuring.chances").look(boards, self.count)
        rows = []
        for board, (score, depth) in zip(boards, looked, strict=True):
            row = chances_of(score, board.occupied.bit_count(), kind_of(board), depth)
            rows.append(row if board.turn else row.turned)
        return np.array(rows, dtype=np.float64).reshape(-1, 3)


def scored_by(place: str, count: int) -> Scored:
    """The method of a function given by its place, ``module:function``.

    It is called with the boards and the number of positions that it may look at for each, and
    answers with scores in hundredths of a pawn for the side to move.  Imported here, not before.

    Raises:
        JudgeError: there is no such function.
    """
    module, _, name = place.partition(":")
    try:
        function = getattr(importlib.import_module(module), name)
    except (ImportError, AttributeError, ValueError) as error:
        raise ForecastError(f"no search {place!r} to ask: {error}") from error
    label = name.replace("_", " ")
    label += f", {count:,} positions" if count else ", no search"
    return Scored(label, lambda boards: function(boards, count))
