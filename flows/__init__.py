"""Prefect flows: the stages of the line as tasks. No computation lives here."""
