"""One night of a scheduled refresh: whether it is due, its page, and to whom the page is delivered.

Imports `refresh` and what is below it; never `flows`, which keep the schedule, nor `study`.
"""
