"""Amounts of bytes as people read them."""

_UNITS = ("B", "kB", "MB", "GB", "TB", "PB")


def human(size_bytes: int) -> str:
    """Write an amount with three digits and a decimal unit: 1.23 GB."""
    amount = float(size_bytes)
    for unit in _UNITS[:-1]:
        if abs(amount) < 999.5:
            return f"{amount:.3g} {unit}"
        amount /= 1000
    return f"{amount:.3g} {_UNITS[-1]}"
