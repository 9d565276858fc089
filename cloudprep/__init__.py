"""Turn raw lidar and drone point clouds into cleaned, ground-classified clouds and terrain models."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("cloudprep")
except PackageNotFoundError:  # a bare checkout on the path, not installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
