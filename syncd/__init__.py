"""Hand verified camera rolls to shared storage, proved to the last read-back."""

__version__ = "0.1.0"
