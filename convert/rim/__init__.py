"""What comes in and goes out at the edge: files, text safe to show, PGN text, signals."""
