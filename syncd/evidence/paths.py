"""Paths as lists write them: relative, `/` between parts, never out of where they start."""


def path_problem(path: str) -> str | None:
    """Return why a list must not name path, as the end of a sentence, or None.

    Only what would make it mean another file: whether a name is safe is roll/names.py's to say.
    """
    if not path:
        return "is empty"
    if path[0] == "/" or path[1:3] in {":/", ":\\"}:
        return "is not relative to the folder of the list"
    if "//" in path or path[-1] == "/" or "\0" in path:
        return "is not a path of a file"
    if "." in path and not {".", ".."}.isdisjoint(path.split("/")):
        return 'has the part "." or ".."'
    return None


def under(folder: str, path: str) -> str:
    """Return path, which is relative to folder, as seen from where folder is seen."""
    return f"{folder}/{path}" if folder else path


def parent_of(path: str) -> str:
    """Return the folder that path lies in; "" at the top."""
    return path.rpartition("/")[0]


def name_of(path: str) -> str:
    """Return the last part of path."""
    return path.rpartition("/")[2]
