"""Odd files of games, made piece by piece, for tests of who reads them alike.

All text is invented.  The pieces are such as are met in the wild, and worse: comments with blank
lines and tag pairs inside, games without tags, without result, without moves, text that is no
game, escaped lines, several games on a line, brackets left open.
"""

from __future__ import annotations

from hypothesis import strategies as st

_NAMES = st.sampled_from(["Marrin, Osgood", "Dole, Hal", "Élan, Zoë", "Kettleby, Bram", "?", ""])
_RESULTS = st.sampled_from(["1-0", "0-1", "1/2-1/2", "*"])
_MOVES = st.sampled_from(
    [
        "1. e4 e5 2. Nf3 Nc6 3. Bb5 a6",
        "1. d4 d5 2. c4 e6",
        "1.e4 c5 2.Nf3 d6 3.d4 cxd4 4.Nxd4 Nf6",
        "1. e4 e5 2. Nf3 Nf6 3. Nxe5 d6 4. Nf3 Nxe4",
        "1. Nf3 (1. e4 e5 (1... c5 2. Nf3 1-0) 2. f4) 1... d5 2. g3",
        "1. e4 {best by test} e5 {[%clk 0:10:01]} 2. Ke3 Nc6",
        "1. e4 e5 2. Qh5 ; a threat 1-0\n2... Nc6 3. Bc4 Nf6 4. Qxf7#",
        "1. e4 $1 e5 $14 2. f4! exf4?! 3. Bc4",
        "1. e4 e5 2. 0-0 Nc6",
        "{a comment 1-0 inside} 1. e4 {two\nlines} e5",
        '1. e4 {an open\n\n[Event "inside"]\ncomment} e5',
        '1. e4 {[Site "x"]\n[Round "y"]\n still} e5',
        "1. e4 ( 1. d4 d5 2. c4",
        "1. e4 ) e5 } 2. Nf3",
        "1. e4 {never closed",
        "",
        "1. e4 e5\n% an escaped line 1-0\n2. Nf3",
        "%1. d4\n1. e4 e5",
        "1. c4 -- 2. Nc3",
        "1. e4 e5 10-1 2. Nf3",
    ]
)
_TAG = st.one_of(
    st.builds('[White "{}"]'.format, _NAMES),
    st.builds('[Black "{}"]'.format, _NAMES),
    st.builds('[Result "{}"]'.format, _RESULTS),
    st.sampled_from(
        [
            '[Event "Club evening"]',
            '[Event "a \\"quoted\\" word"]',
            '[Event "of "loose" quotes"]',
            '[ Date  "2021.03.04" ]',
            '[FEN "8/8/4k3/8/4P3/4K3/8/8 w - - 0 1"]\n[SetUp "1"]',
            '[FEN "nonsense"]',
            '[Variant "crazy"]',
            "[broken tag",
            '[Site "over\ntwo lines"]',
        ]
    ),
)
_ENDS = st.one_of(_RESULTS, st.sampled_from(["", "1-0 {a late comment}", "0-1 ; late", "(1-0)"]))
_GAPS = st.sampled_from(
    ["\n", "\n\n", "\n\n\n", " ", "\n \t\n", "\n;between\n\n", "\n\n%escaped\n"]
)
_STRAY = st.sampled_from(["stray words here\n\n", "{only a comment}\n\n", "=====\n", "1 2 3\n\n"])


@st.composite
def _games(draw: st.DrawFn) -> str:
    if draw(st.integers(0, 9)) == 0:
        return draw(_STRAY)
    tags = draw(st.lists(_TAG, max_size=4))
    head = "\n".join(tags) + ("\n" if tags else "")
    between = draw(st.sampled_from(["\n", "\n", "", "\n\n"])) if tags else ""
    return head + between + draw(_MOVES) + " " + draw(_ENDS) + draw(_GAPS)


@st.composite
def odd_files(draw: st.DrawFn) -> bytes:
    """Bytes of a file of games."""
    text = "".join(draw(st.lists(_games(), min_size=1, max_size=12)))
    if draw(st.booleans()):
        text = text.rstrip()
    ends = draw(st.sampled_from(["\n", "\n", "\r\n", "\r"]))
    raw = text.replace("\n", ends).encode(draw(st.sampled_from(["utf-8", "utf-8", "iso-8859-1"])))
    return draw(st.sampled_from([b"", b"", b"\xef\xbb\xbf"])) + raw
