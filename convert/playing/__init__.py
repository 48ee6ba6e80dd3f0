"""A position played out against the opponent that holds out longest.

``record`` holds the game so far, frozen; ``entry`` reads
what the player types; ``reply`` chooses the opponent's move; ``judging`` says what became of the
outcome with each of the player's moves; ``game`` puts them together.
"""
