"""Fuzzes what reads FIT files: `python -m tests.fuzz.fuzz_fit`."""

from tests.fuzz.drive import drive

if __name__ == "__main__":
    drive("fit")
