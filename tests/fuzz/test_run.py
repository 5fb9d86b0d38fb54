"""The long run itself, in short: python -m tests.fuzz."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.__main__ import _how


def test_a_run_tries_as_many_inputs_as_asked_for_and_ends_well(tmp_path: Path) -> None:
    """Its last input is no other than those before it."""
    pytest.importorskip("atheris")
    ran = subprocess.run(
        [
            *(sys.executable, "-m", "tests.fuzz", "marker", "--runs=50"),
            f"--found={tmp_path / 'found'}",
        ],
        check=False,
        capture_output=True,
        text=True,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "| marker | 50 |" in ran.stdout
    assert ran.stdout.rstrip().endswith("| well |")


def test_a_run_that_does_not_end_well_says_how() -> None:
    """A signal by its name."""
    assert _how(77) == "with 77"
    assert _how(-11) == "by SIGSEGV"
