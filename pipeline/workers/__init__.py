"""One function over many items: in this process, or in worker processes with limits on time and memory.

Imports `core` alone. What is done with the items is the caller's: no recording or table is known here.
"""
