"""Fuzzes what reads the lists that people write: `python -m tests.fuzz.fuzz_lists`."""

from tests.fuzz.drive import drive

if __name__ == "__main__":
    drive("lists")
