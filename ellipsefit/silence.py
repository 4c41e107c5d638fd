"""Standard output without what compiled code prints past Python: a solver's remark would spoil an answer there."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def silent_output() -> Iterator[None]:
    """Let nothing that compiled code writes to standard output pass; Python's own output waits before it.

    For calls of one thread: what others print meanwhile is lost, too.
    """
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # no standard output at all
        yield
        return
    try:
        with Path(os.devnull).open("wb") as nothing:
            os.dup2(nothing.fileno(), 1)
            yield
    finally:
        _flush_compiled()
        os.dup2(kept, 1)
        os.close(kept)


def _flush_compiled() -> None:
    """Write out what the C library holds back, while it still goes nowhere."""
    with suppress(OSError, AttributeError, TypeError):  # a system without it holds its own
        ctypes.CDLL(None).fflush(None)
