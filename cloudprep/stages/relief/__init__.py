"""Relief: what a raster of heights looks like: slope, aspect, light."""
