"""Files: clouds in and out, rasters, whole-or-nothing writing."""
