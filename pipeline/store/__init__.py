"""The store: where tables are, how they are written and read, one generation after another, one writer at a time.

Imports `inbox`, `tables` and `core`; never a stage. Nothing here computes a number of a table.
"""
