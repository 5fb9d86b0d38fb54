"""Runs syncd with less than it would like: SOFT:HARD open files, BYTES, then its own arguments.

BYTES is what it may have for itself in all: what it allocates, and the stacks of its threads; 0: as
much as it likes. An allocation beyond that fails, as it does on a machine that has no more.
"""

import resource
import sys

from syncd.cli.main import main

if __name__ == "__main__":
    soft, hard = sys.argv.pop(1).split(":")
    data_bytes = int(sys.argv.pop(1))
    resource.setrlimit(resource.RLIMIT_NOFILE, (int(soft), int(hard)))
    if data_bytes:
        resource.setrlimit(resource.RLIMIT_DATA, (data_bytes, data_bytes))
    main()
