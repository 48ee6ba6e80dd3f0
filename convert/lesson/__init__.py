"""Exercises from games and positions, each with its answer and its twin."""
