"""Modules that a library imports for the sake of something we never ask of it."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import Any


class _Unneeded(ModuleType):
    """Stands in for a module until somebody asks it for anything; then the module is imported."""

    def __getattr__(self, name: str) -> Any:
        # Whoever looks through all modules asks for these, and means nothing by it.
        if name.startswith("__") and name != "__path__":
            raise AttributeError(name)
        if sys.modules.get(self.__name__) is self:
            del sys.modules[self.__name__]
        return getattr(importlib.import_module(self.__name__), name)


@contextmanager
def unneeded(*names: str) -> Iterator[None]:
    """Let what is imported inside hold the modules ``names`` without importing them.

    Who uses one after all gets it, then and there; an import of it elsewhere, or later, is an
    import like any other. What is imported already stays as it is.
    """
    standing_in = [_Unneeded(name) for name in names if name not in sys.modules]
    sys.modules.update({module.__name__: module for module in standing_in})
    try:
        yield
    finally:
        for module in standing_in:
            if sys.modules.get(module.__name__) is module:
                del sys.modules[module.__name__]
