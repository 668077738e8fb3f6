"""The refresh: what changed in an inbox, what is carried over, and the stages run over the rest.

Imports `pages`, `store`, `inbox`, `workers` and the stages. Knows nothing of studies, nights, Prefect or commands.
"""
