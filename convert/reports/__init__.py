"""Reports: each takes a Review (or a PositionReport) and nothing else."""
