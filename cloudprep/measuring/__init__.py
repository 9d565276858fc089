"""Measuring: accuracy against checkpoints, volumes, change, sections; on clouds and rasters of anybody."""
