"""Games and positions in: containers, PGN, EPD and FEN, and what their authors wrote."""
