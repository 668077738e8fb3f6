"""For notebooks and scripts: a store's tables and charts, and single recordings taken through the file-level stages.

    from pipeline import read_store, read_recording

    store = read_store("store")
    store.table("athlete_drift")
    store.athlete_chart("ari")

    read_recording("inbox/ari/2026-03-14.fit").splits

Frames are Polars frames (`.to_pandas()` where pandas is installed), charts are Altair charts. Nothing here changes a
store. It may import everything below the commands; nothing imports it but the two functions of `pipeline`.
"""

from pipeline.notebook.reading import Recorded, Store, read_recording, read_store

__all__ = ["Recorded", "Store", "read_recording", "read_store"]
