"""Names that are safe on every file system a roll may reach, and a form of them fit for people.

Owns: the rules, by the strictest destination (Windows, macOS, Linux; SMB and NFS between them),
and the collisions that a case-insensitive or normalising volume would make.
Must not: look at a disk, or mend a name; an unsafe one is refused, and a person renames it.
"""

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

from syncd.errors import HeldError
from syncd.limits import HISTORY_NAME_BYTES_MAX, NAME_BYTES_MAX, PATH_BYTES_MAX
from syncd.roll.stages import HeldCode

RENAME = "Rename it on the source, bring the evidence up to date, and the roll goes on by itself."
# The storage's own area; at the top of anything published it would be mistaken for that.
OWN_AREA = ".syncd"
OWN_MARKER = "syncd-storage.json"
HISTORY_FOLDER = "ascmhl"  # of ASC MHL
FORBIDDEN = frozenset('<>:"|?*\\')
# learn.microsoft.com "Naming Files, Paths, and Namespaces"; superscript digits count as digits.
DEVICE = re.compile(r"(?:con|prn|aux|nul|conin\$|conout\$|(?:com|lpt)[0-9¹²³])", re.IGNORECASE)
# Characters that change how the text around them is shown (Unicode Bidirectional Algorithm).
BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
LINE_ENDS = frozenset("\u2028\u2029")
# Neither XML 1.0 nor a text stream can hold these two.
NO_CHARACTERS = frozenset("\ufffe\uffff")
# Most camera names: nothing to find, whatever the rules; saves 20 look-ups a name.
_PLAIN = re.compile(r"[A-Za-z0-9_]{5}[A-Za-z0-9_-]{0,40}(?:\.[A-Za-z0-9_]{1,8})?")


_BESIDE_BYTES = NAME_BYTES_MAX - HISTORY_NAME_BYTES_MAX
_NOT_AFTER_IT = (
    f"a name longer than {HISTORY_NAME_BYTES_MAX} bytes: no ASC MHL manifest can be called after it"
)


@dataclass(frozen=True, slots=True)
class NameProblem:
    """One path that cannot be taken as it is.

    path: as given; show it with shown().
    problem, remedy: sentences for people, already shown().
    """

    path: str
    problem: str
    remedy: str

    def as_held(self) -> HeldError:
        """Return the error that holds a roll for this."""
        return HeldError(HeldCode.NAME_UNSAFE, self.problem, remedy=self.remedy, path=self.path)


def check_names(
    paths: Iterable[str], *, folders: Iterable[str] = (), below: str = ""
) -> list[NameProblem]:
    """Return everything that is wrong with the paths of one roll, in the order given.

    paths: of files, relative, `/` between parts. folders: those that hold no file, likewise;
    naming others, too, does no harm. below: DAY/ROLL, if paths do not begin with it: they will.
    """
    check = _Check(below)
    for path in paths:
        check.add_file(path)
    for path in folders:
        check.add_folder(path)
    return check.problems


def require_safe_names(paths: Iterable[str], *, folders: Iterable[str] = ()) -> None:
    """Raise HeldError(name-unsafe) for the first thing that is wrong."""
    for problem in check_names(paths, folders=folders):
        raise problem.as_held()


def check_top(day: str, name: str) -> list[NameProblem]:
    """Return everything that is wrong with where a roll would be published.

    day: "" for a roll right below the storage's root, where no name may be the storage's own.
    """
    top = f"{day}/{name}" if day else name
    problems = check_names([top])
    if not problems and folded(day or name) == folded(OWN_MARKER):
        wrong = f"{shown(top)} is named as {OWN_MARKER}, the storage's own marker."
        problems.append(NameProblem(top, wrong, RENAME))
    if not problems and _is_too_long_for_history(name):
        problems.append(NameProblem(top, f"{shown(top)} has {_NOT_AFTER_IT}.", RENAME))
    return problems


def check_part(part: str) -> str | None:
    """Return what is wrong with one part of a path, as the end of a sentence, or None."""
    if _PLAIN.fullmatch(part):
        return None
    if part in {"", ".", ".."}:
        return "has an empty part" if not part else f'has the part "{part}"'
    if not _is_utf8(part):
        return "is not UTF-8 on the disk"
    if len(part.encode()) > NAME_BYTES_MAX:
        return f"has a part longer than {NAME_BYTES_MAX} bytes"
    return _bad_character(part) or _bad_for_windows(part)


def shown(text: str) -> str:
    """Make text from a stranger fit for a line on a terminal: what no name may have is escaped.

    The journal knows folders by this form, so what a name may have stays as it is.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_visible(character) for character in text)


def printable(text: str) -> str:
    """Make any text printable: as shown(), and of what names may have the invisible, too."""
    return "".join(c if c.isprintable() else spelled(c) for c in text)


def spelled(character: str) -> str:
    r"""Return how one character is written wherever it cannot be shown: \x0a, \u202e.

    A byte of a name that is not UTF-8 (PEP 383) is that byte: \xff.
    """
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        code -= 0xDC00
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def folded(text: str) -> str:
    """Return what a volume that folds case and normalises Unicode takes text for."""
    if text.isascii():
        return text.lower()
    composed = unicodedata.normalize("NFC", text)
    return unicodedata.normalize("NFC", composed.casefold())


def find_twin(path: str, other: str) -> tuple[str, str] | None:
    """Return how far into two paths lies what a volume that folds names would bring together.

    None if they are the same, or stay apart: they differ in no part by case or Unicode alone.
    """
    parts, others = path.split("/"), other.split("/")
    for count, (part, there) in enumerate(zip(parts, others, strict=False), start=1):
        if folded(part) != folded(there):
            return None
        if part != there:
            return "/".join(parts[:count]), "/".join(others[:count])
    return None


def one_name(path: str, other: str) -> str:
    """Say that two paths are one name where names are folded; if they look alike, also how not."""
    return f"{shown(path)} {_collides(path, other)}"


class _Check:
    """Collects problems; remembers what each folded path was spelled like, and what it was."""

    def __init__(self, below: str) -> None:
        self.problems: list[NameProblem] = []
        self._bytes_left = PATH_BYTES_MAX - (len(below.encode()) + 1 if below else 0)
        self._spelled: dict[str, str] = {}
        self._folder_keys: set[str] = set()
        self._folders: dict[str, str] = {"": ""}

    def add_file(self, path: str) -> None:
        if self._is_safe(path):
            parent, _, name = path.rpartition("/")
            self._place(path, self._fold_folder(parent), name, is_folder=False)

    def add_folder(self, path: str) -> None:
        if path not in self._folders and self._is_safe(path):
            self._fold_folder(path)

    def _is_safe(self, path: str) -> bool:
        wrong = _path_problem(path, self._bytes_left)
        if wrong is not None:
            self._report(path, wrong)
        return wrong is None

    def _fold_folder(self, folder: str) -> str:
        """Return the folded form of a folder with a `/` behind it, having placed it once."""
        known = self._folders.get(folder)
        if known is None:
            parent, _, name = folder.rpartition("/")
            known = self._place(folder, self._fold_folder(parent), name, is_folder=True) + "/"
            self._folders[folder] = known
        return known

    def _place(self, path: str, parent: str, name: str, *, is_folder: bool) -> str:
        key = parent + folded(name)
        before = self._spelled.get(key)
        if before is None:
            self._spelled[key] = path
            if is_folder:
                self._folder_keys.add(key)
            return key
        if before != path:
            self._report(path, _collides(path, before))
        elif (key in self._folder_keys) != is_folder:
            self._report(path, "is both a file and a folder")
        else:
            self._report(path, "is listed twice")
        return key

    def _report(self, path: str, wrong: str) -> None:
        self.problems.append(NameProblem(path, f"{shown(path)} {wrong}.", RENAME))


def _collides(path: str, other: str) -> str:
    """Say, as the end of a sentence that begins with path, that two paths collide.

    Of those that look the same also how they differ.
    """
    wrong = f"and {shown(other)} are one name where case or Unicode is folded"
    if unicodedata.normalize("NFC", path) != unicodedata.normalize("NFC", other):
        return wrong
    first, second = ("".join(c if c.isascii() else spelled(c) for c in t) for t in (path, other))
    return f"{wrong}: {first} and {second}"


def _path_problem(path: str, bytes_max: int) -> str | None:
    if path.startswith("/"):
        return "is an absolute path"
    parts = path.split("/")
    for part in parts:
        wrong = check_part(part)
        if wrong is not None:
            return wrong
    if len(path) * 4 > bytes_max and len(path.encode()) > bytes_max:
        return f"is longer than {PATH_BYTES_MAX} bytes, day and roll included"
    if parts[0].lower() == OWN_AREA:
        return f"lies in {OWN_AREA}, which is the storage's own area"
    is_history = len(parts) > 2 and parts[-2] == HISTORY_FOLDER
    return _history_problem(parts, bytes_max) if is_history else None


def _history_problem(parts: list[str], bytes_max: int) -> str | None:
    """Return what is wrong with the folder of a history: it gains a manifest called after that."""
    if _is_too_long_for_history(parts[-3]):
        return f"lies in a folder with {_NOT_AFTER_IT}"
    gained = len("/".join(parts[:-1]).encode()) + 1 + len(parts[-3].encode()) + _BESIDE_BYTES
    if gained > bytes_max:
        return f"gets a manifest beside it whose path is longer than {PATH_BYTES_MAX} bytes"
    return None


def _is_too_long_for_history(name: str) -> bool:
    return len(name.encode()) > HISTORY_NAME_BYTES_MAX


def _is_utf8(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _bad_character(part: str) -> str | None:
    for character in part:
        if character in FORBIDDEN:
            return f"has the character {character}, which Windows and SMB refuse"
        if _is_control(character) or character in BIDI or character in NO_CHARACTERS:
            return f"has the invisible character {_visible(character)}"
    return None


def _bad_for_windows(part: str) -> str | None:
    if part[-1] in {".", " "}:
        return "has a part that ends in a dot or a space, which Windows and SMB drop"
    stem = part.split(".", 1)[0].rstrip(" ")
    if DEVICE.fullmatch(stem):
        return f"has the part {shown(part)}, which is a device on Windows"
    return None


def _is_control(character: str) -> bool:
    return character < " " or "\x7f" <= character <= "\x9f" or character in LINE_ENDS


def _visible(character: str) -> str:
    is_surrogate = "\ud800" <= character <= "\udfff"
    is_odd = is_surrogate or character in BIDI or character in NO_CHARACTERS
    return spelled(character) if is_odd or _is_control(character) else character
