"""The refresh: what changed in an inbox, what is carried over, and the stages run over the rest.

Imports `pages`, `store`, `inbox`, `workers` and the stages; no studies, nights, Prefect or commands.
"""

from pipeline import ATHLETE, CLUB, FILE, stages_of

_OF_FILES_AND_ATHLETES = ["pipeline.refresh.shard", "pipeline.refresh.athlete"]
_OF_THE_CLUB = ["pipeline.refresh.club", "pipeline.pages.draw"]

#: What workers import that are given files and athletes only, with a blank between.
WORKER_LOADS = " ".join(
    [
        "pipeline.core.scipy_alone",
        *_OF_FILES_AND_ATHLETES,
        *(stage.module for level in (FILE, ATHLETE) for stage in stages_of(level)),
    ]
)
#: What workers of a whole refresh import.
REFRESH_LOADS = " ".join([WORKER_LOADS, *(stage.module for stage in stages_of(CLUB)), *_OF_THE_CLUB])
