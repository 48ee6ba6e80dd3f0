"""What a position is worth, and how that is known."""
