"""Trades that belong together are told as one event with its net result."""

from __future__ import annotations

from test_deciding import reviewed

from convert.reports.combinations import events
from convert.reports.html_view import View
from convert.reports.sections import sections, texts_of

#: A piece given for a pawn and won back by a fork, two plies later.
FORK = "1. e4 e5 2. Nf3 Nc6 3. Bc4 Nf6 4. Nc3 Nxe4 5. Nxe4 d5 6. Bd3 dxe4 7. Bxe4 Bd6"


def test_a_piece_given_and_won_back_is_one_event() -> None:
    review = reviewed(FORK, "*")
    assert [trade.name for trade in review.trades] == [
        "White's pawn for Black's knight",
        "White's knight for Black's pawn",
    ]
    (event,) = events(review)
    assert event.name == "knights and pawns"
    assert event.net == "with 7.Bxe4 in all knights and pawns"
    assert event.moves == ("Nxe4", "Nxe4", "d5", "Bd3", "dxe4", "Bxe4")
    (brief,) = [part for part in sections(review, brief=True) if part.ident == "trades"]
    texts = " ".join(text for piece in brief.pieces for text in texts_of(piece))
    assert "knights and pawns" in texts
    assert "White's pawn for Black's knight" not in texts
    assert View(review).trades()[0].side_note.endswith("in all knights and pawns")


def test_a_piece_given_for_good_stays_as_it_is() -> None:
    review = reviewed("1. e4 e5 2. Nf3 Nf6 3. Nxe5 d6 4. Nxf7 Kxf7 5. d4 Be7", "*")
    assert [event.net for event in events(review)] == ["" for _ in review.trades]


def test_an_even_trade_waits_for_nothing() -> None:
    review = reviewed("1. e4 d5 2. exd5 Qxd5 3. Nc3 Qd8", "*")
    (event,) = events(review)
    assert (event.name, event.net, event.others) == ("pawns", "", ())
