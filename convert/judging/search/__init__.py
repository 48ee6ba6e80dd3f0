"""A compiled search of the moves ahead; ``front`` is the way in, and loads the rest when asked."""
