"""Fuzzes what reads TCX files: `python -m tests.fuzz.fuzz_tcx`."""

from tests.fuzz.drive import drive

if __name__ == "__main__":
    drive("tcx")
