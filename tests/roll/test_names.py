"""What names a roll may have, and how unsafe ones are shown."""

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.errors import HeldError
from syncd.limits import NAME_BYTES_MAX, PATH_BYTES_MAX
from syncd.roll.names import (
    check_names,
    check_part,
    check_top,
    find_twin,
    folded,
    require_safe_names,
    shown,
)
from syncd.roll.stages import HeldCode


@pytest.mark.parametrize(
    "part",
    [
        "A012C001_260314_R1AB.mov",
        "A012C001.0086400.ari",
        "Größe 5 Straße.wav",
        "片名.mov",
        ".hidden",
        "a b",
        " leading space",
        "console.txt",
        "COM10",
        "comet.mov",
        "nulls",
        "x" * NAME_BYTES_MAX,
        "&'()+,;=@[]^`{}~!#$%-",
    ],
)
def test_names_that_cameras_and_people_give_are_fine(part: str) -> None:
    """Only what some file system refuses or changes is refused."""
    assert check_part(part) is None
    assert check_names([f"CLIPS/{part}"]) == []


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("", "empty part"),
        ("/etc/passwd", "absolute"),
        ("CLIPS//a", "empty part"),
        ("CLIPS/", "empty part"),
        (".", 'the part "."'),
        ("..", 'the part ".."'),
        ("CLIPS/../../a", 'the part ".."'),
        ("CLIPS\\a", "\\"),
        ("C:/a", ":"),
        ("a\0b", "\\x00"),
        ("a\nb", "\\x0a"),
        ("a\x1b[31mb", "\\x1b"),
        ("a\x7f", "\\x7f"),
        ("a\x85b", "\\x85"),
        ("a\u202egpj.mov", "\\u202e"),
        ("a\u2066b", "\\u2066"),
        ("a\u2028b", "\\u2028"),
        ("a\uffff", "\\uffff"),
        ('a"b', '"'),
        ("a<b", "<"),
        ("a>b", ">"),
        ("a|b", "|"),
        ("a?b", "?"),
        ("a*b", "*"),
        ("ends.", "ends in a dot"),
        ("ends ", "or a space"),
        ("folder./a", "ends in a dot"),
        ("x" * (NAME_BYTES_MAX + 1), "longer than 255 bytes"),
        ("é" * 128, "longer than 255 bytes"),
        ("/".join(["abcdefghi"] * 103), f"longer than {PATH_BYTES_MAX} bytes"),
        (f"{'x' * 228}/ascmhl/0001.mhl", "longer than 227 bytes"),
        (f"{'é' * 114}/ascmhl/0001.mhl", "longer than 227 bytes"),
        ("/".join(["abcdefghi"] * 98) + "x/ascmhl/0001.mhl", "gets a manifest beside it"),
        ("a\udcff.mov", "not UTF-8"),
        (".syncd/incoming", "storage's own area"),
        (".SYNCD", "storage's own area"),
    ],
)
def test_what_would_not_arrive_as_it_is_is_refused(path: str, says: str) -> None:
    """Each answer names the path, fit to be shown, and what is wrong; a person renames."""
    (problem,) = check_names([path])

    assert problem.path == path
    assert says in problem.problem
    assert problem.problem.startswith(shown(path))
    assert problem.problem.isprintable()
    assert "Rename" in problem.remedy


@pytest.mark.parametrize("name", ["CON", "prn", "Aux", "nul", "CONIN$", "conout$"])
@pytest.mark.parametrize("ending", ["", ".mov", ".tar.gz", " .txt"])
def test_windows_devices_are_refused_with_any_extension(name: str, ending: str) -> None:
    """Source: learn.microsoft.com, "Naming Files, Paths, and Namespaces"."""
    assert "device" in (check_part(name + ending) or "")


@pytest.mark.parametrize("port", ["COM", "lpt"])
@pytest.mark.parametrize("digit", "0123456789¹²³")
def test_numbered_ports_are_devices_too(port: str, digit: str) -> None:
    """Superscript digits count as digits there (same source)."""
    assert "device" in (check_part(f"{port}{digit}.mov") or "")


@pytest.mark.parametrize(
    ("paths", "second"),
    [
        (["CLIPS/A.mov", "CLIPS/a.mov"], "CLIPS/a.mov"),
        (["CLIPS/x", "clips/y"], "clips"),
        (["a/B/x", "a/b/y"], "a/b"),
        (["caf\u00e9.wav", "cafe\u0301.wav"], "cafe\u0301.wav"),
        (["Straße", "STRASSE"], "STRASSE"),
        (["CLIPS", "clips/x"], "clips"),
    ],
)
def test_names_that_one_volume_would_fold_into_one_collide(paths: list[str], second: str) -> None:
    """Ext4 keeps both where APFS and NTFS keep one; also for folders on the way."""
    (problem,) = check_names(paths)

    assert problem.path == second
    assert "one name" in problem.problem


def test_a_path_cannot_be_listed_twice_nor_be_file_and_folder() -> None:
    """No disk has that; a stranger's inventory may say so."""
    assert "twice" in check_names(["a", "a"])[0].problem
    assert "both a file and a folder" in check_names(["a", "a/b"])[0].problem
    assert "both a file and a folder" in check_names(["a/b", "a"])[0].problem
    assert "both a file and a folder" in check_names(["a"], folders=["a"])[0].problem


def test_folders_are_checked_like_files_and_may_be_named_again() -> None:
    """Whoever has a full list of folders may pass it whole."""
    assert check_names(["CLIPS/a", "CLIPS/b"], folders=["CLIPS", "EMPTY", "EMPTY/E2"]) == []
    assert [p.path for p in check_names(["CLIPS/a"], folders=["empty."])] == ["empty."]
    assert [p.path for p in check_names(["CLIPS/a"], folders=["clips"])] == ["clips"]


def test_all_problems_are_found_not_only_the_first() -> None:
    """A person renames once, not once per attempt."""
    problems = check_names(["ok", "a:", "b.", "OK", "c"])

    assert [problem.path for problem in problems] == ["a:", "b.", "OK"]


def test_names_that_look_the_same_are_told_apart() -> None:
    """One name composed and decomposed: both are shown in escapes, too."""
    (problem,) = check_names(["caf\u00e9.wav", "cafe\u0301.wav"])
    assert problem.problem.endswith(r"is folded: cafe\u0301.wav and caf\xe9.wav.")
    (problem,) = check_names(["a.mov", "A.mov"])
    assert problem.problem.endswith("is folded.")


def test_the_first_problem_can_hold_the_roll() -> None:
    """The error carries the stable code, the path and the remedy."""
    require_safe_names(["CLIPS/A012C001.mov"])
    with pytest.raises(HeldError) as caught:
        require_safe_names(["ok", "aux.mov", "b."])

    assert caught.value.code is HeldCode.NAME_UNSAFE
    assert caught.value.path == "aux.mov"
    assert caught.value.problem == "aux.mov has the part aux.mov, which is a device on Windows."


def test_text_is_shown_with_its_hidden_characters() -> None:
    """Nothing that a terminal or page would act on is left; the rest stays as it is."""
    assert shown("A012/Größe 片") == "A012/Größe 片"
    assert shown("a\x1b]0;x\x07b") == "a\\x1b]0;x\\x07b"
    assert shown("a\udcffb") == "a\\xffb"
    assert shown("a\ud83db") == "a\\ud83db"
    assert shown("a\u202eb\u2028c") == "a\\u202eb\\u2028c"


@settings(deadline=None)
@given(st.text())
def test_shown_text_can_always_be_written(text: str) -> None:
    """Whatever comes in, what comes out is UTF-8 and moves no cursor."""
    out = shown(text)

    out.encode()
    assert not any(unicodedata.category(c) in {"Cc", "Cs", "Zl", "Zp"} for c in out)


@settings(deadline=None)
@given(st.text(min_size=1, max_size=30), st.sampled_from(["NFC", "NFD", "NFKC"]))
def test_folding_is_the_same_for_all_spellings(text: str, form: str) -> None:
    """Upper or lower case, composed or not; folding twice changes nothing."""
    if form in {"NFC", "NFD"}:
        assert folded(unicodedata.normalize(form, text)) == folded(text)  # type: ignore[arg-type]
    assert folded(folded(text)) == folded(text)


@settings(deadline=None)
@given(st.lists(st.text(st.characters(codec="utf-8"), max_size=12), max_size=6))
def test_what_passes_is_relative_and_stays_inside(parts: list[str]) -> None:
    """No accepted path is absolute, leads up, or has a part that a part may not be."""
    path = "/".join(parts)
    if check_names([path]):
        return

    assert not path.startswith("/")
    assert "\\" not in path
    assert "\0" not in path
    assert not {"", ".", ".."} & set(path.split("/"))


def test_a_hundred_thousand_camera_names_are_checked_in_no_time() -> None:
    """An image sequence must not hold up the look at a landing (0.2 s here)."""
    names = [f"CLIPS/A012C001/A012C001.{frame:07}.ari" for frame in range(100_000)]
    assert check_names(names) == []


@pytest.mark.parametrize(
    ("path", "other", "twins"),
    [
        ("D12/C9", "D12/c9", ("D12/C9", "D12/c9")),
        ("D12/C9", "d12/A1", ("D12", "d12")),
        ("D12", "d12/A1", ("D12", "d12")),
        ("D12/caf\u00e9", "D12/cafe\u0301", ("D12/caf\u00e9", "D12/cafe\u0301")),
        ("D12/C9", "D12/C9", None),
        ("D12/C9", "D12", None),
        ("D12/C9", "D13/c9", None),
        ("D12/C9", "D12/C90", None),
    ],
)
def test_twins_are_found_at_the_first_part_that_differs(
    path: str, other: str, twins: tuple[str, str] | None
) -> None:
    """Only by case or Unicode; and it is the same whichever comes first."""
    assert find_twin(path, other) == twins
    assert find_twin(other, path) == (None if twins is None else twins[::-1])


def test_no_roll_is_published_where_the_storages_own_marker_is() -> None:
    """Neither as a day nor right below the root, however it is written; in a roll it is a name."""
    for day, name in (("", "syncd-storage.json"), ("Syncd-Storage.JSON", "A012")):
        (problem,) = check_top(day, name)
        assert "the storage's own marker" in problem.problem
        assert problem.remedy
    assert check_top("2026-03-14_D12", "syncd-storage.json") == []
    assert check_top("", "A012") == []
    assert check_top("..", "A012")


@pytest.mark.parametrize("name", ["x" * 228, "x" * 255, "é" * 114])
def test_a_roll_whose_name_no_manifest_can_have_is_refused(name: str) -> None:
    """ASC MHL v1.0, 5.3: the whole folder name stands in it; names have 255 bytes (limits.h)."""
    (problem,) = check_top("2026-03-14_D12", name)
    assert "longer than 227 bytes" in problem.problem
    assert "Rename" in problem.remedy


def test_the_longest_names_are_taken() -> None:
    """A day of 255 bytes, a roll and a nested folder of 227, each with a history."""
    day, roll = "d" * 255, "r" * 227
    assert check_top(day, roll) == []
    assert check_names([f"{day}/{roll}/ascmhl/0001.mhl", f"{day}/{roll}/x/ascmhl/0001.mhl"]) == []
    assert check_names([f"{'n' * 227}/ascmhl/0001.mhl", f"{'n' * 255}/C0001.mov"]) == []
