"""The inbox: its files, whose they are, and the lists in it (roster, sessions, shoes, strikes, complaints).

May import `formats`, `tables` and `core`; never stages, the store or a refresh.
"""
