"""Fuzzes what reads GPX files: `python -m tests.fuzz.fuzz_gpx`."""

from tests.fuzz.drive import drive

if __name__ == "__main__":
    drive("gpx")
