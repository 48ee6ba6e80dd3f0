"""An annotator's own assessments, found and held against what can be known.

``nags`` and ``phrases`` say what is read as a statement, ``statements`` finds them in a game with
the positions they speak of, ``checking`` holds each against tables, solver and forced lines, and
``proof`` does a whole game.  ``findings`` holds the frozen dataclasses that reports take.
"""
