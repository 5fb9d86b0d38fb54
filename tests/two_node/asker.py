"""Asking a board that answers only where its daemon runs: a small program there asks for us.

Owns: one long-lived process in the node's network, one question and one answer a line.
Must not: know syncd; it carries paths and JSON.
"""

import json
import select
import subprocess
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from tests.boxes import token_header

ANSWER_S = 10.0

# Runs inside the node, with whatever Python is there; one connection a question, as scripts do it.
PROGRAM = """
import http.client, json, sys
for line in sys.stdin:
    port, method, path, body, token = json.loads(line)
    try:
        board = http.client.HTTPConnection("127.0.0.1", port, timeout=9)
        data = None if body is None else json.dumps(body)
        board.request(method, path, data, {"Content-Type": "application/json", **token})
        reply = board.getresponse()
        said = [reply.status, reply.read().decode()]
        board.close()
    except Exception as error:
        said = [0, repr(error)]
    print(json.dumps(said), flush=True)
"""


class UnreachableError(OSError):
    """The daemon, or the whole node, does not answer."""


class Asker:
    """Asks the board of one node.

    prefix: the words that run a program inside the node. state: its state folder, seen from here.
    """

    def __init__(self, prefix: Sequence[str], python: str, port: int, state: Path) -> None:
        self._argv = [*prefix, python, "-u", "-c", PROGRAM]
        self._port = port
        self._state = state
        self._process: subprocess.Popen[bytes] | None = None

    def get(self, path: str, body: Any = None) -> str:
        """Return what is at path; a body makes it a POST. Raises UnreachableError."""
        process = self._running()
        assert process.stdin is not None
        method = "GET" if body is None else "POST"
        question = json.dumps([self._port, method, path, body, token_header(self._state)]) + "\n"
        try:
            process.stdin.write(question.encode())
            process.stdin.flush()
            status, text = json.loads(self._line(process))
        except (OSError, ValueError) as error:
            self.close()
            raise UnreachableError(f"{path}: {error or 'no answer'}") from error
        if status != 200:
            raise UnreachableError(f"{path}: {status} {text}")
        return str(text)

    def close(self) -> None:
        """End the small program."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(OSError):  # a question that could not be written is still in it
                    pipe.close()

    def _running(self) -> "subprocess.Popen[bytes]":
        if self._process is None or self._process.poll() is not None:
            self.close()
            self._process = subprocess.Popen(
                self._argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
            )
        return self._process

    def _line(self, process: "subprocess.Popen[bytes]") -> bytes:
        assert process.stdout is not None
        ends_s = time.monotonic() + ANSWER_S
        # One line is one answer, and it is printed in one go: wait for its beginning only.
        if not select.select([process.stdout], [], [], max(0.0, ends_s - time.monotonic()))[0]:
            raise TimeoutError(f"no answer in {ANSWER_S:.0f} s")
        return process.stdout.readline()
