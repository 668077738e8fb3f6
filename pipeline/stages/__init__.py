"""The stages: pure functions, frames and named numbers in, frames out. `pipeline.STAGES` has their order.

Import `methods`, `formats`, `tables` and the queries of `core`; never settings, inbox, store, workers, Prefect, a clock
or the environment.
"""
