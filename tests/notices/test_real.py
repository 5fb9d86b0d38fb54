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


def staged(folder: Path) -> Path:
    """Make a roll of one clip with an ASC MHL history."""
    folder.mkdir()
    (folder / "A012.mov").write_bytes(bytes(1000))
    write_history(folder, {"A012.mov": (1000, xxhash.xxh64_hexdigest(bytes(1000)))})
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
