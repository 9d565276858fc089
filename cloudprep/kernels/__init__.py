"""Kernels: arrays in, arrays out; numba loops behind plain functions. No files, no models, no logging."""
