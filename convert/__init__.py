"""The review: how a won position was converted or let slip, and how we know."""

__version__ = "0.1.0"
