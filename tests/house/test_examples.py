"""The examples in the method's documentation are true."""

import doctest
import importlib
import pkgutil

import pytest

import worker.method

MODULES = sorted(module.name for module in pkgutil.iter_modules(worker.method.__path__, "worker.method."))


@pytest.mark.parametrize("name", MODULES)
def test_every_example_gives_what_it_says(name):
    """A reader can paste an example of the method's documentation and gets the printed answer."""
    failed, _ = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert failed == 0


def test_the_method_has_examples():
    """The check above has something to check."""
    examples = sum(
        bool(test.examples) for name in MODULES for test in doctest.DocTestFinder().find(importlib.import_module(name))
    )
    assert examples > 20
