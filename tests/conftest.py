"""Fixtures for all tests."""
