"""The examples in the package's docstrings hold."""

import doctest
import importlib
import pkgutil

import pytest

import cloudprep

MODULES = sorted(
    m.name
    for m in pkgutil.walk_packages(cloudprep.__path__, "cloudprep.")
    if "__main__" not in m.name and ".demo_clouds" not in m.name
)


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_hold(name):
    module = importlib.import_module(name)
    failed, _ = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert failed == 0


def test_there_are_examples():
    assert sum(len(doctest.DocTestFinder().find(importlib.import_module(m))) for m in MODULES) > 100
