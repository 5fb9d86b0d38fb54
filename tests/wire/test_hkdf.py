"""HKDF-SHA256 against the RFC's own vectors."""

import pytest

from syncd.wire.hkdf import expand, extract

# RFC 5869, appendix A.1, A.2 and A.3: secret, salt, info, pseudo-random key, what is made of it.
VECTORS = [
    (
        "0b" * 22,
        "000102030405060708090a0b0c",
        "f0f1f2f3f4f5f6f7f8f9",
        "077709362c2e32df0ddc3f0dc47bba6390b6c73bb50f9c3122ec844ad7c2b3e5",
        "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865",
    ),
    (
        bytes(range(0x50)).hex(),
        bytes(range(0x60, 0xB0)).hex(),
        bytes(range(0xB0, 0x100)).hex(),
        "06a6b88c5853361a06104c9ceb35b45cef760014904671014a193f40c15fc244",
        (
            "b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c"
            "59045a99cac7827271cb41c65e590e09da3275600c2f09b8367793a9aca3db71"
            "cc30c58179ec3e87c14c01d5c1f3434f1d87"
        ),
    ),
    (
        "0b" * 22,
        "",
        "",
        "19ef24a32c717b167f33a91d6f648bdf96596776afdb6377ac434c1c293ccb04",
        "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8",
    ),
]


@pytest.mark.parametrize(("secret", "salt", "info", "prk", "okm"), VECTORS)
def test_the_vectors_of_the_rfc(secret: str, salt: str, info: str, prk: str, okm: str) -> None:
    """RFC 5869, appendix A."""
    made = extract(bytes.fromhex(salt), bytes.fromhex(secret))
    assert made.hex() == prk
    assert expand(made, bytes.fromhex(info), len(okm) // 2).hex() == okm
