"""Counting how often rules of thumb hold, and what the estimate is fitted to.

Nothing here is needed to review a game; ``python -m convert.measuring.rules`` makes
the figures that the reports show.
"""
