"""Fuzzes what reads CSV files: `python -m tests.fuzz.fuzz_csv`."""

from tests.fuzz.drive import drive

if __name__ == "__main__":
    drive("csv")
