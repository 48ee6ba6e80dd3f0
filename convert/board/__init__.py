"""What stands on a board: squares, features, activity, material, kinds of ending."""
