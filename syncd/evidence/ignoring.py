"""Ignore patterns of a history: what its manifests hold no record of (Appendix C, gitignore)."""

from collections.abc import Iterable

import pathspec

from syncd.evidence.errors import EvidenceError
from syncd.roll.names import shown


class Ignoring:
    """The patterns of one history, ready to be asked.

    Raises EvidenceError if a pattern is none; list_path is the manifest it came from.
    """

    def __init__(self, patterns: Iterable[str], list_path: str = "") -> None:
        self.patterns = tuple(dict.fromkeys(patterns))
        try:
            self._spec = pathspec.GitIgnoreSpec.from_lines(self.patterns)
        except ValueError as error:
            wrong = f"an ignore pattern is not in the gitignore syntax ({shown(str(error))})"
            raise EvidenceError(list_path, wrong) from error

    def is_ignored(self, path: str) -> bool:
        """Tell whether a file, by its path relative to the history's scope, is ignored."""
        return bool(self._spec.match_file(path))

    def is_folder_ignored(self, path: str) -> bool:
        """Tell whether a folder is ignored, or lies in one that is."""
        return bool(self._spec.match_file(f"{path}/"))
