"""The code that is shown: how it is drawn, read out and typed."""

import pytest

from syncd.errors import UsageError
from syncd.wire.pairing_code import make_code, read_code, shown_code

CODE = "482913"


def test_codes_are_even_and_read_as_people_type_them() -> None:
    """Six digits, zeros in front; what would favour some codes is drawn again."""
    assert make_code(lambda _: (999_999).to_bytes(4, "big")) == "999999"
    draws = iter([(4_294_967_295).to_bytes(4, "big"), (4_294_000_000).to_bytes(4, "big"), bytes(4)])
    assert make_code(lambda _: next(draws)) == "000000"
    assert shown_code("048291") == "048 291"
    for typed in ("482913", "482 913", "482-913", " 48 29 13 "):
        assert read_code(typed) == CODE
    for typed in (
        "",
        "48291",
        "4829134",
        "48291a",
        "\uff14\uff18\uff12\uff19\uff11\uff13",
        "482.913",
    ):
        with pytest.raises(UsageError):
            read_code(typed)
