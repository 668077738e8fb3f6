"""The inbox: its files, whose they are, and the lists in it (roster, sessions, shoes, strikes, complaints).

Imports `formats` (for `columns.toml`) and `core`; knows nothing of stages, the store or a refresh.
"""
