-- A row is: an accepted run.
-- Reads: measured, splits, sessions.
-- Grain: run_id.
-- Parameters: $same_start_s.

WITH totals AS (
  SELECT
    run_id,
    SUM(length_m) / 1000 AS distance_km,
    SUM(moving_s) AS moving_s
  FROM splits
  GROUP BY run_id
),

described AS (
  -- A line of sessions.csv names its run by file, or by athlete and start; a line that names the file comes first.
  SELECT
    measured.run_id,
    sessions.kind,
    sessions.surface,
    sessions.shoe_id,
    ROW_NUMBER() OVER (
      PARTITION BY measured.run_id ORDER BY sessions.file IS NULL, sessions.line
    ) AS choice
  FROM measured
  INNER JOIN sessions
    ON
      sessions.file IN (measured.file, measured.path)
      OR (
        sessions.file IS NULL
        AND measured.athlete_id = sessions.athlete_id
        AND ABS(EPOCH(sessions.started_at_utc) - EPOCH(measured.started_at_utc)) <= $same_start_s
      )
)

SELECT
  measured.run_id,
  measured.athlete_id,
  measured.started_at_utc,
  totals.distance_km,
  totals.moving_s,
  measured.paused_s,
  described.kind,
  described.surface,
  described.shoe_id,
  measured.device,
  measured.sensors,
  measured.altitude,
  measured.speed_source
FROM measured
INNER JOIN totals
  ON measured.run_id = totals.run_id
LEFT JOIN described
  ON
    measured.run_id = described.run_id
    AND described.choice = 1
ORDER BY measured.run_id
