"""The folder in which several processes count together. It is named before the library that counts is loaded, which looks once."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

SHARED = "PROMETHEUS_MULTIPROC_DIR"
"""Names the folder in the environment."""


@contextmanager
def counted_together(wanted: bool) -> Iterator[None]:
    """Give the processes begun within a folder in which they count together, where that is wanted."""
    if not wanted or SHARED in os.environ:
        yield
        return
    with tempfile.TemporaryDirectory(prefix="bows-metrics-") as folder:
        os.environ[SHARED] = folder
        try:
            yield
        finally:
            del os.environ[SHARED]
