"""Whether a reader behaved: no exception but ours, in one line; nothing written; within a gigabyte and ten seconds."""

from __future__ import annotations

import faulthandler
import os
import resource
import signal
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Final

from ellipsefit.errors import EllipsefitError
from tests.fuzz.targets import Target

#: What reading a small file may take, besides what the interpreter holds already [bytes], and how long [s].
MEMORY: Final = 1_000_000_000
PATIENCE: Final = 10
#: The longest sentence that a fault may take; names and values are cut.
SENTENCE: Final = 2_000


class Written(BaseException):
    """A reader opened a file for writing, or made, moved or removed one."""


class Hung(BaseException):
    """A reader took longer than anyone waits."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What a reader did that it must not."""

    target: str
    what: str  # in one line; the same for the same cause
    detail: str
    data: bytes


def confined() -> None:
    """Limit this process, once, to the memory that it has and `MEMORY` more."""
    if resource.getrlimit(resource.RLIMIT_AS)[0] != resource.RLIM_INFINITY:
        return
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    limit = pages * resource.getpagesize() + MEMORY
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


_watched = False
_CHANGES: Final = frozenset(
    ("os.mkdir", "os.remove", "os.rename", "os.rmdir", "os.link", "os.symlink", "os.truncate", "os.chmod", "os.utime",
     "shutil.copyfile", "shutil.move", "shutil.rmtree", "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn",
     "tempfile.mkstemp", "tempfile.mkdtemp", "socket.connect")
)  # fmt: skip


def _watch(event: str, arguments: tuple[object, ...]) -> None:
    if not _watched:
        return
    if event in _CHANGES:
        raise Written(f"{event} {arguments[:1]}")
    if event == "open":
        path, mode, flags = arguments[0], arguments[1], arguments[2]
        writes = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC)
        if (isinstance(mode, str) and set(mode) & set("wax+")) or writes:
            raise Written(f"open {path!r} {mode!r}")


sys.addaudithook(_watch)


@contextmanager
def watched() -> Iterator[None]:
    """No file may be written meanwhile."""
    global _watched
    _watched = True
    try:
        yield
    finally:
        _watched = False


@contextmanager
def patient() -> Iterator[None]:
    """Python code that hangs is ended by an exception; what hangs in C takes the process with it, told on stderr.

    The first counts time of the processor, for the machine may be busy with other work.
    """

    def ring(_signal: int, _frame: FrameType | None) -> None:
        raise Hung

    before = signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, PATIENCE)
    faulthandler.dump_traceback_later(12 * PATIENCE, exit=True)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def judge(target: Target, data: bytes, folder: Path) -> Finding | None:
    """Give a reader these bytes as a file; None: it behaved."""
    path = target.file_in(folder)
    path.write_bytes(data)
    there = sorted(folder.iterdir())
    try:
        with watched(), patient():
            target.read(path)
    except EllipsefitError as error:
        text = str(error)
        if len(text.splitlines()) > 1 or len(text) > SENTENCE:
            return Finding(target.name, f"no sentence of one line: {_place(error)}", text[:500], data)
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # noqa: BLE001  whatever it is, it is what we look for
        detail = "".join(traceback.format_exception(error)[-6:])
        return Finding(target.name, f"{type(error).__name__}: {_place(error)}", detail, data)
    if sorted(folder.iterdir()) != there or path.read_bytes() != data:
        return Finding(target.name, "changed files", str(sorted(folder.iterdir())), data)
    return None


def _place(error: BaseException) -> str:
    """Where in the package the error came from."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if "/ellipsefit/" in frame.filename and "/tests/" not in frame.filename]
    last = own[-1] if own else frames[-1]
    return f"{Path(last.filename).name}:{last.name}:{last.lineno}"
