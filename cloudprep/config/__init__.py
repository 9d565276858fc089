"""Pipelines as declared in YAML: read, checked, described."""

from cloudprep.config.pipeline import Pipeline, StageEntry, load_pipeline
from cloudprep.config.sections import Assume, Boundary, Gate, OutputOptions, checked_reference

__all__ = [
    "Assume",
    "Boundary",
    "Gate",
    "OutputOptions",
    "Pipeline",
    "StageEntry",
    "checked_reference",
    "load_pipeline",
]
