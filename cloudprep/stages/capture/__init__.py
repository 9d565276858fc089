"""Stages that only measure: what a new capture is worth, flight by flight."""
