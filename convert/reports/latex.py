r"""The review as LaTeX: one game or several, or a booklet with a title page and contents.

Compiles with pdfLaTeX, LuaLaTeX and XeLaTeX and the packages of a small installation: fontenc,
lmodern where it is there, geometry, iftex, TikZ.  Nothing that comes from a file of games is ever
read as a command.  Letters that the font lacks are told by their number, as [U+0416]; with LuaLaTeX
or XeLaTeX and a font that has them they are set as they are.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator

from convert.model import Review
from convert.reports import Around, Beside
from convert.reports.board_latex import board_latex, preamble
from convert.reports.html_text import typeset
from convert.reports.printed import (
    Chapter,
    first_position,
    marks_of,
    printed,
    score_words,
    started,
)
from convert.reports.sections import (
    Board,
    Item,
    Labelled,
    Paragraph,
    Piece,
    Section,
    Strip,
    sections,
    strip_rows,
)
from convert.rim.safe_text import safe

#: What the sign of each of TeX's own signs is.
_SIGNS = {
    "\\": r"\textbackslash{}",
    "{": r"\{",
    "}": r"\}",
    "$": r"\$",
    "&": r"\&",
    "#": r"\#",
    "%": r"\%",
    "_": r"\_",
    "^": r"\textasciicircum{}",
    "~": r"\textasciitilde{}",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "|": r"\textbar{}",
    '"': r"\textquotedbl{}",
    "`": r"\textasciigrave{}",
    "'": r"'{}",
    "-": r"-{}",
    ",": r",{}",
    "\u00a0": "~",
}
#: Letters and signs that the T1 encoding has and LaTeX reads as they are (t1enc.dfu of LaTeX).
_DIRECT = frozenset(
    "¡«»¿ÀÁÂÃÄÅÆÇÈÉÊËÌÍÎÏÐÑÒÓÔÕÖØÙÚÛÜÝÞßàáâãäåæçèéêëìíîïðñòóôõöøùúûüýþÿĂăĄąĆćČčĎďĐđĒēĖėĘęĚěĞğĢģĪī"
    "ĮįİıĶķĹĺĻļĽľŁłŃńŅņŇňŊŋŌōŐőŒœŔŕŘřŚśŞşŠšŢţŤťŪūŮůŰűŲųŸŹźŻżŽžȘșȚț–—‘’‚“”„"
)
#: Accents as commands, by their combining sign.
_ACCENTS = {
    "\u0300": r"\`",
    "\u0301": r"\'",
    "\u0302": r"\^",
    "\u0303": r"\~",
    "\u0304": r"\=",
    "\u0306": r"\u",
    "\u0307": r"\.",
    "\u0308": r"\"",
    "\u030a": r"\r",
    "\u030b": r"\H",
    "\u030c": r"\v",
    "\u0323": r"\d",
    "\u0327": r"\c",
    "\u0328": r"\k",
    "\u0331": r"\b",
}


def escaped(text: str) -> str:
    """A text in which nothing is a command, on one line.

    >>> escaped("50% & #1 {x} ~Łódź")
    '50\\\\% \\\\& \\\\#1 \\\\{x\\\\} \\\\textasciitilde{}Łódź'
    """
    plain = unicodedata.normalize("NFC", safe(" ".join(text.split())))
    return "".join(_letter(sign, plain[i + 1 : i + 2]) for i, sign in enumerate(plain))


def _letter(sign: str, after: str) -> str:
    if sign in "-,'" and sign != after:  # two in a row would be another sign
        return sign
    if sign in _SIGNS:
        return _SIGNS[sign]
    if " " <= sign <= "~" or sign in _DIRECT:
        return sign
    parts = unicodedata.normalize("NFD", sign)
    if len(parts) == 2 and parts[0].isascii() and parts[0].isalpha() and parts[1] in _ACCENTS:
        return f"{_ACCENTS[parts[1]]}{{{parts[0]}}}"
    return f"\\fpchar{{{ord(sign):04X}}}"


def words(text: str) -> str:
    """A sentence of ours, with the quotation marks of print."""
    return escaped(typeset(text))


# --- documents ----------------------------------------------------------------------------------

_HEAD = r"""\documentclass[a4paper,11pt]{article}
\usepackage[margin=22mm]{geometry}
\usepackage{iftex}
\ifPDFTeX
  \usepackage[T1]{fontenc}
  \IfFileExists{lmodern.sty}{\usepackage{lmodern}}{}
  \DeclareRobustCommand{\fpchar}[1]{[U+#1]}
\else
  \usepackage{fontspec} % \setmainfont{...} here chooses a font with more letters
  \DeclareRobustCommand{\fpchar}[1]{\iffontchar\font"#1 \char"#1 \else[U+#1]\fi}
\fi
"""
_STYLE = r"""\setlength{\parindent}{0pt}\setlength{\parskip}{4pt plus 1pt}
\emergencystretch=3em
\newcommand{\fpgame}[1]{\section*{#1}\addcontentsline{toc}{section}{#1}}
\newcommand{\fppart}[1]{\subsection*{#1}}
\newcommand{\fpstrong}[1]{\par\medskip\textbf{#1}\par\nopagebreak}
\newcommand{\fpitem}[1]{\par\hangindent=1.2em\hangafter=1\makebox[1.2em][l]{--}#1\par}
\newcommand{\fpboard}[3]{\par\medskip\noindent
  \begin{minipage}[t]{5.9cm}\vspace{0pt}\centering#1\par\smallskip
  {\small\itshape#2\par}\end{minipage}\hfill
  \begin{minipage}[t]{\dimexpr\linewidth-6.3cm\relax}\vspace{0pt}\setlength{\parskip}{4pt}%
  \raggedright#3\end{minipage}\par\medskip}
"""


def _head() -> str:
    return f"{_HEAD}{preamble()}{_STYLE}"


AROUND = Around(_head() + "\\begin{document}\n", "\\clearpage\n", "\\end{document}\n")


def text(review: Review, beside: Beside) -> str:  # noqa: ARG001 - every output is given both
    """The report on one game, to stand within a document (:data:`AROUND`)."""
    first, *rest = sections(review)
    return _pieces(review, (_untitled(first), *rest))


def chapter(number: int, review: Review) -> str:  # noqa: ARG001 - pages are numbered by LaTeX
    """A game of a booklet."""
    return _pieces(review, printed(review))


def booklet(title: str, chapters: Iterable[Chapter]) -> Iterator[str]:
    """The booklet in pieces: title page, contents, a chapter a game."""
    chapters = list(chapters)
    yield _head()
    yield "\\begin{document}\n\\begin{titlepage}\\centering\\vspace*{5cm}\n"
    yield f"{{\\Huge {escaped(title)}\\par}}\\vspace{{1cm}}\n"
    for line in started(chapters):
        yield f"{{\\large {escaped(line)}\\par}}\n"
    yield "\\vfill\\end{titlepage}\n"
    yield "\\tableofcontents\n\\clearpage\n"
    for i, made in enumerate(chapters):
        yield "\\clearpage\n" * bool(i) + made.text
    yield "\\end{document}\n"


def _untitled(head: Section) -> Section:
    """The head without the title of the game, which stands as a heading."""
    return Section(head.ident, head.title, head.depth, head.pieces[1:])


def _pieces(review: Review, parts: Iterable[Section]) -> str:
    rows = [f"\\fpgame{{{escaped(f'{review.title}   {review.result}')}}}"]
    for part in parts:
        if part.title:
            rows.append(f"\\fppart{{{words(part.title)}}}")
        rows += [_piece(piece) for piece in part.pieces]
    rows.append("\\fppart{The game}")
    if (first := first_position(review)) is not None:
        rows.append(_board(first))
    rows.append(f"{words(score_words(review))}\\par")
    return "\n".join(rows) + "\n"


def _piece(piece: Piece) -> str:
    if isinstance(piece, Paragraph):
        return f"\\fpstrong{{{words(piece.text)}}}" if piece.strong else f"{words(piece.text)}\\par"
    if isinstance(piece, Item):
        return f"\\fpitem{{{words(piece.text)}}}"
    if isinstance(piece, Labelled):
        return f"\\fpitem{{{words(piece.head)}: {words(piece.text)}}}"
    return _board(piece) if isinstance(piece, Board) else _strip(piece)


def _board(piece: Board) -> str:
    drawn = board_latex(piece.fen, marks_of(piece))
    beside = "\\par ".join(words(word) for word in piece.words)
    return f"\\fpboard{{{drawn}}}{{{words(piece.caption)}}}{{{beside}}}"


def _strip(strip: Strip) -> str:
    """Rows of moves in a typewriter's letters; blanks are kept."""
    return "\n".join(f"\\texttt{{{_blanks(row.rstrip())}}}\\par" for row in strip_rows(strip))


def _blanks(row: str) -> str:
    return "".join("~" if sign == " " else escaped(sign) for sign in row)
