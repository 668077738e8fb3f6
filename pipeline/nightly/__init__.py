"""One night of a scheduled refresh: whether it runs, its page, and the delivery of that page.

Imports `refresh` and what is below it; never `flows`, which keep the schedule, nor `study`.
"""

#: Environment variables with the command and the web address that get the page, and with the cluster that works.
NOTIFY, WEBHOOK, CLUSTER = "SPLITDRIFT_NOTIFY", "SPLITDRIFT_WEBHOOK", "SPLITDRIFT_CLUSTER"
