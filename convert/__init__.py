"""The review: how a won position was converted or let slip, and how we know.

The names of :mod:`convert.library` are to be had here; it is imported with the first of them, so
that ``import convert`` costs nothing.
"""

__version__ = "0.1.0"

__all__ = [
    "Disagreement",
    "Evidence",
    "GameRead",
    "Judge",
    "JudgeError",
    "Outcome",
    "PositionReport",
    "Refused",
    "Review",
    "Side",
    "SolveReport",
    "SourceError",
    "Verdict",
    "__version__",
    "judge_position",
    "read_games",
    "report_text",
    "review_game",
    "solve_ending",
    "verdict_of",
    "write_reviews",
]


def __getattr__(name: str) -> object:
    """A name of the library (PEP 562)."""
    if name in __all__:
        from importlib import import_module

        return getattr(import_module("convert.library"), name)
    raise AttributeError(f"module 'convert' has no attribute {name!r}")


def __dir__() -> list[str]:
    """The names that are meant to be used."""
    return __all__
