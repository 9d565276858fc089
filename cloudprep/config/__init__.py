"""Pipelines as text: YAML with line numbers, checked whole, every problem at once."""
