"""Commands that answer at once must not wait for libraries they never use."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec
from types import ModuleType


class _NoPandas(MetaPathFinder):
    """Answers every search for pandas with "there is none"."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname == "pandas":
            raise ModuleNotFoundError("pandas is left out of quick commands", name=fullname)
        return None


@contextmanager
def without_pandas() -> Iterator[None]:
    """Keep pandas from being imported inside, unless it is already.

    pyarrow and duckdb import pandas wherever they find it, to ask whether a value is one
    of its arrays: over a second in an environment that has it, for nothing here.
    """
    finder = _NoPandas()
    sys.meta_path.insert(0, finder)
    try:
        yield
    finally:
        sys.meta_path.remove(finder)
