"""Surface: rasters made from points."""
