"""A player's endings with more material beside the counts that ship (docs/measuring.md)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from convert.collection.batch import SIDES, Batch
from convert.collection.counting import band_codes, codes, result_hits, words
from convert.model.summary import Practised
from convert.review.practice import BANDS, LEAST


@dataclass
class OwnPractice:
    """Counts games by material, band of ratings and result, batch by batch."""

    balances: Mapping[str, Any]
    games: Counter[tuple[str, int, int]] = field(default_factory=Counter)

    def add(self, batch: Batch) -> None:
        """Count the player's games in which he had more, losses on time of either side left out."""
        side = codes(batch.games["practice_side"], SIDES)
        mine = batch.owned(side)
        assert mine is not None
        names, keys = words(batch.games["practice_key"])
        timed = np.asarray(batch.games["on_time"].is_valid().to_numpy())
        # The counts go by the mean of both ratings.
        bands = band_codes((batch.ratings[0] + batch.ratings[1]) / 2)
        fits = mine & (keys >= 0) & ~timed
        for result, hit in enumerate(result_hits(batch.side_points(side))):
            for row in np.flatnonzero(hit & fits):
                self.games[names[keys[row]], int(bands[row]), result] += 1

    def told(self) -> Practised | None:
        """All games whose material is counted; None where there is none."""
        results, expected, counted = [0, 0, 0], 0.0, 0
        seen: set[tuple[str, int]] = set()
        for (key, band, result), number in self.games.items():
            row = self._row(key, band)
            if row is None:
                continue
            results[result] += number
            expected += number * (row[0] + row[1] / 2) / sum(row)
            if (key, band) not in seen:
                seen.add((key, band))
                counted += sum(row)
        if not sum(results):
            return None
        points = results[0] + results[1] / 2
        won, drawn, lost = results
        return Practised(won + drawn + lost, won, drawn, lost, points, round(expected, 1), counted)

    def _row(self, key: str, band: int) -> list[int] | None:
        """Won, drawn, lost of the side with more: of the band, or of all."""
        rows = self.balances.get(key)
        if rows is None:
            return None
        own: list[int] = list(rows[band]) if band < len(BANDS) - 1 else [0, 0, 0]
        if sum(own) < LEAST:
            own = [sum(column) for column in zip(*rows, strict=True)]
        return own if sum(own) >= LEAST else None
