"""Ignore patterns of a history: what its manifests hold no record of (Appendix C, gitignore)."""

import re
from collections.abc import Iterable

import pathspec

from syncd.evidence.errors import EvidenceError
from syncd.limits import PATH_BYTES_MAX
from syncd.roll.names import shown

# A pattern is matched by trying each place for each star: three in a name of 255 bytes take
# milliseconds, eight take hours, in which nothing else of the daemon runs.
PATTERNS_MAX = 1000
STARS_MAX = 3  # a part "**" is one


class Ignoring:
    """The patterns of one history, ready to be asked.

    Raises EvidenceError if a pattern is none; list_path is the manifest it came from.
    """

    def __init__(self, patterns: Iterable[str], list_path: str = "") -> None:
        self.patterns = tuple(dict.fromkeys(patterns))
        wrong = _too_much(self.patterns)
        if wrong:
            raise EvidenceError(list_path, wrong)
        try:
            self._spec = pathspec.GitIgnoreSpec.from_lines(self.patterns)
        except (ValueError, re.error) as error:
            wrong = f"an ignore pattern is not in the gitignore syntax ({shown(str(error))})"
            raise EvidenceError(list_path, wrong) from error

    def is_ignored(self, path: str) -> bool:
        """Tell whether a file, by its path relative to the history's scope, is ignored."""
        return bool(self._spec.match_file(path))

    def is_folder_ignored(self, path: str) -> bool:
        """Tell whether a folder is ignored, or lies in one that is."""
        return bool(self._spec.match_file(f"{path}/"))


def _too_much(patterns: tuple[str, ...]) -> str:
    """Return why these would take too long to ask, "" if they do not."""
    if len(patterns) > PATTERNS_MAX:
        return f"there are {len(patterns)} ignore patterns, more than {PATTERNS_MAX}"
    for pattern in patterns:
        stars = sum(1 if part == "**" else part.count("*") for part in pattern.split("/"))
        if stars > STARS_MAX or len(pattern) > PATH_BYTES_MAX:
            return f"the ignore pattern {shown(pattern[:80])} has too many stars, or is too long"
    return ""
