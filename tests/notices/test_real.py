"""Real daemons that tell a real web server, and a folder, of a roll that is ready."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import xxhash

from tests.bench.history import write_history
from tests.boxes import DAY, Pair, place_roll, wait_until
from tests.notices.test_signing import SECRET


class Receiver(ThreadingHTTPServer):
    """Refuses the first attempt, takes all others."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.heard: list[tuple[dict[str, str], bytes]] = []


class _Handler(BaseHTTPRequestHandler):
    server: Receiver

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.heard.append((dict(self.headers), body))
        is_first = len(self.server.heard) == 1
        self.send_response(503 if is_first else 204)
        if is_first:
            self.send_header("Retry-After", "2")
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - its own name
        """Say nothing."""


@contextmanager
def receiving() -> Iterator[Receiver]:
    """Run a receiver."""
    server = Receiver()
    thread = threading.Thread(target=server.serve_forever, name="receiver")
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def staged(folder: Path, clip: bytes = bytes(1000)) -> Path:
    """Make a roll of one clip with an ASC MHL history."""
    folder.mkdir()
    (folder / "A012.mov").write_bytes(clip)
    write_history(folder, {"A012.mov": (len(clip), xxhash.xxh64_hexdigest(clip))})
    return folder


def test_a_web_server_and_a_folder_are_told_of_a_ready_roll(tmp_path: Path) -> None:
    """Both get the same notice; the refused one comes again under its id; no secret is anywhere."""
    drop = tmp_path / "notices"
    drop.mkdir()
    secret = tmp_path / "webhook.secret"
    secret.write_text(SECRET)
    secret.chmod(0o600)
    with receiving() as server:
        pair = Pair(tmp_path / "pair")
        pair.configure(
            processing=f'[[notice]]\nkind = "drop-file"\nfolder = "{drop}"\n'
            f'[[notice]]\nkind = "webhook"\nurl = "http://127.0.0.1:{server.server_port}/x"\n'
            f'secret_file = "{secret}"\n'
        )
        with pair:
            place_roll(staged(tmp_path / "staged"), pair.landing, "A012")
            pair.wait_ready("A012")
            wait_until(lambda: len(server.heard) > 1, 20, "the webhook does not come again")
            wait_until(lambda: list(drop.iterdir()), 20, "no file is dropped")
            (file,) = drop.iterdir()
            dropped = json.loads(file.read_text())

            (first, _), (again, body) = server.heard[:2]
            assert first["webhook-id"] == again["webhook-id"] == dropped["id"]
            assert int(again["webhook-timestamp"]) >= int(first["webhook-timestamp"]) + 1
            event = json.loads(body)
            assert (event["type"], event["source"]) == ("local.syncd.ready", "syncd:process-1")
            assert event["data"] == dropped
            assert dropped["path"] == str(pair.storage / DAY / "A012")

            def notes() -> list[str]:
                return [line["note"] for line in pair.processing.api("rolls/A012")["history"]]

            wait_until(lambda: any("took it (204)" in note for note in notes()), 20, "not said")
            assert any("answers 503" in note for note in notes())
            checks = {check["name"]: check for check in pair.processing.api("status")["checks"]}
            assert checks["notice webhook-1"]["ok"]
            assert checks["notice drop-file-0"]["ok"]
        log = (pair.processing.folder / "log").read_text()
    assert SECRET[6:] not in log + json.dumps(checks)


FAILS_ON_A012 = """
echo "$SYNCD_NOTICE_ID $SYNCD_NAME" >> "$1/runs"
[ "$SYNCD_NAME" != A012 ] || [ -e "$1/licence" ] || { echo "no licence"; exit 3; }
"""


def test_a_command_that_fails_is_named_and_runs_again_until_it_works(tmp_path: Path) -> None:
    """It holds up its own roll only; `go` and a new start try at once, under the same id."""
    command = tmp_path / "make-proxies"
    command.write_text(f"#!/bin/sh\n{FAILS_ON_A012}")
    command.chmod(0o755)
    pair = Pair(tmp_path / "pair")
    pair.configure(processing=f'[[notice]]\nkind = "command"\nrun = ["{command}", "{tmp_path}"]\n')

    def runs(name: str) -> list[str]:
        lines = (tmp_path / "runs").read_text().splitlines() if (tmp_path / "runs").exists() else []
        return [line.partition(" ")[0] for line in lines if line.endswith(name)]

    def said() -> str:
        checks = pair.processing.api("status")["checks"]
        (check,) = (check for check in checks if check["name"] == "notice command-0")
        assert check["ok"] == (check["message"] == "fine")
        return str(check["message"])

    with pair:
        place_roll(staged(tmp_path / "a"), pair.landing, "A012")
        wait_until(lambda: len(runs("A012")) >= 3, 30, "it is not tried again")
        place_roll(staged(tmp_path / "b", bytes(2000)), pair.landing, "B007")
        wait_until(lambda: len(runs("B007")) == 1, 30, "another roll waits", state=said)
        wait_until(lambda: "A012" in said(), 60, "the check does not say it", state=said)
        assert "command make-proxies exit 3" in said()
        assert said().rstrip(".").endswith("no licence")
        known = len(runs("A012"))
        pair.processing.api("rolls/A012/go", {})
        wait_until(lambda: len(runs("A012")) > known, 5, "go waits for the delay")
        assert pair.processing.stop() == 0
        (tmp_path / "licence").touch()
        known = len(runs("A012"))
        pair.processing.start()
        wait_until(lambda: len(runs("A012")) == known + 1, 5, "a start waits for the delay")
        wait_until(lambda: said() == "fine", 5, "the check goes on", state=said)
        assert len(set(runs("A012"))) == len(runs("B007")) == 1
