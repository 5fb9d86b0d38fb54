"""Benchmarks: `python -m tests.bench NAME [--json FILE]`; without a name, the list of them."""
