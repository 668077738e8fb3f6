"""Fuzzes what reads archives: ZIP and gzip: `python -m tests.fuzz.fuzz_archive`."""

from tests.fuzz.drive import drive

if __name__ == "__main__":
    drive("archive")
