"""The foundation: errors, metrics, settings, shipped files, queries, and places on disk or in object stores.

Imports nothing of the project; every other package may import it.
"""
