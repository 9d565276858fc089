"""What the rooms hand to each other: points, changes, grids, class codes, coordinate systems."""
