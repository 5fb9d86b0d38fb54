"""The command that the demo's processing box runs for each ready roll; yours would make proxies.

Run by the daemon as `python ready_command.py {path}`. Owns: one line about the folder. It must not
change anything there, and it may be run twice.
"""

import json
import sys
from pathlib import Path


def main(folder: Path) -> None:
    """Say what is to be transcoded; the notice itself is JSON on standard input."""
    notice = json.load(sys.stdin)
    files = [path for path in folder.rglob("*") if path.is_file() and "ascmhl" not in path.parts]
    total = sum(path.stat().st_size for path in files)
    sys.stdout.write(
        f"to transcode: {notice['roll']['name']}, {len(files)} files, {total / 1e6:.1f} MB\n"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
