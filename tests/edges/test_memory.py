"""Memory that runs out, wherever it is met: one line, one exit code, in a process of its own."""

import errno
import subprocess
import sys

import pytest

from syncd.edges.memory import OUT_OF_MEMORY_CODE, end_if_out_of_memory, is_out_of_memory
from syncd.storage.troubles import source_trouble, storage_trouble, stored_unreadable

HEAD = """
import asyncio, logging, sys, threading, time
from syncd.cli import service
from syncd.edges.disk import RealDisk
from syncd.edges.memory import end_when_out_of_memory, watch_tasks
from syncd.edges.threads import ThreadLines

def fail(*_):
    raise MemoryError

async def lane():
    fail()

async def forever(beside):
    watch_tasks(asyncio.get_running_loop())
    kept = asyncio.create_task(beside())
    await asyncio.Event().wait()

service.log_to_stderr(verbose=False)
end_when_out_of_memory()
"""
# Each would swallow the error, or wait for ever, or end with a traceback.
PLACES = {
    "a task of the loop": "asyncio.run(forever(lane))",
    "work aside": "asyncio.run(forever(lambda: RealDisk().aside(fail)))",
    "a lane": "asyncio.run(forever(lambda: ThreadLines().run('lane', lane())))",
    "a library's thread": "threading.Thread(target=fail).start(); time.sleep(60)",
    "what is only logged": """
try:
    fail()
except MemoryError:
    logging.getLogger("concurrent.futures").critical("Exception in worker", exc_info=True)
time.sleep(60)
""",
    "a thread that ends before it has begun": """
class Fails(threading.Thread):
    _bootstrap_inner = fail
Fails().start()
""",
    "a callback of the loop": """
async def main():
    asyncio.get_running_loop().call_soon(fail)
    await asyncio.Event().wait()
asyncio.run(main())
""",
    "a thread that cannot be started": """
def refuse(*_):
    raise RuntimeError("can't start new thread")
threading._start_new_thread = refuse
asyncio.run(forever(lambda: RealDisk().aside(print)))
""",
}


@pytest.mark.parametrize("place", PLACES)
def test_wherever_memory_runs_out_it_is_said_once_and_ends(place: str) -> None:
    """One line that says what to do, the documented code, no traceback and no waiting."""
    program = [sys.executable, "-c", HEAD + PLACES[place]]
    ended = subprocess.run(program, capture_output=True, text=True, timeout=30, check=False)
    assert ended.returncode == OUT_OF_MEMORY_CODE, ended.stderr
    assert ended.stderr.count("\n") == 1, ended.stderr
    assert ended.stderr.startswith("syncd: this box has no memory left for syncd")


def test_a_program_that_did_not_ask_for_it_goes_on() -> None:
    """A test's process is not ended."""
    end_if_out_of_memory(MemoryError())


@pytest.mark.parametrize(
    ("error", "is_so"),
    [
        (MemoryError(), True),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), True),
        (BaseExceptionGroup("", [ValueError(), ExceptionGroup("", [MemoryError()])]), True),
        (RuntimeError("can't start new thread"), True),
        (ImportError("_dns.so: cannot map zero-fill pages"), True),
        (ImportError("_dns.so: undefined symbol: PyNone"), False),
        # What CPython 3.11 said in its imports with 30.9 MiB, and what it says of C functions.
        (SystemError("error return without exception set"), True),
        (SystemError("<built-in method x> returned NULL without setting an exception"), True),
        (SystemError("bad argument to internal function"), False),
        (RuntimeError("dictionary changed size during iteration"), False),
        (OSError(errno.EIO, "Input/output error"), False),
        (None, False),
    ],
)
def test_it_is_told_from_other_errors(error: BaseException | None, is_so: bool) -> None:
    """Also in a group of groups, as task groups raise it."""
    assert is_out_of_memory(error) == is_so


def test_no_roll_is_held_because_this_box_has_no_memory() -> None:
    """It is not the storage's trouble, nor the source's."""
    error = OSError(errno.ENOMEM, "Cannot allocate memory")
    with pytest.raises(MemoryError):
        storage_trouble("/mnt/array", error)
    with pytest.raises(MemoryError):
        stored_unreadable("D/A012", "C.mov", error)
    with pytest.raises(MemoryError):
        source_trouble("D/A012", "C.mov", error, is_root_there=True, user="uid 990")
