"""A local command as a subscriber: run once per notice, without a shell, with an end to it.

Owns: the argument list, the environment, the process group, the time limit, the kept output.
Must not: decide when to try again; outbox.py does.

Names may hold any bytes but NUL: one that is no UTF-8 is a lone surrogate here (PEP 383) and goes
out as that byte, in arguments and environment; in the JSON it stays a surrogate.

The notice is JSON on standard input. A command that starts something in the background must
give it an output of its own: ours is closed when the command itself ends.
"""

import asyncio
import json
import os
import re
import signal
import tempfile
from asyncio.subprocess import Process
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from typing import IO, Any

from syncd.journal.notices import NoticeRow
from syncd.limits import (
    COMMAND_OUTPUT_BYTES_MAX,
    COMMAND_TERMINATE_S,
    COMMAND_TIMEOUT_S_DEFAULT,
)
from syncd.notices.events import event_json
from syncd.notices.subscriber import KINDS_DEFAULT, Outcome
from syncd.ports import Clock

PLACEHOLDERS = ("path", "name", "day", "id", "stage")
_PLACEHOLDER = re.compile("|".join(rf"\{{{name}\}}" for name in PLACEHOLDERS))
_PASSED_ON = ("PATH", "HOME", "LANG")
_OUTPUT_GRACE_S = 0.5  # for what the command wrote last, when something of it still runs
_LINE_LENGTH_MAX = 200


class CommandSubscriber:
    """Runs `run` for each notice; exit code 0 is "delivered".

    run: program and arguments; {path} {name} {day} {id} {stage} stand for text of the roll.
    """

    def __init__(
        self,
        name: str,
        run: Sequence[str],
        clock: Clock,
        *,
        kinds: Collection[str] = KINDS_DEFAULT,
        timeout_s: float = COMMAND_TIMEOUT_S_DEFAULT,
    ) -> None:
        assert run, "a command has at least a program"
        self.name = name
        self.kinds = tuple(kinds)
        self._run = tuple(run)
        self._clock = clock
        self._timeout_s = timeout_s

    async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
        """Run the command to its end, or to its time limit. If cancelled, the command is ended."""
        values = _values(notice, path)
        arguments = [substitute(argument, values) for argument in self._run]
        started_s = self._clock.monotonic_s()
        program = os.path.basename(arguments[0])
        try:
            code, output = await self._execute(arguments, _environment(values, notice), notice)
        except (OSError, ValueError) as error:  # a ValueError: a NUL, which no system can pass
            reason = error.strerror if isinstance(error, OSError) else str(error)
            note = f"command {program} cannot be started: {reason or error}"
            return Outcome(delivered=False, note=note)
        took_s = self._clock.monotonic_s() - started_s
        end = "was ended at its time limit" if code is None else f"exit {code}"
        last = last_line(output)
        note = f"command {program} {end} in {took_s:.1f} s" + (f": {last}" if last else "")
        return Outcome(delivered=code == 0, note=note)

    async def _execute(
        self, arguments: Sequence[str], environment: Mapping[str, str], notice: NoticeRow
    ) -> tuple[int | None, bytes]:
        """Return exit code (None: time limit) and the end of the output. Raises OSError."""
        with _standard_input(notice) as given:
            reader, writer_fd = os.pipe()
            output = _Output(reader)
            try:
                process = await asyncio.create_subprocess_exec(
                    *arguments,
                    stdin=given,
                    stdout=writer_fd,
                    stderr=writer_fd,
                    env=environment,
                    start_new_session=True,
                )
            except BaseException:
                output.close()
                raise
            finally:
                os.close(writer_fd)
        async with output:
            code = await self._wait(process)
        return code, output.kept

    async def _wait(self, process: Process) -> int | None:
        try:
            async with asyncio.timeout(self._timeout_s):
                return await process.wait()
        except TimeoutError:
            return None
        finally:
            if process.returncode is None:
                await _end_group(process)


class _Output:
    """Reads a pipe to its end, keeping the last COMMAND_OUTPUT_BYTES_MAX."""

    def __init__(self, fd: int) -> None:
        self.kept = b""
        self._fd = fd
        self._ended = asyncio.Event()
        os.set_blocking(fd, False)
        asyncio.get_running_loop().add_reader(fd, self._read)

    async def __aenter__(self) -> None:
        return None

    async def __aexit__(self, *_: object) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(_OUTPUT_GRACE_S):
                await self._ended.wait()
        self.close()

    def _read(self) -> None:
        with suppress(BlockingIOError):
            data = os.read(self._fd, COMMAND_OUTPUT_BYTES_MAX)
            self.kept = (self.kept + data)[-COMMAND_OUTPUT_BYTES_MAX:]
            if not data:
                asyncio.get_running_loop().remove_reader(self._fd)
                self._ended.set()

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._fd)
        os.close(self._fd)


def substitute(argument: str, values: Mapping[str, str]) -> str:
    """Put the roll's text in place of placeholders, once: what was put in is not looked at."""
    return _PLACEHOLDER.sub(lambda found: values[found[0][1:-1]], argument)


def last_line(output: bytes) -> str:
    """Return the last line with something on it, fit to be shown."""
    lines = [line.strip() for line in output.decode("utf-8", "replace").splitlines()]
    last = next((line for line in reversed(lines) if line), "")
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in last)[
        :_LINE_LENGTH_MAX
    ]


def _values(notice: NoticeRow, path: str) -> dict[str, str]:
    roll: Mapping[str, Any] = notice.body.get("roll") or {}
    return {
        "path": path,
        "name": str(roll.get("name", "")),
        "day": str(roll.get("day", "")),
        "id": str(roll.get("id", "")),
        "stage": str(notice.body.get("stage") or ""),
    }


def _environment(values: Mapping[str, str], notice: NoticeRow) -> dict[str, str]:
    """Nothing of the daemon's own but what a program needs, and what is syncd's."""
    passed_on = {
        key: value
        for key, value in os.environ.items()
        if key in _PASSED_ON or key.startswith("SYNCD_")
    }
    own = {f"SYNCD_{key.upper()}": value for key, value in values.items()}
    return passed_on | own | {"SYNCD_NOTICE_ID": notice.notice_id}


def _standard_input(notice: NoticeRow) -> IO[bytes]:
    """Return a file without a name: unlike a pipe, it does not fill up when nobody reads it."""
    given = tempfile.TemporaryFile()  # noqa: SIM115  (the caller closes it)
    given.write(json.dumps(event_json(notice)).encode() + b"\n")
    given.seek(0)
    return given


async def _end_group(process: Process) -> None:
    """SIGTERM to the command and all it started in its group; SIGKILL if that is not enough."""
    _signal_group(process, signal.SIGTERM)
    try:
        async with asyncio.timeout(COMMAND_TERMINATE_S):
            await process.wait()
    except TimeoutError:
        pass
    finally:
        # The command may have ended while what it started has not.
        _signal_group(process, signal.SIGKILL)
    await process.wait()


def _signal_group(process: Process, number: signal.Signals) -> None:
    with suppress(ProcessLookupError):
        os.killpg(process.pid, number)
