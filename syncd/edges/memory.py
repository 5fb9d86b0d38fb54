"""Memory that runs out: one line on stderr, and an end that a service manager starts again after.

Owns: telling that error from others, whichever part meets it, and ending at once; and how much of
what is freed the C library may keep. An orderly end needs memory and threads, too; journal and
storage are made for an end at any moment.
Must not: end a program that has not called end_when_out_of_memory(), as a test's.

Python has no one place where such an error passes. These are all: tasks of the loop, work aside
and lanes (both by end_if_out_of_memory), threads of libraries, errors that nobody could be told
of (a thread that fails before it has begun, and whose starter would wait for ever), and what is
only logged, by us or by a library. Light, because every command imports it.
"""

import errno
import os
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    import asyncio
    import logging

OUT_OF_MEMORY_CODE = 71  # EX_OSERR of sysexits(3): the system cannot give what is needed
# Given back before the last line is written. Never touched, so that it takes no memory until then.
RESERVE_BYTES = 1 << 20
# Of a thread; the usual 8 MiB count as taken where memory is limited by RLIMIT_DATA or ulimit -v.
# Nothing here recurses deeply: folders are nested 64 deep at most.
STACK_BYTES = 1 << 20
_LINE = (
    b"syncd: this box has no memory left for syncd, or may start no more threads. "
    b"Nothing false was published or confirmed. Give it more (MemoryMax=, LimitDATA= and TasksMax= "
    b"in the unit, or the limits of its container) or end what else takes memory; when it is "
    b"started again, it goes on by itself.\n"
)
_SQLITE_CODES = frozenset({7, 3082})  # SQLITE_NOMEM, SQLITE_IOERR_NOMEM (sqlite.org/rescode.html)
# As threading, the dynamic loader and OpenSSL word it; they have no error of their own for this.
_WORDS = (
    *("can't start new thread", "failed to map segment", "annot allocate memory"),
    *("cannot map zero-fill pages", "cannot change memory protections", "cannot create "),
    *("malloc failure", "library has no ciphers"),
    # The interpreter's own words for a call that failed without room to say why (SystemError).
    *("error return without exception set", "without setting an exception"),
)
# By malloc.h of glibc. Above a sealed record (1 MiB), which is made and let go for each MiB sent.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
_MALLOC_OPTIONS = ((_TRIM_THRESHOLD, 4 << 20), (_MMAP_THRESHOLD, 2 << 20), (_ARENA_MAX, 2))

_reserve: list[bytes] = []
_ending = threading.Lock()


def is_out_of_memory(error: BaseException | None) -> bool:
    """Tell whether error, or one in a group, says that there is no memory or no thread left."""
    if isinstance(error, BaseExceptionGroup):
        return any(is_out_of_memory(inner) for inner in error.exceptions)
    if isinstance(error, MemoryError):
        return True
    if isinstance(error, OSError) and error.errno == errno.ENOMEM:
        return True
    if isinstance(error, (RuntimeError, ImportError, OSError, SystemError)):
        return any(words in str(error) for words in _WORDS)
    return getattr(error, "sqlite_errorcode", 0) in _SQLITE_CODES


def end_when_out_of_memory() -> None:
    """From now on, end the program with OUT_OF_MEMORY_CODE wherever memory runs out."""
    threading.stack_size(STACK_BYTES)
    if not _reserve:
        _reserve.append(bytes(RESERVE_BYTES))
    before, thread_before = sys.unraisablehook, threading.excepthook

    def unraisable(about: "sys.UnraisableHookArgs") -> None:
        end_if_out_of_memory(about.exc_value)
        before(about)

    def in_thread(about: threading.ExceptHookArgs) -> None:
        end_if_out_of_memory(about.exc_value)
        thread_before(about)

    sys.unraisablehook, threading.excepthook = unraisable, in_thread


def end_if_out_of_memory(error: BaseException | None) -> None:
    """End the program if that is what error says; otherwise return."""
    if _reserve and is_out_of_memory(error):
        end_now()


def end_now() -> NoReturn:
    """Say that memory ran out, and end. Several threads may come to this at once."""
    if _ending.acquire(timeout=1.0):  # held to the end: the line is written once
        _reserve.clear()
        with suppress(OSError):
            os.write(2, _LINE)
    os._exit(OUT_OF_MEMORY_CODE)


def watch_tasks(loop: "asyncio.AbstractEventLoop") -> None:
    """Have a task that runs out of memory end the program, whoever would have caught that."""
    from asyncio import Task  # noqa: PLC0415 - for a daemon alone

    def make(loop: "asyncio.AbstractEventLoop", work: Any, **options: Any) -> "Task[Any]":
        task = Task(_watched(work), loop=loop, **options)
        task.add_done_callback(lambda _: work.close())  # of one cancelled before it began, too
        return task

    loop.set_task_factory(make)


async def _watched(work: Any) -> Any:
    try:
        return await work
    except BaseException as error:
        end_if_out_of_memory(error)
        raise


def end_at_log_line(record: "logging.LogRecord") -> bool:
    """Let a log line pass, but end the program at an error that would only be logged."""
    if record.exc_info:
        end_if_out_of_memory(record.exc_info[1])
    return True


def give_back_early() -> None:
    """Have the C library give back what is freed, where it can be told to (glibc, mallopt(3)).

    Left to itself it learns from each large block that is freed to keep ever larger ones, up to
    64 MiB in each of many arenas; a roll of many files would leave them all full of holes.
    """
    import ctypes  # noqa: PLC0415 - for a daemon alone

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError, TypeError):
        return
    for option, value in _MALLOC_OPTIONS:
        mallopt(option, value)
