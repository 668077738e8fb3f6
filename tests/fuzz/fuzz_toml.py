"""Fuzzes what reads the files that people write in TOML: `python -m tests.fuzz.fuzz_toml`."""

from tests.fuzz.drive import drive

if __name__ == "__main__":
    drive("toml")
