"""The store: where tables lie, how they are written and read, one generation after the other, one writer at a time.

Imports `inbox`, `tables` and `core`; never a stage. Nothing here computes a number of a table.
"""
