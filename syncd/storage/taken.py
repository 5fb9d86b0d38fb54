"""What stands in the way of a roll's name on the storage: another roll, something else, a twin.

Owns: finding and wording that. A twin is a name that a volume which folds case, or normalises
Unicode, would take for the same one: the storage may be such a one some day, or be copied to it.
Must not: change anything, or list more than the folders that a name is to be made in.
"""

from syncd.errors import HeldError
from syncd.ports import EntryKind, Folder
from syncd.roll.droppings import is_dropping
from syncd.roll.inventory import Inventory
from syncd.roll.names import find_twin, folded, one_name
from syncd.roll.stages import HeldCode
from syncd.storage.layout import target_of, walk

_WORDS = {
    EntryKind.FOLDER: "a folder",
    EntryKind.FILE: "a file",
    EntryKind.LINK: "a link",
    EntryKind.OTHER: "something",
}


def name_taken(folder: Folder, inventory: Inventory) -> HeldError:
    """Say that something else has this name; nothing is merged or replaced. Raises OSError."""
    path = target_of(inventory)
    there, empty = _look_at(folder, path)
    return empty or HeldError(
        HeldCode.NAME_TAKEN,
        f"The storage already holds {_WORDS[there]} as {path}, and it is not this roll.",
        remedy="Check for a re-used card or roll name; move one of the two by hand, then "
        "`syncd go` the roll. Clear neither card before that.",
    )


def name_offered_twice(folder: Folder, inventory: Inventory) -> HeldError:
    """Say so of a roll that was not taken yet, and can still be renamed. Raises OSError."""
    path = target_of(inventory)
    _, empty = _look_at(folder, path)
    return empty or HeldError(
        HeldCode.NAME_TAKEN,
        f"The storage already holds another roll as {path}.",
        remedy="Check for a re-used card or roll name; rename this roll's folder and its evidence "
        "with the tool that made it, and it is offered anew. Clear neither card before that.",
    )


def refuse_twin_there(folder: Folder, inventory: Inventory, *, is_here: bool = False) -> None:
    """Raise HeldError(name-unsafe) if what is on the storage is a twin of a name that is free.

    is_here: the roll's bytes are, under its name, which so can be changed no more. Raises OSError.
    """
    parent = ""
    for part in target_of(inventory).split("/"):
        here = f"{parent}/{part}" if parent else part
        if folder.stat(here) is None:
            names = [entry.name for entry in folder.scan(parent)]
            for name in names:
                if folded(name) == folded(part) and name != part:
                    other = f"{parent}/{name}" if parent else name
                    raise _twin(inventory, here, other, is_here=is_here)
            return
        parent = here


def refuse_twin_of(inventory: Inventory, other: str) -> None:
    """Raise HeldError(name-unsafe) if other, the target of a roll under way, is a twin."""
    twins = find_twin(target_of(inventory), other)
    if twins is not None:
        raise _twin(inventory, *twins, is_here=False)


def _twin(inventory: Inventory, own: str, other: str, *, is_here: bool) -> HeldError:
    rename = (
        "Rename the other one by hand, then `syncd go` the roll."
        if is_here
        else "Rename this roll's folder, or that of its day, and its evidence with the tool that "
        "made it, and it is offered anew; or rename the other one by hand, then `syncd go` the "
        "roll."
    )
    what = "this roll" if own == target_of(inventory) else f"the day of {target_of(inventory)}"
    return HeldError(
        HeldCode.NAME_UNSAFE,
        f"The name of {what} is taken in another spelling: {one_name(own, other)}.",
        remedy=f"Check for a re-used card, roll or day name. {rename} Clear neither card before "
        "that.",
    )


def _look_at(folder: Folder, path: str) -> tuple[EntryKind, HeldError | None]:
    """Return what lies at path, and what is to be said if it is an empty folder. Raises OSError."""
    entry = folder.stat(path)
    if entry is None:  # gone by now
        return EntryKind.OTHER, None
    is_empty = entry.kind is EntryKind.FOLDER and _has_no_file(folder, path)
    return entry.kind, _made_before(path) if is_empty else None


def _has_no_file(folder: Folder, path: str) -> bool:
    """Tell whether there are only folders below path, and what is no media."""
    return all(
        entry.kind is EntryKind.FOLDER or is_dropping(below) for below, entry in walk(folder, path)
    )


def _made_before(path: str) -> HeldError:
    return HeldError(
        HeldCode.NAME_TAKEN,
        f"On the storage lies an empty folder {path}, which syncd did not make: it has no file in "
        "it. syncd puts nothing into it, and nothing in its place.",
        remedy="Remove the empty folder by hand, or move it away, then `syncd go` the roll; syncd "
        "makes the folder of a roll itself.",
    )
