"""Noise: points that belong to no surface."""
