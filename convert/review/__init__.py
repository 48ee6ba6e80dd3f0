"""A game or a position looked at as a whole: walk, trades, decisions, slips, story."""
