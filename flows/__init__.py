"""Prefect flows: the stages of the line as tasks, and a night. No computation lives here.

Prefect reads its environment once, when it is imported, so that is set here: nothing is sent anywhere, no server is
started (one without authentication would let everyone on the machine start runs), only warnings are shown, and no child
process has the working directory on its path, where anyone might have put a module of a known name.
"""

import os

for _name, _value in {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
    "PREFECT_LOGGING_LEVEL": "WARNING",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PYTHONSAFEPATH": "1",
}.items():
    os.environ.setdefault(_name, _value)
