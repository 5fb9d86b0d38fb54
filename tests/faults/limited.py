"""Runs syncd with less than it would like: SOFT:HARD open files, then syncd's own arguments."""

import resource
import sys

from syncd.cli.main import main

if __name__ == "__main__":
    soft, hard = sys.argv.pop(1).split(":")
    resource.setrlimit(resource.RLIMIT_NOFILE, (int(soft), int(hard)))
    main()
